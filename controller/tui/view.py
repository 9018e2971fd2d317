"""The view-model of a run: what the screen has to show, worked out from events.

Everything here is pure and frozen.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from enum import Enum

from controller.errors import RelayKnowledge
from controller.ladder.model import PathStep
from controller.ladder.moves import count_moves
from controller.links.base import LinkStatus
from controller.planning.model import ResolvedPlan, ResolvedStep
from controller.readback.base import Prompt
from controller.records.course_lines import Course
from controller.run.events import (
    CodesCleared,
    CodesRead,
    Event,
    FaultRaised,
    Jumped,
    LinkReported,
    Looked,
    Measured,
    NoteKind,
    NoteMade,
    Parked,
    PointFound,
    PromptOpened,
    ReadingSeen,
    RelaysSet,
    RelayTimed,
    RunFinished,
    RunStarted,
    Sensed,
    StepFinished,
    StepStarted,
    StepStood,
    StepTimed,
)
from controller.run.model import RunSummary, StepResult

__all__ = ["Driving", "Phase", "Point", "RunView", "after", "begin", "estimate_s", "point_of"]

NOTES_KEPT = 200
"""Remarks kept for the screen; the record keeps all of them."""


class Phase(Enum):
    """Where a run is, in words for people."""

    WAITING = "waiting to start"
    RUNNING = "running"
    PAUSED = "paused"
    ASKING = "waiting for your reading"
    NUDGED = "nudged beside the step"
    FINISHED = "finished"


class Driving(Enum):
    """What is known of the relays, in words for people."""

    NOTHING = "nothing driven"
    UNKNOWN = "RELAYS UNKNOWN"
    PARKED = "parked"
    DRIVEN = "DRIVING"


@dataclass(frozen=True, kw_only=True)
class Point:
    """One judged step that has numbers, all in degC; `number` counts steps from 1."""

    number: int
    expected: float
    reported: float
    tolerance: float
    uncertainty: float

    @property
    def error(self) -> float:
        """Reported minus expected."""
        return self.reported - self.expected


@dataclass(frozen=True, kw_only=True)
class RunView:
    """One frozen picture of a run. `results` has one entry a step, None until it has a verdict.

    `parks_open` says that a parked ladder is an open circuit to the module.
    `relay_state` is what the ladder was last told and acknowledged, None while unknown;
    `set_state` what the last whole path ended in. `driven_ohms` is what is made now, None while
    parked or unknown. `set_at_s` is when the step's value was latched. `reported_celsius` and
    `reported_at_s` are the newest reading of the step under way. `operations` counts relay
    movements, each relay each time. `planned_s` is what each step takes by
    the plan's own times. `step_began_s` is when the step under way began, pauses since
    then (`held_s`) left out; `spent_s` is what judged steps took, `spent_planned_s` what the plan
    says of the same steps. `nudged` says what a person has put beside the step. `warnings` are
    about worn relays, `refusals` say which wishes were not obeyed, `course` what
    a profile's steps and a search's looks have left. `judged_before` results came
    from an earlier part of a resumed run.
    """

    plan: ResolvedPlan | None = None
    results: Sequence[StepResult | None] = ()
    judged_before: int = 0
    judged_now: int = 0
    phase: Phase = Phase.WAITING
    driving: Driving = Driving.NOTHING
    parks_open: bool = False
    device_name: str = ""
    started_at_s: float | None = None
    now_s: float = 0.0
    step: ResolvedStep | None = None
    attempt: int = 1
    relay_state: int | None = None
    set_state: int | None = None
    driven_ohms: float | None = None
    set_at_s: float | None = None
    operations: int = 0
    reported_celsius: float | None = None
    reported_at_s: float | None = None
    codes: tuple[str, ...] = ()
    prompt: Prompt | None = None
    newest: StepResult | None = None
    link: LinkStatus | None = None
    link_at_s: float | None = None
    planned_s: Sequence[float] = ()
    step_began_s: float | None = None
    spent_s: float = 0.0
    spent_planned_s: float = 0.0
    held_s: float = 0.0
    nudged: str = ""
    notes: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()
    refusals: tuple[str, ...] = ()
    fault: str | None = None
    summary: RunSummary | None = None
    course: Course = field(default_factory=Course)

    @property
    def searching(self) -> bool:
        """Whether the run looks for a switching point: its steps are levels, none has a result."""
        return self.plan is not None and self.plan.kind == "threshold"

    @property
    def follows(self) -> bool:
        """Whether the run follows a profile: its steps have their times."""
        return self.plan is not None and self.plan.kind == "profile"

    @property
    def done(self) -> int:
        """How many steps have a verdict."""
        return self.judged_before + self.judged_now

    @property
    def total(self) -> int:
        """How many steps the plan has."""
        return len(self.results)

    @property
    def elapsed_s(self) -> float:
        """Seconds since the run began; none as long as the link has not opened."""
        return 0.0 if self.started_at_s is None else max(0.0, self.now_s - self.started_at_s)

    @property
    def left_s(self) -> float | None:
        """Seconds that the steps to come will take; a pause adds nothing and takes nothing.

        By the plan's own times, stretched by what the steps judged so far took against them; less
        what the step under way has had. None when nothing is known or the run is over.
        """
        if self.phase is Phase.FINISHED or self.plan is None:
            return None
        stretch = self.spent_s / self.spent_planned_s if self.spent_planned_s else 1.0
        left = zip(self.planned_s, self.results, strict=False)
        whole = stretch * sum(seconds for seconds, result in left if result is None)
        if self.step is None or self.step_began_s is None:
            return whole
        this = stretch * self.planned_s[self.step.index]
        redone = 0.0 if self.results[self.step.index] is None else this
        return max(0.0, whole + redone - min(this, self.step_worked_s))

    @property
    def step_worked_s(self) -> float:
        """Seconds that the step under way has had, pauses left out."""
        if self.step_began_s is None:
            return 0.0
        return max(0.0, self.now_s - self.step_began_s - self.held_s)

    def link_age_s(self, now_s: float) -> float | None:
        """Seconds since the device last answered; None before it has."""
        return None if self.link_at_s is None else max(0.0, now_s - self.link_at_s)

    @property
    def points(self) -> tuple[Point, ...]:
        """Every judged step that has numbers, in the plan's order."""
        points = (point_of(result) for result in self.results if result is not None)
        return tuple(point for point in points if point is not None)


