"""Pass, fail or undecided: an error against a tolerance and an uncertainty.

Rules of JCGM 106:2012 and ILAC-G8:09/2019, and the risk they leave.

`uncertainty_celsius` here is expanded, k = 2, of a normal distribution (JCGM 100:2008, 6.2).
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from statistics import NormalDist

from controller.measurement.model import DecisionRule, Verdict
from controller.units import COVERAGE_FACTOR

__all__ = [
    "false_accept_risk",
    "guard_band_celsius",
    "guard_band_share",
    "judge",
    "most_false_accept_risk",
    "risk_words",
    "worst_verdict",
]


_NORMAL = NormalDist()


def guard_band_share(rule: DecisionRule) -> float:
    """Return the guard band as a share r of the expanded uncertainty: w = r U.

    Simple acceptance has none (JCGM 106:2012, 8.2); guarded is w = U (ILAC-G8:09/2019, 4.2.2);
    guarded at 95 % one-sided is w = 1.645/2 U (JCGM 106:2012, 8.3.2).
    """
    match rule:
        case DecisionRule.SIMPLE:
            return 0.0
        case DecisionRule.GUARDED:
            return 1.0
        case DecisionRule.GUARDED_95:
            return _NORMAL.inv_cdf(0.95) / COVERAGE_FACTOR


def guard_band_celsius(rule: DecisionRule, uncertainty_celsius: float) -> float:
    """Return the guard band w in degC."""
    return guard_band_share(rule) * uncertainty_celsius


def judge(
    error_celsius: float,
    *,
    tolerance_celsius: float,
    uncertainty_celsius: float,
    rule: DecisionRule,
) -> Verdict:
    """Judge an error (reported minus expected) against a symmetric tolerance.

    Pass inside the tolerance less the guard band, fail outside the tolerance plus the guard
    band, undecided between the two. With the simple rule nothing is undecided by its size. A
    guard band as wide as the tolerance leaves nothing to pass: then the measurement cannot
    support the tolerance, and what is not a fail is undecided.

    Raises ValueError when a value is NaN, or when tolerance or uncertainty is negative.
    """
    if any(math.isnan(v) for v in (error_celsius, tolerance_celsius, uncertainty_celsius)):
        raise ValueError("an error that is not a number cannot be judged")
    if tolerance_celsius < 0 or uncertainty_celsius < 0:
        raise ValueError("tolerance and uncertainty are never negative")
    guard = guard_band_celsius(rule, uncertainty_celsius)
    size = abs(error_celsius)
    if size <= tolerance_celsius - guard:
        return Verdict.PASS
    if size > tolerance_celsius + guard:
        return Verdict.FAIL
    return Verdict.UNDECIDED


def false_accept_risk(
    error_celsius: float, *, tolerance_celsius: float, uncertainty_celsius: float
) -> float:
    """Return the probability that the true error lies outside the tolerance, given this one.

    The true error is taken as normal about the measured one with standard deviation U / 2, with
    no other knowledge before (JCGM 106:2012, 7.2 and A.2). Both sides of the tolerance count.
    """
    standard = uncertainty_celsius / COVERAGE_FACTOR
    if standard == 0:
        return 0.0 if abs(error_celsius) <= tolerance_celsius else 1.0
    above = _NORMAL.cdf((error_celsius - tolerance_celsius) / standard)
    below = _NORMAL.cdf((-error_celsius - tolerance_celsius) / standard)
    return above + below


def most_false_accept_risk(rule: DecisionRule) -> float:
    """Return the one-sided false-accept probability exactly at the acceptance limit.

    1 - Phi(2 r) for a guard band w = r U with U at k = 2: an error that measures exactly as large
    as the limit, its uncertainty normal, nothing else known beforehand, and a tolerance so wide
    that its other side does not matter.
    """
    return _NORMAL.cdf(-COVERAGE_FACTOR * guard_band_share(rule))


def risk_words(rule: DecisionRule) -> str:
    """Name a rule and the false-accept risk of an error exactly at its limit.

    It is no share of all passes: those further inside the limit are wrong far more rarely. The
    conditions are those of `most_false_accept_risk`.
    """
    percent = 100 * most_false_accept_risk(rule)
    return (
        f"{rule.value}: false-accept risk {percent:.3g} % at the acceptance limit, less inside it"
    )


def worst_verdict(verdicts: Iterable[Verdict]) -> Verdict:
    """Return the verdict of a whole run: fail before undecided before pass.

    Nothing judged at all is undecided.
    """
    seen = set(verdicts)
    for verdict in (Verdict.FAIL, Verdict.UNDECIDED):
        if verdict in seen:
            return verdict
    return Verdict.PASS if seen else Verdict.UNDECIDED
