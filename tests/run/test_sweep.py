from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import pytest

from controller.clock import VirtualClock
from controller.errors import RelayKnowledge
from controller.ladder.electrical import Output
from controller.ladder.model import PathStep
from controller.measurement.model import DecisionRule, SettleRule, Verdict
from controller.planning.single_value import Setting
from controller.readback.base import OperatorCommand, Reading
from controller.run.beside import NUDGED_S
from controller.run.events import (
    Event,
    FaultRaised,
    NoteKind,
    NoteMade,
    Parked,
    PromptOpened,
    ReadingSeen,
    RelaysSet,
    RunFinished,
    RunStarted,
    StepFinished,
    StepStarted,
)
from controller.run.job import run_events
from controller.run.model import Ending, Reason, RunSummary
from controller.run.sweep import SweepRun


def finished(events: list[Event]) -> RunSummary:
    [last] = [e for e in events if isinstance(e, RunFinished)]
    assert events[-1] is last
    return last.summary


def of(events: list[Event], kind: type) -> list:
    return [event for event in events if isinstance(event, kind)]


def names(events: list[Event], *, without: tuple[str, ...] = ("LinkReported", "ReadingSeen")):
    return [n for n in (type(e).__name__ for e in events) if n not in without]


def streaming(fakes, clock, says=None, **link):
    link = fakes.FakeLink(clock, **link)
    return link, fakes.bench(link, fakes.StreamingReadback(clock, says or fakes.right))


def test_a_healthy_run_passes_every_step_and_ends_parked(fakes, clock):
    link, bench = streaming(fakes, clock)
    events = list(run_events(SweepRun(fakes.plain_plan(3), bench, clock)))
    step = ["StepStarted", "RelaysSet", "StepFinished"]
    assert names(events) == ["RunStarted", *step * 3, "Parked", "RunFinished"]
    summary = finished(events)
    assert (summary.verdict, summary.ended, summary.passed) == (Verdict.PASS, Ending.COMPLETE, 3)
    assert summary.relays == RelayKnowledge.PARKED
    assert link.state == 0
    assert [s.state for s in link.applied] == [1, 3, 2]


def test_each_step_has_one_final_reading_and_it_is_the_one_judged(fakes, clock):
    _, bench = streaming(fakes, clock, fakes.settling(3.0))
    events = list(run_events(SweepRun(fakes.plain_plan(2), bench, clock)))
    results = [e.result for e in of(events, StepFinished)]
    finals = [e for e in of(events, ReadingSeen) if e.final]
    assert [f.celsius for f in finals] == [r.reported_celsius for r in results]
    assert all(r.settled for r in results)
    # 10 exp(-t/3) moves by less than 0.5 within 2 s only once it is below 0.5 / (exp(2/3) - 1).
    assert all(-0.52 < r.error_celsius < 0 for r in results)


def test_a_reading_that_never_settles_is_taken_as_it_is_and_cannot_pass(fakes, clock):
    def restless(prompt, since_s):
        return 10.0 * (prompt.step_index + 1) + (1.0 if int(since_s) % 2 else -1.0)

    _, bench = streaming(fakes, clock, restless)
    plan = fakes.plain_plan(1, settle=SettleRule(within_celsius=0.5, for_s=3.0, at_most_s=9.0))
    events = list(run_events(SweepRun(plan, bench, clock)))
    [result] = [e.result for e in of(events, StepFinished)]
    assert (result.settled, result.verdict) == (False, Verdict.UNDECIDED)
    assert result.reason is Reason.UNSETTLED
    assert abs(result.error_celsius) == 1.0
    assert 9.0 <= result.settle_s < 9.2
    assert finished(events).unsettled == 1


def test_a_source_without_readings_leaves_the_step_undecided(fakes, clock):
    _, bench = streaming(fakes, clock, fakes.never)
    events = list(run_events(SweepRun(fakes.plain_plan(1), bench, clock)))
    [result] = [e.result for e in of(events, StepFinished)]
    assert (result.verdict, result.reason) == (Verdict.UNDECIDED, Reason.NO_READING)
    assert finished(events).verdict is Verdict.UNDECIDED


def test_an_error_beyond_the_tolerance_fails_the_step_and_the_run(fakes, clock):
    def cold(prompt, since_s):
        return fakes.right(prompt, since_s) - (4.0 if prompt.step_index else 0.0)

    _, bench = streaming(fakes, clock, cold)
    summary = finished(list(run_events(SweepRun(fakes.plain_plan(3), bench, clock))))
    assert (summary.verdict, summary.passed, summary.failed) == (Verdict.FAIL, 1, 2)
    assert "2 of 3 steps failed, the module reads too cold" in summary.sentence
    assert "error -4.0" in summary.sentence


