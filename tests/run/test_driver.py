"""How every job begins, holds and ends, whatever it is for."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.errors import ReadbackError, RelayKnowledge
from controller.ladder.model import PathStep
from controller.measurement.model import Verdict
from controller.planning.model import ResolvedPlan
from controller.readback.base import OperatorCommand, Reading
from controller.records.codec import events_of_line
from controller.records.encode import summary_fields
from controller.run.events import (
    CodesRead,
    FaultRaised,
    Measured,
    Moment,
    NoteKind,
    NoteMade,
    Parked,
    RunFinished,
    RunStarted,
)
from controller.run.hold import plan_by_hand
from controller.run.job import run_events
from controller.run.measure import MeasureRun, StateToMeasure
from controller.run.model import Ending
from controller.run.step_readings import SILENT_STEPS
from controller.run.sweep import SweepRun


def summary_of(events):
    assert isinstance(events[-1], RunFinished)
    return events[-1].summary


def test_a_readback_that_cannot_be_opened_ends_before_the_link_does_anything(fakes, clock):
    class Absent(fakes.StreamingReadback):
        def open(self):
            raise ReadbackError("no adapter answers", source="adapter", hint="is it plugged in?")

    link = fakes.FakeLink(clock)
    bench = fakes.bench(link, Absent(clock, fakes.right))
    events = list(run_events(SweepRun(fakes.plain_plan(2), bench, clock)))
    assert [type(e) for e in events] == [FaultRaised, Parked, RunFinished]
    assert events[0].message == "adapter: no adapter answers (is it plugged in?)"
    assert events[0].relays is RelayKnowledge.NOT_DRIVEN
    assert not link.applied
    assert summary_of(events).ended is Ending.FAULT


def test_a_readback_that_fails_in_mid_run_is_a_fault_and_the_ladder_is_parked(fakes, clock):
    class Breaking(fakes.StreamingReadback):
        def poll(self):
            if self.prompt is not None and self.prompt.step_index == 1:
                raise ReadbackError("the adapter has gone", source="adapter")
            return super().poll()

    link = fakes.FakeLink(clock)
    bench = fakes.bench(link, Breaking(clock, fakes.right))
    events = list(run_events(SweepRun(fakes.plain_plan(3), bench, clock)))
    assert [type(e) for e in events[-3:]] == [FaultRaised, Parked, RunFinished]
    assert events[-3].relays is RelayKnowledge.KNOWN
    assert link.state == fakes.plain_plan(1).park_state
    summary = summary_of(events)
    assert (summary.ended, summary.passed, summary.not_run) == (Ending.FAULT, 1, 2)
    assert summary.verdict is Verdict.UNDECIDED


def test_a_readback_that_always_has_an_answer_holds_nothing_up(fakes, clock):
    class Endless(fakes.StreamingReadback):
        polled = 0

        def poll(self):
            Endless.polled += 1
            assert Endless.polled < 200_000, "the run spins"
            if self.prompt is None:
                return None
            value = 10.0 * (self.prompt.step_index + 1)
            return Reading(token=self.prompt.token, celsius=value, at_s=self.clock.now_s())

    bench = fakes.bench(fakes.FakeLink(clock), Endless(clock, fakes.right))
    run = SweepRun(fakes.plain_plan(2), bench, clock)
    events = []
    while not run.finished:
        events += run.step()
    assert summary_of(events).passed == 2
    assert clock.now_s() < 60


def test_a_readback_that_stays_silent_is_given_up_after_three_steps(fakes, clock):
    class Silent(fakes.StreamingReadback):
        def poll(self):
            return None

    link = fakes.FakeLink(clock)
    events = list(
        run_events(
            SweepRun(fakes.plain_plan(9), fakes.bench(link, Silent(clock, fakes.right)), clock)
        )
    )
    summary = summary_of(events)
    assert (summary.ended, summary.undecided) == (Ending.FAULT, SILENT_STEPS)
    assert link.state == fakes.plain_plan(1).park_state


def test_codes_are_read_before_the_link_is_opened_and_after_parking(fakes, clock):
    class WithCodes(fakes.StreamingReadback):
        asked = 0

        def codes(self):
            self.asked += 1
            return ("P0118",) * self.asked

    bench = fakes.bench(fakes.FakeLink(clock), WithCodes(clock, fakes.right))
    events = list(run_events(SweepRun(fakes.plain_plan(1), bench, clock)))
    assert isinstance(events[0], CodesRead)
    assert isinstance(events[1], RunStarted)
    assert [(e.moment, e.codes) for e in events if isinstance(e, CodesRead)] == [
        (Moment.BEFORE, ("P0118",)),
        (Moment.AFTER, ("P0118", "P0118")),
    ]
    assert [type(e) for e in events[-3:]] == [Parked, CodesRead, RunFinished]


class ScriptedMeter:
    """Answers each question after some polls with the next of a list."""

    def __init__(self, answers, *, polls=30):
        self.answers = list(answers)
        self.polls = polls
        self.questions = []
        self.left = 0

    def open(self):
        pass

    def close(self):
        pass

    def ask(self, question):
        self.questions.append(question)
        self.left = self.polls

    def poll(self):
        self.left -= 1
        return self.answers.pop(0) if self.left <= 0 else None


def measuring(fakes, clock, answers, *, hold_off_ms=600, fail_in=None):
    link = fakes.FakeLink(clock, fail_in=fail_in)
    bench = fakes.bench(link, fakes.ScriptedReadback(clock, []), hold_off_ms=hold_off_ms)
    plan: ResolvedPlan = plan_by_hand(park_state=0, state_digits=1)
    states = [
        StateToMeasure(
            state=state, path=(PathStep(state=state, hold_ms=10),), expected_ohms=100.0 * state
        )
        for state in (1, 2, 4)
    ]
    meter = ScriptedMeter(answers)
    return link, meter, MeasureRun(plan, states, meter, bench, clock)


def test_measuring_holds_each_state_and_feeds_the_hold_off(fakes, clock):
    link, meter, run = measuring(fakes, clock, [101.0, OperatorCommand.SKIP, 399.0])
    events = list(run_events(run))
    measured = [(e.state, e.ohms) for e in events if isinstance(e, Measured)]
    assert measured == [(1, 101.0), (4, 399.0)]
    assert [q.expected_ohms for q in meter.questions] == [100.0, 200.0, 400.0]
    # Some two seconds a state against a hold-off of 0.6 s.
    assert clock.now_s() > 6
    assert link.longest_silence_s <= 0.2 + 1e-9
    summary = summary_of(events)
    assert (summary.ended, summary.relays) == (Ending.COMPLETE, RelayKnowledge.PARKED)
    assert summary.sentence.startswith("2 of 3 states measured")


@pytest.mark.parametrize("typed", [True, False])
def test_measuring_can_be_stopped_and_ends_parked(fakes, clock, typed):
    answers = [101.0, OperatorCommand.STOP] if typed else [101.0, 202.0, 404.0]
    link, _, run = measuring(fakes, clock, answers)
    events = []
    while not run.finished:
        events += run.step()
        if not typed and any(isinstance(e, Measured) for e in events):
            run.stop()
    assert summary_of(events).ended is Ending.STOPPED
    assert (link.state, link.parks) == (0, 1)


def test_a_link_that_fails_while_measuring_is_a_fault_that_is_told(fakes, clock):
    link, _, run = measuring(fakes, clock, [101.0, 202.0, 404.0], fail_in=20)
    events = list(run_events(run))
    assert any(isinstance(e, FaultRaised) for e in events)
    assert summary_of(events).ended is Ending.FAULT
    assert link.parks == 1


def test_an_error_of_another_kind_parks_and_goes_on_its_way(fakes, clock):
    class Broken(fakes.StreamingReadback):
        def poll(self):
            raise ZeroDivisionError

    link = fakes.FakeLink(clock)
    run = SweepRun(fakes.plain_plan(1), fakes.bench(link, Broken(clock, fakes.right)), clock)
    with pytest.raises(ZeroDivisionError):
        list(run_events(run))
    assert (run.finished, link.parks) == (True, 1)


def test_a_code_that_is_new_after_the_run_is_part_of_its_sentence(fakes, clock):
    class WithCodes(fakes.StreamingReadback):
        held = (("P0420",), ("P0420", "P0118 (pending)"))
        asked = 0

        def codes(self):
            self.asked += 1
            return self.held[self.asked - 1]

    bench = fakes.bench(fakes.FakeLink(clock), WithCodes(clock, fakes.right))
    summary = summary_of(list(run_events(SweepRun(fakes.plain_plan(1), bench, clock))))
    assert summary.new_codes == ("P0118 (pending)",)
    assert summary.sentence.endswith("; new in the module since before the run: P0118 (pending).")
    assert summary.verdict is Verdict.PASS
    [*_, closing] = events_of_line(
        {"type": "closing", "elapsed_s": 1.0, **summary_fields(summary)}, fakes.plain_plan(1), {}
    )
    assert closing.summary == summary
    bench = fakes.bench(fakes.FakeLink(clock), fakes.StreamingReadback(clock, fakes.right))
    summary = summary_of(list(run_events(SweepRun(fakes.plain_plan(1), bench, clock))))
    assert summary.new_codes == ()
    assert "new_codes" not in summary_fields(summary)


def test_a_change_that_took_longer_than_planned_is_noted(fakes, clock):
    class Slow(fakes.FakeLink):
        def _status(self):
            late = self.state == 1 and self.parks == 0
            return replace(super()._status(), slowest_ms=80 if late else None)

    bench = replace(
        fakes.bench(Slow(clock), fakes.StreamingReadback(clock, fakes.right)), step_ms=50
    )
    events = list(run_events(SweepRun(fakes.plain_plan(1), bench, clock)))
    notes = [e for e in events if isinstance(e, NoteMade) and e.kind is NoteKind.SLOW]
    assert notes
    assert "took 80 ms where 50 ms were planned" in notes[0].text
    assert summary_of(events).verdict is Verdict.PASS


def test_what_a_device_does_not_tell_is_neither_a_fault_nor_another_ladder(fakes, clock):
    class Mute(fakes.FakeLink):
        def open(self, *, hold_off_ms=2000):
            said = super().open(hold_off_ms=hold_off_ms)
            return replace(said, relay_count=None, park_state=None, boots=None)

        def _status(self):
            unknown = dict.fromkeys(
                ("moving", "hold_off_expired", "fault", "restarted", "hold_off_ms")
            )
            return replace(super()._status(), **unknown)

    bench = fakes.bench(Mute(clock), fakes.StreamingReadback(clock, fakes.right))
    events = list(run_events(SweepRun(fakes.plain_plan(2), bench, clock)))
    assert summary_of(events).ended is Ending.COMPLETE
    assert not any(isinstance(e, FaultRaised) for e in events)
