"""The view-model adds up: counts, relays, driven value, time left, faults. No Textual here."""

from __future__ import annotations

import math
import sys

import pytest

from controller.errors import RelayKnowledge
from controller.ladder.model import PathStep
from controller.links.base import LinkStatus
from controller.measurement.model import Verdict
from controller.planning.paths import operations
from controller.readback.base import Prompt
from controller.run.events import (
    Event,
    FaultRaised,
    LinkReported,
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
from controller.tui.ending import worth_a_sound
from controller.tui.preparing import ReadyRun
from controller.tui.view import Driving, Phase, RunView, after, begin, estimate_s


def fold(view: RunView, events: list[Event]) -> RunView:
    for event in events:
        view = after(view, event)
    return view


def status(state: int, *, parked: bool, retries: int = 0) -> LinkStatus:
    return LinkStatus(
        state=state, parked=parked, moving=False, hold_off_expired=False, fault=False,
        restarted=False, hold_off_ms=2000, retries=retries, dropped=0,
    )  # fmt: skip


def test_the_view_model_does_not_import_textual() -> None:
    import subprocess

    code = (
        "import sys, controller.tui.view, controller.tui.wording, controller.tui.playback,"
        " controller.tui.pairing, controller.tui.engine_thread, controller.tui.workshop;"
        "sys.exit(any(name.split('.')[0] in ('textual', 'textual_plot') for name in sys.modules))"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_a_whole_run_ends_parked_with_every_step_judged(
    sweep: ReadyRun, sweep_events: list[Event]
) -> None:
    view = fold(begin(sweep.prepared.resolved), sweep_events)
    assert view.phase is Phase.FINISHED
    assert view.driving is Driving.PARKED
    assert view.driven_ohms is None
    assert view.relay_state == sweep.prepared.resolved.park_state
    assert view.done == view.total == len(sweep.prepared.resolved.steps)
    assert view.summary is not None
    assert view.summary.failed == sum(
        result is not None and result.verdict is Verdict.FAIL for result in view.results
    )
    assert view.left_s is None


def test_relay_operations_are_those_of_the_paths(
    sweep: ReadyRun, sweep_events: list[Event]
) -> None:
    # Counted here from the plan alone, each relay each time, as `operations` defines it.
    plan = sweep.prepared.resolved
    counted, start = 0, plan.park_state
    for step in plan.steps:
        counted += operations(start, step.path)
        start = step.state
    view = fold(begin(plan), sweep_events)
    assert view.operations == counted == plan.relay_operations


def test_driven_value_follows_the_relays(sweep: ReadyRun, sweep_events: list[Event]) -> None:
    view = begin(sweep.prepared.resolved)
    for event in sweep_events:
        view = after(view, event)
        if isinstance(event, RelaysSet):
            assert view.driving is Driving.DRIVEN
            assert view.driven_ohms == event.achieved_ohms
            assert view.relay_state == sweep.prepared.resolved.steps[event.step_index or 0].state


def test_an_open_circuit_that_is_the_park_state_is_still_driven(check: ReadyRun) -> None:
    plan, step = check.prepared.resolved, check.prepared.resolved.steps[0]
    assert math.isinf(step.achieved_ohms)
    assert step.state == plan.park_state
    view = fold(
        begin(plan),
        [
            RunStarted(at_s=0.0, plan=plan, device_name="d", first_step=0),
            StepStarted(at_s=0.0, step=step, attempt=1),
            RelaysSet(at_s=0.1, step_index=0, path=step.path, achieved_ohms=step.achieved_ohms),
            LinkReported(at_s=0.2, status=status(plan.park_state, parked=True)),
        ],
    )
    assert view.driving is Driving.DRIVEN
    parked = after(view, Parked(at_s=0.3))
    assert parked.driving is Driving.PARKED
    assert parked.driven_ohms is None


def test_a_device_that_parked_by_itself_is_shown_parked(check: ReadyRun) -> None:
    plan, step = check.prepared.resolved, check.prepared.resolved.steps[1]
    view = fold(
        begin(plan),
        [
            RunStarted(at_s=0.0, plan=plan, device_name="d", first_step=0),
            RelaysSet(at_s=0.1, step_index=1, path=step.path, achieved_ohms=step.achieved_ohms),
            LinkReported(at_s=0.2, status=status(plan.park_state, parked=True)),
        ],
    )
    assert view.driving is Driving.PARKED


@pytest.mark.parametrize(
    ("relays", "driving"),
    [
        (RelayKnowledge.UNKNOWN, Driving.UNKNOWN),
        (RelayKnowledge.PARKED, Driving.PARKED),
        (RelayKnowledge.KNOWN, Driving.DRIVEN),
        (RelayKnowledge.NOT_DRIVEN, Driving.NOTHING),
    ],
)
def test_a_fault_says_what_is_known_of_the_relays(
    sweep: ReadyRun, sweep_events: list[Event], relays: RelayKnowledge, driving: Driving
) -> None:
    view = fold(begin(sweep.prepared.resolved), sweep_events[:12])
    view = after(view, FaultRaised(at_s=9.0, message="silent", relays=relays))
    assert view.fault == "silent"
    assert view.driving is driving
    assert (view.relay_state is None) == (relays is RelayKnowledge.UNKNOWN)


def test_time_left_is_the_plans_own_until_a_step_is_judged_then_the_pace_of_steps(
    sweep: ReadyRun, sweep_events: list[Event]
) -> None:
    plan = sweep.prepared.resolved
    assert begin(plan).left_s == pytest.approx(estimate_s(plan.steps, plan))
    assert estimate_s(plan.steps, plan) >= len(plan.steps) * plan.settle.for_s
    view = begin(plan)
    began: list[float] = []
    for event in sweep_events:
        view = after(view, event)
        if isinstance(event, StepStarted):
            began.append(event.at_s)
        if isinstance(event, StepFinished) and view.done == 7:
            break
    planned = estimate_s(plan.steps[:7], plan)
    stretch = (view.now_s - began[0]) / planned
    left = estimate_s(plan.steps[7:], plan) * stretch
    assert view.left_s == pytest.approx(left, rel=0.05)


def test_time_left_never_jumps_up_nor_starts_at_double(
    sweep: ReadyRun, sweep_events: list[Event]
) -> None:
    """The truth is known from the end of the run: what is told has to keep near it throughout."""
    whole_s = sweep_events[-1].at_s
    view, told = begin(sweep.prepared.resolved), []
    for event in sweep_events:
        view = after(view, event)
        if view.left_s is not None:
            told.append((event.at_s, view.left_s))
    for at_s, left_s in told:
        assert left_s <= 1.35 * (whole_s - at_s) + 2.0, at_s


def test_a_pause_adds_nothing_to_the_time_left(sweep: ReadyRun, sweep_events: list[Event]) -> None:
    view = begin(sweep.prepared.resolved)
    for event in sweep_events:
        view = after(view, event)
        if view.done == 5 and isinstance(event, RelaysSet):
            break
    at_s, before = view.now_s, view.left_s
    assert before is not None
    view = after(view, NoteMade(at_s=at_s, text="paused", kind=NoteKind.PAUSED))
    for minute in range(1, 11):
        view = after(view, NoteMade(at_s=at_s + 60.0 * minute, text="looked at the connector"))
        assert view.left_s == pytest.approx(before)
    view = after(view, NoteMade(at_s=at_s + 600.0, text="resumed", kind=NoteKind.RESUMED))
    assert view.left_s == pytest.approx(before)
    index = view.step.index if view.step is not None else 0
    result = fold(begin(sweep.prepared.resolved), sweep_events).results[index]
    assert result is not None
    view = after(view, StepFinished(at_s=at_s + 601.0, result=result))
    assert view.left_s is not None
    assert view.left_s < before


def test_a_resumed_run_counts_what_was_judged_before(
    sweep: ReadyRun, sweep_events: list[Event]
) -> None:
    plan = sweep.prepared.resolved
    whole = fold(begin(plan), sweep_events)
    earlier = [result for result in whole.results[:5] if result is not None]
    view = begin(plan, earlier)
    assert (view.done, view.total) == (5, 21)
    assert view.left_s == pytest.approx(estimate_s(plan.steps[5:], plan))
    sixth = whole.results[5]
    assert sixth is not None
    view = after(view, StepStarted(at_s=0.0, step=sixth.step, attempt=1))
    view = after(view, StepFinished(at_s=4.0, result=sixth))
    assert view.done == 6
    stretch = 4.0 / estimate_s((sixth.step,), plan)
    assert view.left_s == pytest.approx(estimate_s(plan.steps[6:], plan) * stretch)


def test_judging_a_step_again_does_not_count_it_twice(
    sweep: ReadyRun, sweep_events: list[Event]
) -> None:
    finished = next(event for event in sweep_events if isinstance(event, StepFinished))
    view = fold(begin(sweep.prepared.resolved), [finished, finished])
    assert view.done == 1


def test_a_prompt_asks_pauses_and_asks_again(check: ReadyRun) -> None:
    prompt = Prompt(token=1, step_index=0, text="What does it show?")
    view = after(begin(check.prepared.resolved), PromptOpened(at_s=1.0, prompt=prompt))
    assert view.phase is Phase.ASKING
    view = after(view, NoteMade(at_s=2.0, text="paused", kind=NoteKind.PAUSED))
    assert view.phase is Phase.PAUSED
    view = after(view, NoteMade(at_s=3.0, text="resumed", kind=NoteKind.RESUMED))
    assert view.phase is Phase.ASKING
    assert view.prompt == prompt


def test_a_new_step_forgets_the_reading_of_the_one_before(
    sweep: ReadyRun, sweep_events: list[Event]
) -> None:
    seen = next(i for i, event in enumerate(sweep_events) if isinstance(event, ReadingSeen))
    view = fold(begin(sweep.prepared.resolved), sweep_events[: seen + 1])
    assert view.reported_at_s is not None
    step = sweep.prepared.resolved.steps[1]
    view = after(view, StepStarted(at_s=5.0, step=step, attempt=1))
    assert view.reported_at_s is None
    assert view.codes == ()


def test_points_have_the_numbers_of_the_results(sweep: ReadyRun, sweep_events: list[Event]) -> None:
    view = fold(begin(sweep.prepared.resolved), sweep_events)
    results = [result for result in view.results if result is not None]
    assert len(view.points) == len(results)
    for point, result in zip(view.points, results, strict=True):
        assert point.error == pytest.approx(result.error_celsius)


def test_the_link_age_runs_on_while_nothing_comes() -> None:
    view = after(RunView(), LinkReported(at_s=3.0, status=status(1, parked=False)))
    assert view.link_age_s(7.5) == pytest.approx(4.5)
    assert RunView().link_age_s(7.5) is None


def test_notes_are_not_kept_without_end() -> None:
    view = RunView()
    for index in range(1000):
        view = after(view, NoteMade(at_s=index, text=str(index)))
    assert len(view.notes) <= 200
    assert view.notes[-1] == "999"


def test_path_of_nothing_counts_as_no_movement(check: ReadyRun) -> None:
    plan = check.prepared.resolved
    view = after(begin(plan), RelaysSet(at_s=0.0, step_index=None, path=(), achieved_ohms=math.inf))
    assert view.operations == 0
    path = (PathStep(state=0b101, hold_ms=5),)
    view = after(view, RelaysSet(at_s=0.0, step_index=None, path=path, achieved_ohms=1.0))
    assert view.operations == 0  # where it started from was never acknowledged


def test_finished_run_has_its_sentence(sweep_events: list[Event], sweep: ReadyRun) -> None:
    assert isinstance(sweep_events[-1], RunFinished)
    view = fold(begin(sweep.prepared.resolved), sweep_events)
    assert view.summary == sweep_events[-1].summary


def test_no_time_has_gone_before_the_link_opened() -> None:
    fault = FaultRaised(at_s=86_400.0, message="no such port", relays=RelayKnowledge.NOT_DRIVEN)
    assert after(RunView(), fault).elapsed_s == 0.0


def test_a_sweep_sounds_at_each_fail_and_at_its_end_alone(
    sweep: ReadyRun, sweep_events: list[Event]
) -> None:
    view = begin(sweep.prepared.resolved)
    sounded = []
    for event in sweep_events:
        before, view = view, after(view, event)
        if worth_a_sound(view, before):
            sounded.append(event)
    fails = [
        event
        for event in sweep_events
        if isinstance(event, StepFinished) and event.result.verdict is Verdict.FAIL
    ]
    ends = [event for event in sweep_events if isinstance(event, RunFinished)]
    assert fails
    assert sounded == [*fails, *ends]
