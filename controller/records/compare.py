"""Two sets of results, number by number, with stated tolerances.

Knows: which numbers of a step count, and how far apart they may be.
Must not know: where either set came from, files, how differences are shown.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from controller.measurement.model import Verdict
from controller.measurement.verdict import worst_verdict
from controller.planning.model import ResolvedPlan, ResolvedStep
from controller.planning.pacing import judged_steps
from controller.run.judging import judge_reported
from controller.run.model import Ending, Reason, StepResult
from controller.run.summary import run_verdict

__all__ = [
    "EXACT",
    "Difference",
    "Tolerances",
    "compare_results",
    "compare_steps",
    "numbers_differ",
    "rejudge",
    "verdict_of",
    "words_differ",
]


@dataclass(frozen=True, kw_only=True)
class Tolerances:
    """How far apart two runs may be.

    `computed` is relative for ohm and absolute for degC: what floating point does on another
    machine. `reported_celsius` is for what the module reported; None adds each step's own
    tolerance and expanded uncertainty. `timing_s` is for the settle time; None leaves it out.
    `codes` is False where only one of the two runs could tell fault codes; `old_codes` where one
    may have begun with codes that the other had not: a parked ladder is an open circuit, and real
    equipment stands so for as long as it takes to begin.
    """

    computed: float = 1e-6
    reported_celsius: float | None = 1e-6
    timing_s: float | None = 1e-3
    codes: bool = True
    old_codes: bool = True


EXACT = Tolerances()
"""For two runs on the virtual clock: the same, but for floating point."""


@dataclass(frozen=True, kw_only=True)
class Difference:
    """One number or word that is not what was recorded. `step` is None for the run as a whole."""

    step: int | None
    field: str
    recorded: Any
    replayed: Any
    tolerance: float | None = None

    def __str__(self) -> str:
        place = "run" if self.step is None else f"step {self.step + 1}"
        text = f"{place}: {self.field} was {_shown(self.recorded)}, is {_shown(self.replayed)}"
        return text if self.tolerance is None else f"{text} (tolerance {self.tolerance:g})"


def rejudge(plan: ResolvedPlan, results: Sequence[StepResult]) -> list[Difference]:
    """Judge each recorded reading again by the plan's rule; return what comes out differently."""
    differences: list[Difference] = []
    for result in results:
        if result.reason is Reason.SKIPPED:
            verdict, error = Verdict.UNDECIDED, None
            reason: Reason | None = result.reason
        else:
            error, verdict, reason = judge_reported(
                result.step, plan.decision_rule, result.reported_celsius, settled=result.settled
            )
            if result.reported_celsius is None:
                reason = result.reason or reason
        index = result.step.index
        differences += numbers_differ(
            index, "error_celsius (judged again)", result.error_celsius, error, 1e-9
        )
        differences += words_differ(
            index, "verdict (judged again)", result.verdict.value, verdict.value
        )
        differences += words_differ(
            index, "reason (judged again)", _said(result.reason), _said(reason)
        )
    return differences


def verdict_of(
    plan: ResolvedPlan, results: Sequence[StepResult], ended: Ending = Ending.COMPLETE
) -> Verdict:
    """Return the verdict of a run that came to an end like this, by its results."""
    verdict = worst_verdict(result.verdict for result in results)
    if verdict is Verdict.PASS and len(results) < len(judged_steps(plan)):
        return Verdict.UNDECIDED
    return run_verdict(verdict, ended)


def compare_steps(
    recorded: Sequence[ResolvedStep], replayed: Sequence[ResolvedStep], tolerances: Tolerances
) -> list[Difference]:
    """Compare what was to be set, step by step."""
    differences = words_differ(None, "number of steps", len(recorded), len(replayed))
    for was, now in zip(recorded, replayed, strict=False):
        differences += _compare_step(was, now, tolerances)
    return differences


def compare_results(
    recorded: Sequence[StepResult], replayed: Sequence[StepResult], tolerances: Tolerances
) -> list[Difference]:
    """Compare what came of each recorded step with the same step of the other run."""
    by_index = {result.step.index: result for result in replayed}
    old: set[str] = set()
    if recorded and replayed and not tolerances.old_codes:
        old = set(recorded[0].codes) ^ set(replayed[0].codes)
    differences: list[Difference] = []
    for was in recorded:
        now = by_index.get(was.step.index)
        if now is None:
            differences += words_differ(was.step.index, "step", "judged", "not run")
        elif was.reason is not Reason.SKIPPED:
            differences += _compare_result(was, now, tolerances, old)
    return differences


def _compare_step(
    was: ResolvedStep, now: ResolvedStep, tolerances: Tolerances
) -> Iterator[Difference]:
    index, near = was.index, tolerances.computed
    yield from words_differ(index, "kind", was.kind.value, now.kind.value)
    yield from words_differ(index, "state", f"{was.state:#x}", f"{now.state:#x}")
    yield from words_differ(index, "path", _path(was), _path(now))
    for field in ("target_ohms", "achieved_ohms"):
        before, after = getattr(was, field), getattr(now, field)
        allowed = (
            near * max(1.0, abs(before)) if before is not None and math.isfinite(before) else near
        )
        yield from numbers_differ(index, field, before, after, allowed)
    for field in (
        "target_celsius",
        "achieved_celsius",
        "expected_celsius",
        "tolerance_celsius",
        "uncertainty_celsius",
        "excursion_celsius",
        "planned_s",
    ):
        yield from numbers_differ(index, field, getattr(was, field), getattr(now, field), near)


def _compare_result(
    was: StepResult, now: StepResult, tolerances: Tolerances, old: Collection[str]
) -> Iterator[Difference]:
    index = was.step.index
    allowed = tolerances.reported_celsius
    if allowed is None:
        allowed = (was.step.tolerance_celsius or 0.0) + was.step.uncertainty_celsius
    yield from numbers_differ(
        index, "reported_celsius", was.reported_celsius, now.reported_celsius, allowed
    )
    yield from numbers_differ(index, "error_celsius", was.error_celsius, now.error_celsius, allowed)
    yield from words_differ(index, "verdict", was.verdict.value, now.verdict.value)
    yield from words_differ(index, "settled", was.settled, now.settled)
    if tolerances.codes:
        before, after = ([c for c in one.codes if c not in old] for one in (was, now))
        yield from words_differ(index, "codes", before, after)
    if tolerances.timing_s is not None:
        yield from numbers_differ(
            index, "settle_s", was.settle_s, now.settle_s, tolerances.timing_s
        )


def numbers_differ(
    step: int | None, field: str, was: float | None, now: float | None, allowed: float
) -> list[Difference]:
    """Return the difference between two numbers that are further apart than allowed."""
    same = was == now or (was is not None and now is not None and abs(now - was) <= allowed)
    if same:
        return []
    return [Difference(step=step, field=field, recorded=was, replayed=now, tolerance=allowed)]


def words_differ(step: int | None, field: str, was: object, now: object) -> list[Difference]:
    """Return the difference between two words that are not the same."""
    if was == now:
        return []
    return [Difference(step=step, field=field, recorded=was, replayed=now)]


def _said(reason: Reason | None) -> str | None:
    return None if reason is None else reason.value


def _path(step: ResolvedStep) -> list[tuple[int, int]]:
    return [(one.state, one.hold_ms) for one in step.path]


def _shown(value: object) -> str:
    if isinstance(value, float):
        return f"{value:.9g}"
    return "nothing" if value is None else str(value)