def test_the_decision_rule_of_the_plan_is_the_one_applied(fakes, clock):
    def near_limit(prompt, since_s):
        return fakes.right(prompt, since_s) + 1.8

    _, bench = streaming(fakes, clock, near_limit)
    plan = fakes.plain_plan(1, rule=DecisionRule.GUARDED)
    events = list(run_events(SweepRun(plan, bench, clock)))
    assert finished(events).verdict is Verdict.UNDECIDED  # 1.8 + 0.5 > 2.0


def test_no_reading_is_judged_before_the_dwell_time(fakes, clock):
    _, bench = streaming(fakes, clock)
    events = list(run_events(SweepRun(fakes.plain_plan(1, dwell_s=30.0), bench, clock)))
    [set_at] = [e.at_s for e in of(events, RelaysSet)]
    [final] = [e.at_s for e in of(events, ReadingSeen) if e.final]
    assert final - set_at >= 30.0


@pytest.mark.parametrize("hold_off_ms", [200, 2000, 60_000])
def test_the_hold_off_is_fed_at_least_every_third_of_its_time(fakes, clock, hold_off_ms):
    link = fakes.FakeLink(clock)
    bench = fakes.bench(
        link, fakes.StreamingReadback(clock, fakes.settling(5.0)), hold_off_ms=hold_off_ms
    )
    plan = fakes.plain_plan(3, hold_ms=5000, dwell_s=70.0)
    run = SweepRun(plan, bench, clock)
    paused_until = None
    while not run.finished:
        for event in run.step():
            if isinstance(event, StepFinished) and paused_until is None:
                run.pause()
                paused_until = clock.now_s() + 100.0
        if paused_until is not None and clock.now_s() > paused_until:
            run.resume()
    assert link.hold_off_ms == hold_off_ms
    assert link.longest_silence_s <= hold_off_ms / 3000 + 1e-9
    assert link.longest_apply_s <= 0.5


def test_the_hold_off_is_fed_while_a_person_is_asked(fakes, clock):
    link = fakes.FakeLink(clock)
    answers = [None] * 300 + [10.0]
    bench = fakes.bench(link, fakes.ScriptedReadback(clock, answers), hold_off_ms=600)
    events = list(run_events(SweepRun(fakes.plain_plan(1), bench, clock)))
    assert finished(events).passed == 1
    assert clock.now_s() > 20.0
    assert link.longest_silence_s <= 0.2 + 1e-9


def test_a_typed_run_asks_once_for_each_step(fakes, clock):
    readback = fakes.ScriptedReadback(clock, [10.0, None, 20.5, 30.0])
    bench = fakes.bench(fakes.FakeLink(clock), readback)
    events = list(run_events(SweepRun(fakes.plain_plan(3), bench, clock)))
    assert [p.step_index for p in readback.prompts] == [0, 1, 2]
    assert [p.token for p in readback.prompts] == [1, 2, 3]
    assert [e.prompt for e in of(events, PromptOpened)] == readback.prompts
    assert [e.result.reported_celsius for e in of(events, StepFinished)] == [10.0, 20.5, 30.0]


def test_an_answer_to_an_earlier_prompt_is_not_believed(fakes, clock):
    stale = Reading(token=1, celsius=99.0, at_s=0.0)
    readback = fakes.ScriptedReadback(clock, [10.0, stale, stale, 20.0])
    bench = fakes.bench(fakes.FakeLink(clock), readback)
    events = list(run_events(SweepRun(fakes.plain_plan(2), bench, clock)))
    assert [e.result.reported_celsius for e in of(events, StepFinished)] == [10.0, 20.0]


def test_skip_redo_and_stop_can_be_typed(fakes, clock):
    answers = [OperatorCommand.REDO, 10.0, OperatorCommand.SKIP, OperatorCommand.STOP]
    link = fakes.FakeLink(clock)
    bench = fakes.bench(link, fakes.ScriptedReadback(clock, answers))
    events = list(run_events(SweepRun(fakes.plain_plan(4), bench, clock)))
    started = [(e.step.index, e.attempt) for e in of(events, StepStarted)]
    assert started == [(0, 1), (0, 2), (1, 1), (2, 1)]
    first, second = (e.result for e in of(events, StepFinished))
    assert (first.attempt, first.verdict) == (2, Verdict.PASS)
    assert (second.verdict, second.reason) == (Verdict.UNDECIDED, Reason.SKIPPED)
    summary = finished(events)
    assert (summary.ended, summary.not_run, summary.passed) == (Ending.STOPPED, 2, 1)
    assert summary.verdict is Verdict.UNDECIDED
    assert link.state == 0
    # The redo takes the reading again; the relays already stand where the step wants them.
    assert [s.state for s in link.applied] == [1, 3, 2]


