"""What came of a run: the result of each step, and the whole of it."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum

from controller.errors import RelayKnowledge
from controller.measurement.model import Verdict
from controller.planning.model import ResolvedStep

__all__ = ["Ending", "Reason", "RunSummary", "StepResult"]


class Ending(StrEnum):
    """How a run came to its end."""

    COMPLETE = "complete"
    STOPPED = "stopped"
    FAULT = "fault"


class Reason(StrEnum):
    """Why a verdict is what it is where the numbers alone do not say it."""

    SKIPPED = "skipped"
    NO_READING = "no reading"
    UNSETTLED = "did not settle"
    NOT_EXPECTED = "expected reading not known"


@dataclass(frozen=True, kw_only=True)
class StepResult:
    """What came of one step. `error_celsius` is reported minus expected.

    `settled` is False when the settle rule ran out of time. `reason` is None where the
    numbers say it all.
    """

    step: ResolvedStep
    attempt: int
    reported_celsius: float | None
    error_celsius: float | None
    verdict: Verdict
    settled: bool
    settle_s: float
    codes: tuple[str, ...] = ()
    reason: Reason | None = None


@dataclass(frozen=True, kw_only=True)
class RunSummary:
    """The end of a run: counts, overall verdict, and the one sentence for people.

    `relays` is what is known of them at the end. `new_codes` are fault codes that the module holds
    after the run and did not hold before it, where the readback can tell.
    """

    verdict: Verdict
    ended: Ending
    passed: int
    failed: int
    undecided: int
    unsettled: int
    not_run: int
    relays: RelayKnowledge
    sentence: str
    new_codes: tuple[str, ...] = field(default=(), metadata={"later": True})
