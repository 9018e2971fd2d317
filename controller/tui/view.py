"""The view-model of a run: what the screen has to show, worked out from events.

Knows: the events of a run, and how they add up to rows, a status line and plot points.
Must not know: Textual, colours, widths, keys, threads. Everything here is pure and frozen.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import Enum

from controller.links.base import LinkStatus
from controller.readback.base import Prompt
from controller.sweep.events import (
    Event,
    FaultRaised,
    LinkReported,
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
from controller.sweep.model import ResolvedPlan, ResolvedStep, RunSummary, StepResult

__all__ = ["Driving", "Phase", "RunView", "after", "begin"]

NOTES_KEPT = 200
"""Remarks kept for the screen; the record keeps all of them."""


class Phase(Enum):
    """Where a run is, in words for people."""

    WAITING = "waiting to start"
    RUNNING = "running"
    PAUSED = "paused"
    ASKING = "waiting for your reading"
    FINISHED = "finished"


class Driving(Enum):
    """What is known of the relays, in words for people."""

    UNKNOWN = "RELAYS UNKNOWN"
    PARKED = "parked"
    DRIVEN = "DRIVING"


@dataclass(frozen=True, kw_only=True)
class RunView:
    """One frozen picture of a run. `results` has one entry a step, None until it has a verdict.

    `driven_ohms` is what the ladder makes now, None while parked or unknown. `reported_celsius`
    and `reported_at_s` are the newest reading of the step under way.
    """

    plan: ResolvedPlan | None = None
    results: tuple[StepResult | None, ...] = ()
    phase: Phase = Phase.WAITING
    driving: Driving = Driving.UNKNOWN
    device_name: str = ""
    started_at_s: float = 0.0
    now_s: float = 0.0
    first_step: int = 0
    step: ResolvedStep | None = None
    attempt: int = 1
    driven_ohms: float | None = None
    reported_celsius: float | None = None
    reported_at_s: float | None = None
    codes: tuple[str, ...] = ()
    prompt: Prompt | None = None
    link: LinkStatus | None = None
    link_at_s: float | None = None
    notes: tuple[str, ...] = ()
    fault: str | None = None
    summary: RunSummary | None = None

    @property
    def done(self) -> int:
        """How many steps have a verdict."""
        return sum(result is not None for result in self.results)

    @property
    def total(self) -> int:
        """How many steps the plan has."""
        return len(self.results)

    @property
    def elapsed_s(self) -> float:
        """Seconds since the run began."""
        return max(0.0, self.now_s - self.started_at_s)

    @property
    def left_s(self) -> float | None:
        """Seconds that the steps to come will take at the pace so far; None before the first."""
        judged_here = self.done - self.first_step
        if self.phase is Phase.FINISHED or judged_here <= 0:
            return None
        return self.elapsed_s / judged_here * (self.total - self.done)

    @property
    def link_age_s(self) -> float | None:
        """Seconds since the device last answered; None before it has."""
        return None if self.link_at_s is None else max(0.0, self.now_s - self.link_at_s)

    @property
    def points(self) -> tuple[tuple[float, float, float], ...]:
        """(expected, reported, tolerance) in degC of every judged step that has numbers."""
        return tuple(
            (r.step.expected_celsius, r.reported_celsius, r.step.tolerance_celsius or 0.0)
            for r in self.results
            if r is not None
            and r.step.expected_celsius is not None
            and r.reported_celsius is not None
        )


def begin(plan: ResolvedPlan) -> RunView:
    """Return the picture before anything has happened."""
    return RunView(plan=plan, results=(None,) * len(plan.steps))


def after(view: RunView, event: Event) -> RunView:
    """Return the picture after one more event."""
    view = replace(view, now_s=max(view.now_s, event.at_s))
    match event:
        case RunStarted():
            return replace(
                view,
                plan=event.plan,
                results=view.results or (None,) * len(event.plan.steps),
                phase=Phase.RUNNING,
                driving=Driving.PARKED,
                device_name=event.device_name,
                started_at_s=event.at_s,
                first_step=event.first_step,
                link_at_s=event.at_s,
            )
        case StepStarted():
            return replace(
                view,
                phase=Phase.RUNNING,
                step=event.step,
                attempt=event.attempt,
                reported_celsius=None,
                reported_at_s=None,
                prompt=None,
            )
        case RelaysSet():
            return replace(
                view,
                driving=Driving.DRIVEN,
                driven_ohms=event.achieved_ohms,
                link_at_s=event.at_s,
            )
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
            index = event.result.step.index
            results = (*view.results[:index], event.result, *view.results[index + 1 :])
            return replace(view, results=results, phase=Phase.RUNNING, prompt=None)
        case LinkReported():
            parked = event.status.parked
            return replace(
                view,
                link=event.status,
                link_at_s=event.at_s,
                driving=Driving.PARKED if parked else Driving.DRIVEN,
                driven_ohms=None if parked else view.driven_ohms,
            )
        case Parked():
            return replace(view, driving=Driving.PARKED, driven_ohms=None, link_at_s=event.at_s)
        case FaultRaised():
            return replace(
                view, fault=event.message, driving=_driving_after_fault(event.relays), prompt=None
            )
        case NoteMade():
            return replace(view, notes=(*view.notes, event.text)[-NOTES_KEPT:])
        case RunFinished():
            return replace(view, phase=Phase.FINISHED, summary=event.summary, prompt=None)


def _driving_after_fault(relays: str) -> Driving:
    if "unknown" in relays:
        return Driving.UNKNOWN
    return Driving.DRIVEN if relays == "the relay state is known" else Driving.PARKED