def test_going_back_takes_the_same_way_and_the_later_result_counts(fakes, clock):
    link = fakes.FakeLink(clock)
    readback = fakes.ScriptedReadback(clock, [15.0])
    run = SweepRun(fakes.plain_plan(3), fakes.bench(link, readback), clock)
    events: list[Event] = []
    while len(of(events, PromptOpened)) < 2:
        events.extend(run.step())
    run.back()
    readback.answers = [None, 10.0, 20.0, 30.0]
    while not run.finished:
        events.extend(run.step())
    started = [(e.step.index, e.attempt) for e in of(events, StepStarted)]
    assert started == [(0, 1), (1, 1), (0, 2), (1, 2), (2, 1)]
    assert [s.state for s in link.applied] == [1, 3, 1, 3, 2]
    assert [r.reported_celsius for r in run.results] == [10.0, 20.0, 30.0]
    summary = finished(events)
    assert (summary.passed, summary.failed) == (3, 0)


def test_back_at_the_first_step_begins_it_again(fakes, clock):
    _link, bench = streaming(fakes, clock)
    run = SweepRun(fakes.plain_plan(1), bench, clock)
    events: list[Event] = []
    while not of(events, RelaysSet):
        events.extend(run.step())
    run.back()
    while not run.finished:
        events.extend(run.step())
    assert [(e.step.index, e.attempt) for e in of(events, StepStarted)] == [(0, 1), (0, 2)]
    assert finished(events).passed == 1


def test_a_pause_holds_the_relays_and_settling_begins_anew(fakes, clock):
    link, bench = streaming(fakes, clock)
    run = SweepRun(fakes.plain_plan(2), bench, clock)
    events: list[Event] = []
    while not of(events, RelaysSet):
        events.extend(run.step())
    run.pause()
    until_s = clock.now_s() + 60.0
    while clock.now_s() < until_s:
        events.extend(run.step())
    assert not of(events, StepFinished)
    assert link.state == 1
    run.resume()
    resumed_s = clock.now_s()
    while not run.finished:
        events.extend(run.step())
    assert [e.text for e in of(events, NoteMade)] == ["paused", "resumed"]
    assert of(events, StepFinished)[0].at_s >= resumed_s + 2.0
    assert finished(events).passed == 2


def test_stop_in_a_pause_parks(fakes, clock):
    link, bench = streaming(fakes, clock)
    run = SweepRun(fakes.plain_plan(2), bench, clock)
    run.pause()
    events = [e for _ in range(50) for e in run.step()]
    assert not of(events, Parked)
    run.stop()
    events += list(run_events(run))
    assert names(events)[-2:] == ["Parked", "RunFinished"]
    assert link.parks == 1


def test_stop_before_the_first_step_still_parks_and_reports(fakes, clock):
    link, bench = streaming(fakes, clock)
    run = SweepRun(fakes.plain_plan(2), bench, clock)
    run.stop()
    events = list(run_events(run))
    assert names(events)[-2:] == ["Parked", "RunFinished"]
    assert finished(events).not_run == 2
    assert not link.applied


def test_a_keyboard_interrupt_is_taken_as_stop(fakes, clock):
    def interrupting(prompt, since_s):
        raise KeyboardInterrupt

    link, bench = streaming(fakes, clock, interrupting)
    events = list(run_events(SweepRun(fakes.plain_plan(2), bench, clock)))
    assert finished(events).ended is Ending.STOPPED
    assert link.parks == 1


def test_a_mistake_of_ours_parks_before_it_surfaces(fakes, clock):
    def broken(prompt, since_s):
        raise ZeroDivisionError

    link, bench = streaming(fakes, clock, broken)
    run = SweepRun(fakes.plain_plan(2), bench, clock)
    with pytest.raises(ZeroDivisionError):
        list(run_events(run))
    assert (link.parks, link.state, run.finished) == (1, 0, True)


def test_a_reader_that_goes_away_leaves_a_parked_ladder(fakes, clock):
    link, bench = streaming(fakes, clock)
    events: Iterator[Event] = run_events(SweepRun(fakes.plain_plan(3), bench, clock))
    for event in events:
        if isinstance(event, RelaysSet):
            break
    events.close()
    assert (link.parks, link.state) == (1, 0)


