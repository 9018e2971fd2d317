"""From a step's last reading to its result.

Knows: resolved steps, readings, decision rules.
Must not know: how the reading came in, links, the rest of the run.
"""

from __future__ import annotations

import math
from dataclasses import replace

from controller.measurement.model import DecisionRule, Verdict
from controller.measurement.verdict import judge
from controller.planning.model import ResolvedStep
from controller.readback.base import Reading
from controller.run.model import Reason, StepResult

__all__ = ["disagreement_celsius", "judge_reported", "judge_step", "paired", "skipped"]


def judge_reported(
    step: ResolvedStep, rule: DecisionRule, reported_celsius: float | None, *, settled: bool
) -> tuple[float | None, Verdict, Reason | None]:
    """Return a step's error in degC, its verdict, and the reason where numbers do not say it.

    A reading that has not settled is judged as it is, except that it cannot pass.
    """
    if reported_celsius is None:
        return None, Verdict.UNDECIDED, Reason.NO_READING
    if step.expected_celsius is None or step.tolerance_celsius is None:
        return None, Verdict.UNDECIDED, Reason.NOT_EXPECTED
    error = reported_celsius - step.expected_celsius
    verdict = judge(
        error,
        tolerance_celsius=step.tolerance_celsius,
        uncertainty_celsius=step.uncertainty_celsius,
        rule=rule,
    )
    if settled:
        return error, verdict, None
    return error, Verdict.FAIL if verdict is Verdict.FAIL else Verdict.UNDECIDED, Reason.UNSETTLED


def judge_step(
    step: ResolvedStep,
    rule: DecisionRule,
    reading: Reading | None,
    *,
    attempt: int,
    settled: bool,
    settle_s: float,
) -> StepResult:
    """Judge the reading a step ended with; None when there was none."""
    reported = None if reading is None else reading.celsius
    error, verdict, reason = judge_reported(step, rule, reported, settled=settled)
    return StepResult(
        step=step,
        attempt=attempt,
        reported_celsius=reported,
        error_celsius=error,
        verdict=verdict,
        settled=settled and reported is not None,
        settle_s=settle_s,
        codes=() if reading is None else reading.codes,
        reason=reason,
    )


def disagreement_celsius(first: StepResult, second: StepResult) -> float | None:
    """Return how much further apart two reports are than what is expected of them; None: unknown.

    That is the difference of the two errors: a pair that is set 5 degC apart agrees when its
    reports are 5 degC apart.
    """
    if first.error_celsius is None or second.error_celsius is None:
        return None
    return second.error_celsius - first.error_celsius


def paired(
    first: StepResult, second: StepResult, rule: DecisionRule, largest_celsius: float | None
) -> StepResult:
    """Return the first result with the second in it, held against each other where a plan asks.

    Both uncertainties count, root sum square: they are taken as independent, which for two ladders
    they are but for the chart. A second result that passes by itself does not when they disagree.
    """
    difference = disagreement_celsius(first, second)
    verdict, reason = second.verdict, second.reason
    if largest_celsius is not None and difference is not None:
        agreed = judge(
            difference,
            tolerance_celsius=largest_celsius,
            uncertainty_celsius=math.hypot(
                first.step.uncertainty_celsius, second.step.uncertainty_celsius
            ),
            rule=rule,
        )
        if agreed is not Verdict.PASS and verdict is Verdict.PASS:
            verdict, reason = agreed, Reason.DISAGREE
    return replace(
        first,
        second=replace(second, verdict=verdict, reason=reason, difference_celsius=difference),
    )


def skipped(step: ResolvedStep, attempt: int) -> StepResult:
    """Return the result of a step that a person left without a reading."""
    return StepResult(
        step=step,
        attempt=attempt,
        reported_celsius=None,
        error_celsius=None,
        verdict=Verdict.UNDECIDED,
        settled=False,
        settle_s=0.0,
        reason=Reason.SKIPPED,
    )
