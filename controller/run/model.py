"""What came of a run: the result of each step, and the whole of it."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum

from controller.errors import RelayKnowledge
from controller.measurement.model import Verdict
from controller.measurement.verdict import worst_verdict
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
    DISAGREE = "the inputs disagree"


@dataclass(frozen=True, kw_only=True)
class StepResult:
    """What came of one step. `error_celsius` is reported minus expected.

    `settled` is False when the settle rule ran out of time. `reason` is None where the
    numbers say it all. `second` is the result of the second input, where the run has one;
    `difference_celsius`, which stands there, is how much further apart the two reports are than
    what is set.
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
    second: StepResult | None = None
    difference_celsius: float | None = None

    @property
    def whole_verdict(self) -> Verdict:
        """The verdict of the step: the worse one, where it has two inputs."""
        if self.second is None:
            return self.verdict
        return worst_verdict((self.verdict, self.second.verdict))


@dataclass(frozen=True, kw_only=True)
class RunSummary:
    """The end of a run: counts, overall verdict, and the one sentence for people.

    `relays` is what is known of them at the end. `new_codes` are fault codes that the module holds
    after the run and did not hold before it, where the readback can tell. `relays_of` says it for
    each ladder of a run that has two; then `relays` is what has to worry most.
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
    relays_of: tuple[RelayKnowledge, ...] = field(default=(), metadata={"later": True})