@pytest.mark.parametrize("calls", range(1, 15))
def test_a_link_that_fails_at_any_call_ends_the_run_with_a_fault(fakes, clock, calls):
    _link, bench = streaming(fakes, clock, fail_in=calls)
    events = list(run_events(SweepRun(fakes.plain_plan(3), bench, clock)))
    [fault] = of(events, FaultRaised)
    assert fault.relays == RelayKnowledge.UNKNOWN
    assert names(events)[-3:] == ["FaultRaised", "Parked", "RunFinished"]
    summary = finished(events)
    assert (summary.ended, summary.relays) == (Ending.FAULT, RelayKnowledge.PARKED)
    assert summary.verdict is not Verdict.PASS
    assert summary.passed + summary.not_run == 3


def test_when_not_even_parking_is_acknowledged_the_summary_says_so(fakes, clock):
    _link, bench = streaming(fakes, clock, fail_in=6, fail_also_parking=True)
    events = list(run_events(SweepRun(fakes.plain_plan(3), bench, clock)))
    assert not of(events, Parked)
    assert finished(events).relays == RelayKnowledge.UNKNOWN
    assert RelayKnowledge.UNKNOWN.value in finished(events).sentence


def test_a_device_that_restarts_in_mid_run_ends_it(fakes, clock):
    _link, bench = streaming(fakes, clock, restart_in=9)
    events = list(run_events(SweepRun(fakes.plain_plan(3), bench, clock)))
    [fault] = of(events, FaultRaised)
    assert "restarted" in fault.message
    assert fault.relays == RelayKnowledge.PARKED
    assert finished(events).ended is Ending.FAULT


def test_a_device_of_another_ladder_is_not_driven(fakes, clock):
    link, bench = streaming(fakes, clock)
    five = fakes.four_rungs()
    bench = replace(bench, ladder=replace(five, relay_count=5))
    events = list(run_events(SweepRun(fakes.plain_plan(1), bench, clock)))
    assert names(events) == ["FaultRaised", "Parked", "RunFinished"]
    assert not link.applied


def test_the_closing_path_is_run_before_parking(fakes, clock):
    link, bench = streaming(fakes, clock)
    closing = tuple(PathStep(state=state, hold_ms=5) for state in (3, 1, 0))
    plan = replace(fakes.plain_plan(3), closing_path=closing)
    events = list(run_events(SweepRun(plan, bench, clock)))
    assert [s.state for s in link.applied] == [1, 3, 2, 3, 1, 0]
    assert names(events)[-2:] == ["Parked", "RunFinished"]


def test_a_run_can_begin_in_the_middle(fakes, clock):
    _link, bench = streaming(fakes, clock)
    plan = replace(fakes.plain_plan(3), first_step=1)
    events = list(run_events(SweepRun(plan, bench, clock, first_step=1)))
    [begun] = of(events, RunStarted)
    assert begun.first_step == 1
    assert [e.result.step.index for e in of(events, StepFinished)] == [1, 2]
    assert (finished(events).passed, finished(events).not_run) == (2, 0)
    with pytest.raises(ValueError, match="resolved to start from step 1"):
        SweepRun(plan, bench, clock, first_step=0)


def test_two_runs_give_the_same_events(fakes):
    def once() -> list[Event]:
        clock = VirtualClock()
        _, bench = streaming(fakes, clock, fakes.settling(1.0))
        return list(run_events(SweepRun(fakes.plain_plan(3), bench, clock)))

    assert once() == once()


def beside(clock, start: int, state: int, celsius: float = 21.0) -> Setting:
    way = (PathStep(state=state, hold_ms=20),)
    return Setting(
        text="beside", start=start, state=state, path=way, back=(PathStep(state=0, hold_ms=20),),
        ohms=1000.0, uncertainty_ohms=1.0, celsius=celsius, uncertainty_celsius=0.1,
        excursion_celsius=0.0, moves=1, extreme=None, output=Output.CONNECTED,
    )  # fmt: skip


def nudged_run(fakes, clock, wish):
    """Return link and events of a run in which the second step is nudged twice, then wished."""
    link, bench = streaming(fakes, clock)
    run = SweepRun(fakes.plain_plan(3), bench, clock)
    events: list[Event] = []
    nudges = [(3, 7), (7, 15)]
    judged = 0
    while not run.finished:
        new = run.step()
        events.extend(new)
        judged += len(of(list(new), StepFinished))
        if judged == 1 and nudges and link.state == nudges[0][0]:
            start, state = nudges.pop(0)
            run.nudge(beside(clock, start, state))
            if not nudges:
                at_s = clock.now_s()
        elif not nudges and link.state == 15 and wish is not None and clock.now_s() > at_s + 2:
            getattr(run, wish)()
            wish = None
    return link, events


