"""What happens during a run, as it happens.

Knows: one frozen class for each kind of event. Every event has `at_s` on the run's clock.
Must not know: who listens (the record writer, the command line, the terminal UI).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

from controller.ladder.model import PathStep
from controller.links.base import LinkStatus
from controller.planning.model import ResolvedPlan, ResolvedStep
from controller.readback.base import Prompt
from controller.run.model import RunSummary, StepResult

__all__ = [
    "Event",
    "FaultRaised",
    "LinkReported",
    "NoteMade",
    "Parked",
    "PromptOpened",
    "ReadingSeen",
    "RelaysSet",
    "RunFinished",
    "RunStarted",
    "StepFinished",
    "StepStarted",
]


@dataclass(frozen=True, kw_only=True)
class RunStarted:
    """The link is open, the ladder parked; `first_step` is above zero when a run is resumed."""

    at_s: float
    plan: ResolvedPlan
    device_name: str
    first_step: int


@dataclass(frozen=True, kw_only=True)
class StepStarted:
    """A step begins; `attempt` counts from 1 and grows with every redo."""

    at_s: float
    step: ResolvedStep
    attempt: int


@dataclass(frozen=True, kw_only=True)
class RelaysSet:
    """A path has run and its last state is latched. `step_index` is None for a manual setting."""

    at_s: float
    step_index: int | None
    path: tuple[PathStep, ...]
    achieved_ohms: float


@dataclass(frozen=True, kw_only=True)
class PromptOpened:
    """A person is asked for a reading."""

    at_s: float
    prompt: Prompt


@dataclass(frozen=True, kw_only=True)
class ReadingSeen:
    """A reading came in for a step. `final` marks the one the verdict uses."""

    at_s: float
    step_index: int
    attempt: int
    celsius: float | None
    volts: float | None
    codes: tuple[str, ...]
    final: bool


@dataclass(frozen=True, kw_only=True)
class StepFinished:
    """A step has its verdict."""

    at_s: float
    result: StepResult


@dataclass(frozen=True, kw_only=True)
class LinkReported:
    """The device answered the routine question after its state."""

    at_s: float
    status: LinkStatus


@dataclass(frozen=True, kw_only=True)
class Parked:
    """The ladder acknowledged that it is parked."""

    at_s: float


@dataclass(frozen=True, kw_only=True)
class FaultRaised:
    """The link or the hardware failed. `relays` is the value of RelayKnowledge."""

    at_s: float
    message: str
    relays: str


@dataclass(frozen=True, kw_only=True)
class NoteMade:
    """Something worth keeping: paused, resumed, a person's remark."""

    at_s: float
    text: str


@dataclass(frozen=True, kw_only=True)
class RunFinished:
    """The run is over; the ladder is parked or the summary says that it may not be."""

    at_s: float
    summary: RunSummary


Event: TypeAlias = (
    RunStarted
    | StepStarted
    | RelaysSet
    | PromptOpened
    | ReadingSeen
    | StepFinished
    | LinkReported
    | Parked
    | FaultRaised
    | NoteMade
    | RunFinished
)