def point_of(result: StepResult) -> Point | None:
    """Return a judged step as a point; None where it has no numbers."""
    step = result.step
    if step.expected_celsius is None or result.reported_celsius is None:
        return None
    return Point(
        number=step.index + 1,
        expected=step.expected_celsius,
        reported=result.reported_celsius,
        tolerance=step.tolerance_celsius or 0.0,
        uncertainty=step.uncertainty_celsius,
    )


def begin(plan: ResolvedPlan, earlier: Iterable[StepResult] = ()) -> RunView:
    """Return the picture before anything has happened.

    `earlier` are results that an earlier part of a resumed run has left.
    """
    results: list[StepResult | None] = [None] * len(plan.steps)
    for result in earlier:
        results[result.step.index] = result
    before = sum(result is not None for result in results)
    return RunView(
        plan=plan, results=tuple(results), judged_before=before, planned_s=_planned_s(plan)
    )


def estimate_s(steps: Iterable[ResolvedStep], plan: ResolvedPlan) -> float:
    """Return the least time some steps of a plan take: paths, dwell times, settle spans."""
    return sum(
        sum(hold.hold_ms for hold in step.path) / 1000 + step.dwell_s + plan.settle.for_s
        for step in steps
    )


def after(view: RunView, event: Event) -> RunView:
    """Return the picture after one more event."""
    now_s = max(view.now_s, event.at_s)
    held_s = view.held_s + (now_s - view.now_s if view.phase is Phase.PAUSED else 0.0)
    view = replace(view, now_s=now_s, held_s=held_s)
    if getattr(event, "input", 1) != 1:
        return view  # a played record of two inputs shows the first one
    course = view.course
    match event:
        case RunStarted():
            return replace(
                view,
                plan=event.plan,
                results=view.results or (None,) * len(event.plan.steps),
                planned_s=view.planned_s or _planned_s(event.plan),
                phase=Phase.RUNNING,
                driving=Driving.PARKED,
                relay_state=event.plan.park_state,
                set_state=event.plan.park_state,
                device_name=event.device_name,
                started_at_s=event.at_s,
                link_at_s=event.at_s,
            )
        case StepStarted():
            return replace(
                view,
                phase=Phase.RUNNING,
                step=event.step,
                attempt=event.attempt,
                step_began_s=event.at_s,
                held_s=0.0,
                set_at_s=event.at_s if view.searching else None,  # there the level stands first
                reported_celsius=None,
                reported_at_s=None,
                codes=(),
                prompt=None,
                nudged="",
            )
        case RelaysSet():
            return _set(view, event)
        case PromptOpened():
            return replace(view, phase=Phase.ASKING, prompt=event.prompt)
        case ReadingSeen():
            return replace(
                view,
                reported_celsius=event.celsius,
                reported_at_s=event.at_s,
                codes=event.codes,
            )
        case StepFinished():
            return _judged(view, event.result)
        case LinkReported():
            # Where the ladder parks open, a step that asks for an open circuit is not a park.
            held = view.driving is Driving.DRIVEN and event.status.state == view.set_state
            parked = event.status.parked and not held
            return replace(
                view,
                link=event.status,
                link_at_s=event.at_s,
                relay_state=event.status.state,
                driving=Driving.PARKED if parked else Driving.DRIVEN,
                driven_ohms=None if parked else view.driven_ohms,
            )
        case Parked():
            return replace(
                view,
                driving=Driving.PARKED,
                driven_ohms=None,
                relay_state=None if view.plan is None else view.plan.park_state,
                set_state=None if view.plan is None else view.plan.park_state,
                link_at_s=event.at_s,
            )
        case FaultRaised():
            driving = _driving_after_fault(event.relays)
            return replace(
                view,
                fault=event.message,
                driving=driving,
                driven_ohms=view.driven_ohms if driving is Driving.DRIVEN else None,
                relay_state=None if driving is Driving.UNKNOWN else view.relay_state,
                prompt=None,
            )
        case NoteMade():
            phase = _PHASE_AFTER.get(event.kind, view.phase)
            if event.kind is NoteKind.RESUMED and view.prompt is not None:
                phase = Phase.ASKING
            nudged = view.nudged
            if event.kind is NoteKind.BY_HAND and view.step is not None:
                nudged = event.text
                view = replace(view, prompt=None, reported_at_s=None, reported_celsius=None)
            if nudged and phase is not Phase.PAUSED:
                phase = Phase.NUDGED
            warnings = view.warnings
            if event.kind is NoteKind.WEAR:
                warnings = (*warnings, event.text)[-NOTES_KEPT:]
            refusals = view.refusals
            if event.kind is NoteKind.REFUSED:
                refusals = (*refusals, event.text)
            notes = (*view.notes, event.text)[-NOTES_KEPT:]
            return replace(
                view,
                phase=phase,
                nudged=nudged,
                notes=notes,
                warnings=warnings,
                refusals=refusals,
            )
        case RunFinished():
            return replace(view, phase=Phase.FINISHED, summary=event.summary, prompt=None)
        case (
            CodesRead()
            | CodesCleared()
            | Measured()
            | RelayTimed()
            | Sensed()
            | Jumped()
            | StepStood()
        ):
            return view
        case StepTimed():
            return replace(view, course=replace(course, timed=(*course.timed, event)))
        case Looked():
            looked = replace(course, looks=(*course.looks, event))
            return replace(view, course=looked, phase=Phase.RUNNING, prompt=None)
        case PointFound():
            return replace(view, course=replace(course, points=(*course.points, event.point)))