@pytest.mark.parametrize("wish", ["redo", "skip", "back", None])
def test_a_nudge_is_read_by_nobody_and_goes_back_the_way_it_came(fakes, clock, wish):
    link, events = nudged_run(fakes, clock, wish)
    assert [s.state for s in link.applied] == [1, 3, 7, 15, 7, 3, 2]
    summary = finished(events)
    assert (summary.verdict, summary.passed, summary.relays) == (
        Verdict.PASS, 3, RelayKnowledge.PARKED,
    )  # fmt: skip
    told = [e for e in of(events, NoteMade) if e.kind is NoteKind.BY_HAND]
    assert [e.text for e in told] == [
        "nudged beside step 2: 1.000 kohm = 21.0 degC, not judged"
    ] * 2
    began = next(i for i, e in enumerate(events) if e is told[0])
    again = next(i for i, e in enumerate(events) if i > began and isinstance(e, StepStarted))
    between = events[began:again]
    assert not of(between, ReadingSeen)
    assert not of(between, StepFinished)
    assert [e.step_index for e in of(between, RelaysSet)] == [None, None]
    assert events[again].attempt == 2
    assert link.longest_silence_s <= link.hold_off_ms / 1000


def test_a_nudge_goes_back_by_itself_after_a_minute(fakes, clock):
    _, events = nudged_run(fakes, clock, None)
    last = [e for e in of(events, NoteMade) if e.kind is NoteKind.BY_HAND][-1]
    again = next(e for e in of(events, StepStarted) if e.at_s > last.at_s)
    assert NUDGED_S <= again.at_s - last.at_s <= NUDGED_S + 1.0


def test_a_nudge_from_another_state_moves_nothing(fakes, clock):
    link, bench = streaming(fakes, clock)
    run = SweepRun(fakes.plain_plan(3), bench, clock)
    events: list[Event] = []
    asked = False
    while not run.finished:
        events.extend(run.step())
        if link.state == 3 and not asked:
            asked = True
            run.nudge(beside(clock, 9, 8))
            run.redo()
    assert [s.state for s in link.applied] == [1, 3, 2]
    assert NoteKind.REFUSED in {e.kind for e in of(events, NoteMade)}


def test_a_run_waits_beside_its_step_only_where_a_nudge_has_led_it_there(fakes, clock):
    _, bench = streaming(fakes, clock)
    run = SweepRun(fakes.plain_plan(3), bench, clock)
    events: list[Event] = []
    while not run.finished:
        events.extend(run.step())
        if bench.link.state == 3 and not of(events, NoteMade):
            run.nudge(beside(clock, 9, 8))
            events.extend(run.step())
    [refused] = of(events, NoteMade)
    assert refused.kind is NoteKind.REFUSED
    again = next(e for e in of(events, StepStarted) if e.at_s >= refused.at_s)
    assert (again.step.index, again.attempt) == (1, 2)
    assert again.at_s - refused.at_s < 1.0


def test_a_nudge_that_a_step_has_forgotten_meanwhile_keeps_nothing_waiting(
    fakes, clock, monkeypatch
):
    """Another thread wants a value just as a step begins, which forgets it, and then wishes."""
    _, bench = streaming(fakes, clock)
    run = SweepRun(fakes.plain_plan(3), bench, clock)
    wish = run._intents.wish

    def forgotten_before(intent, about):
        run._beside.forget()
        return wish(intent, about)

    monkeypatch.setattr(run._intents, "wish", forgotten_before)
    events: list[Event] = []
    nudged_s = None
    while not run.finished:
        events.extend(run.step())
        if bench.link.state == 3 and nudged_s is None:
            nudged_s = clock.now_s()
            run.nudge(beside(clock, 3, 7))
    again = next(e for e in of(events, StepStarted) if e.at_s >= nudged_s)
    assert (again.step.index, again.attempt) == (1, 2)
    assert again.at_s - nudged_s < 1.0
    assert not of(events, NoteMade)
    assert finished(events).verdict is Verdict.PASS


def test_a_stop_beside_a_step_parks(fakes, clock):
    link, bench = streaming(fakes, clock)
    run = SweepRun(fakes.plain_plan(3), bench, clock)
    events: list[Event] = []
    while not run.finished:
        events.extend(run.step())
        if link.state == 1 and not link.parks:
            run.nudge(beside(clock, 1, 5))
        if link.state == 5:
            run.stop()
    assert finished(events).ended is Ending.STOPPED
    assert link.state == 0
