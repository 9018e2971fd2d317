"""What came of a run: the result of each step, and the whole of it."""

from __future__ import annotations

from dataclasses import dataclass

from controller.measurement.model import Verdict
from controller.planning.model import ResolvedStep

__all__ = ["RunSummary", "StepResult"]


@dataclass(frozen=True, kw_only=True)
class StepResult:
    """What came of one step. `error_celsius` is reported minus expected.

    `settled` is False when the settle rule ran out of time. `reason` says in a few words why a
    verdict is what it is when the numbers alone do not: ``skipped``, ``no reading``,
    ``did not settle``, ``expected reading not known``.
    """

    step: ResolvedStep
    attempt: int
    reported_celsius: float | None
    error_celsius: float | None
    verdict: Verdict
    settled: bool
    settle_s: float
    codes: tuple[str, ...] = ()
    reason: str | None = None


@dataclass(frozen=True, kw_only=True)
class RunSummary:
    """The end of a run: counts, overall verdict, and the one sentence for people.

    `ended` is ``complete``, ``stopped`` (by a person) or ``fault``. `relays` is the value of
    RelayKnowledge at the end.
    """

    verdict: Verdict
    ended: str
    passed: int
    failed: int
    undecided: int
    unsettled: int
    not_run: int
    relays: str
    sentence: str