def _set(view: RunView, event: RelaysSet) -> RunView:
    state = event.path[-1].state if event.path else view.set_state
    return replace(
        view,
        driving=Driving.DRIVEN,
        driven_ohms=event.achieved_ohms,
        relay_state=state,
        set_state=state,
        operations=view.operations + _moved(view.set_state, event.path),
        set_at_s=event.at_s,
        link_at_s=event.at_s,
    )


def _moved(start: int | None, path: tuple[PathStep, ...]) -> int:
    """Count relay movements; the first from a start that is not known is none."""
    states = [step.state for step in path]
    return count_moves(states[0] if start is None and states else start or 0, states)


def _judged(view: RunView, result: StepResult) -> RunView:
    index = result.step.index
    fresh = view.results[index] is None
    results = view.results
    if isinstance(results, tuple):  # else it is a film's, and has what this position has
        results = (*results[:index], result, *results[index + 1 :])
    return replace(
        view,
        results=results,
        step_began_s=None,
        spent_s=view.spent_s + view.step_worked_s,
        spent_planned_s=view.spent_planned_s
        + (0.0 if view.step_began_s is None else view.planned_s[index]),
        judged_now=view.judged_now + fresh,
        newest=result,
        phase=Phase.RUNNING,
        prompt=None,
    )


def _planned_s(plan: ResolvedPlan) -> tuple[float, ...]:
    return tuple(estimate_s((step,), plan) for step in plan.steps)


_PHASE_AFTER = {NoteKind.PAUSED: Phase.PAUSED, NoteKind.RESUMED: Phase.RUNNING}


def _driving_after_fault(relays: RelayKnowledge) -> Driving:
    return {
        RelayKnowledge.UNKNOWN: Driving.UNKNOWN,
        RelayKnowledge.KNOWN: Driving.DRIVEN,
        RelayKnowledge.NOT_DRIVEN: Driving.NOTHING,
    }.get(relays, Driving.PARKED)
