"""What happens during a run, as it happens.

Knows: one frozen class for each kind of event. Every event has `at_s` on the run's clock.
Must not know: who listens (the record writer, the command line, the terminal UI).
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import TypeAlias

from controller.errors import RelayKnowledge
from controller.ladder.model import PathStep
from controller.links.base import LinkStatus
from controller.planning.model import ResolvedPlan, ResolvedStep
from controller.readback.base import Prompt, Reading
from controller.run.model import RunSummary, StepResult
from controller.run.points import SwitchingPoint

__all__ = [
    "CodesCleared",
    "CodesRead",
    "Event",
    "FaultRaised",
    "Jumped",
    "LinkReported",
    "Looked",
    "Measured",
    "Moment",
    "NoteKind",
    "NoteMade",
    "Parked",
    "PointFound",
    "PromptOpened",
    "ReadingSeen",
    "RelayTimed",
    "RelaysSet",
    "RunFinished",
    "RunStarted",
    "Sensed",
    "StepFinished",
    "StepStarted",
    "StepStood",
    "StepTimed",
]


class NoteKind(Enum):
    """What a note is about."""

    REMARK = "remark"
    PAUSED = "paused"
    RESUMED = "resumed"
    BY_HAND = "by hand"
    REFUSED = "refused"
    WEAR = "wear"
    SLOW = "slow"
    NOT_MEASURED = "not measured"
    WATCHING = "watching"
    SELF_TEST = "self-test"
    INPUT = "input"


class Moment(Enum):
    """When fault codes were read."""

    BEFORE = "before"
    AFTER = "after"


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

    @classmethod
    def of(cls, reading: Reading, step: ResolvedStep, *, attempt: int, final: bool) -> ReadingSeen:
        """Return the event of a reading."""
        return cls(
            at_s=reading.at_s,
            step_index=step.index,
            attempt=attempt,
            celsius=reading.celsius,
            volts=reading.volts,
            codes=reading.codes,
            final=final,
        )


@dataclass(frozen=True, kw_only=True)
class StepFinished:
    """A step has its verdict."""

    at_s: float
    result: StepResult


@dataclass(frozen=True, kw_only=True)
class StepStood:
    """A step has stood for `stood_s` until now, for readings that come in after the run."""

    at_s: float
    step_index: int
    stood_s: float


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
    """The link, the readback or the hardware failed. `relays` is what is known of them then."""

    at_s: float
    message: str
    relays: RelayKnowledge


@dataclass(frozen=True, kw_only=True)
class NoteMade:
    """Something worth keeping, in words; `kind` is for programs."""

    at_s: float
    text: str
    kind: NoteKind = NoteKind.REMARK


@dataclass(frozen=True, kw_only=True)
class CodesRead:
    """The fault codes the module holds, read before the link is opened or after parking."""

    at_s: float
    moment: Moment
    codes: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class CodesCleared:
    """A person had a module's fault codes cleared, parked: what it held before and holds since.

    `by` is the login name, as far as the system knows it.
    """

    at_s: float
    module: str
    by: str
    before: tuple[str, ...]
    after: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class Measured:
    """A meter has told the ohms of a state that is held."""

    at_s: float
    state: int
    ohms: float
    expected_ohms: float


@dataclass(frozen=True, kw_only=True)
class Sensed:
    """The board's own input has seen the volts at the module's input, in a state that is held."""

    at_s: float
    state: int
    achieved_ohms: float
    volts: float
    spread_volts: float


@dataclass(frozen=True, kw_only=True)
class RelayTimed:
    """How long a relay took to operate (`energised`) or to release, by the board's own input.

    The time lies between `least_ms` and `most_ms`; `resolution_ms` is how far readings were apart.
    """

    at_s: float
    relay: int
    energised: bool
    least_ms: float
    most_ms: float
    bounce_ms: float
    resolution_ms: float
    slow: bool


@dataclass(frozen=True, kw_only=True)
class Jumped:
    """A reading that is held has jumped: `value` (None: no reading) away from `level`.

    `count` says how many jumps there have been; `codes` are fault codes that came up with it.
    """

    at_s: float
    count: int
    value: float | None
    level: float
    unit: str
    codes: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class StepTimed:
    """When a step of a profile was due and when it was set, both on the profile's own time."""

    at_s: float
    step_index: int
    planned_s: float
    set_s: float
    late: bool


@dataclass(frozen=True, kw_only=True)
class Looked:
    """A search has looked at a level: `seen` says whether what it watches for was there."""

    at_s: float
    step_index: int
    celsius: float
    seen: bool
    reported_celsius: float | None
    codes: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class PointFound:
    """What a search found: a switching point with its interval, or the hysteresis."""

    at_s: float
    point: SwitchingPoint


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
    | StepStood
    | LinkReported
    | Parked
    | FaultRaised
    | NoteMade
    | CodesRead
    | CodesCleared
    | Measured
    | Jumped
    | RelayTimed
    | Sensed
    | StepTimed
    | Looked
    | PointFound
    | RunFinished
)
