from __future__ import annotations

import csv
import math
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from controller.measurement.model import DecisionRule, Verdict
from controller.measurement.verdict import (
    false_accept_risk,
    guard_band_celsius,
    guard_band_share,
    judge,
    most_false_accept_risk,
    worst_verdict,
)

REFERENCE = Path(__file__).parents[1] / "reference"
SIZES = st.floats(0.01, 50.0)
ERRORS = st.floats(-100.0, 100.0)


def guard_band_rows() -> list[tuple[float, float, str]]:
    """Source: first line of tests/reference/guardband.csv (ILAC-G8:09/2019 decision rules)."""
    with (REFERENCE / "guardband.csv").open() as file:
        rows = list(csv.reader(line for line in file if not line.startswith("#")))[1:]
    return [(float(r), float(risk), rule) for r, risk, rule in rows]


@pytest.mark.parametrize(("share", "risk", "rule"), guard_band_rows())
def test_risk_at_the_acceptance_limit_is_the_published_one(share, risk, rule):
    # One side only: a tolerance so wide that the other limit is out of reach.
    measured = false_accept_risk(
        1000.0 - share * 1.0, tolerance_celsius=1000.0, uncertainty_celsius=1.0
    )
    assert measured == pytest.approx(risk, rel=2e-4)


def test_each_rule_is_the_row_of_the_published_table_that_it_says():
    published = {rule: (share, risk) for share, risk, rule in guard_band_rows()}
    for rule, row in (
        (DecisionRule.SIMPLE, "simple acceptance"),
        (DecisionRule.GUARDED, "ILAC-G8:2009 / w = U"),
        (DecisionRule.GUARDED_95, "exact 5 % one-sided"),
    ):
        share, risk = published[row]
        assert guard_band_share(rule) == pytest.approx(share, abs=1e-6)
        assert most_false_accept_risk(rule) == pytest.approx(risk, rel=1e-6)


@given(ERRORS, SIZES, SIZES)
def test_risk_is_what_scipy_says_of_a_normal_distribution(error, tolerance, uncertainty):
    inside = norm.cdf(tolerance, error, uncertainty / 2) - norm.cdf(
        -tolerance, error, uncertainty / 2
    )
    assert false_accept_risk(
        error, tolerance_celsius=tolerance, uncertainty_celsius=uncertainty
    ) == pytest.approx(1 - inside, abs=1e-12)


@given(ERRORS, SIZES, SIZES)
def test_a_guarded_pass_never_risks_more_than_the_rule_says(error, tolerance, uncertainty):
    for rule in (DecisionRule.GUARDED, DecisionRule.GUARDED_95):
        verdict = judge(
            error, tolerance_celsius=tolerance, uncertainty_celsius=uncertainty, rule=rule
        )
        if verdict is Verdict.PASS:
            # Both limits count, so at most twice the one-sided risk.
            risk = false_accept_risk(
                error, tolerance_celsius=tolerance, uncertainty_celsius=uncertainty
            )
            assert risk <= 2 * most_false_accept_risk(rule) + 1e-12


@given(ERRORS, SIZES, st.floats(0.0, 50.0), st.sampled_from(DecisionRule))
def test_verdicts_are_symmetric_and_worsen_with_the_error(error, tolerance, uncertainty, rule):
    def of(value: float) -> Verdict:
        return judge(value, tolerance_celsius=tolerance, uncertainty_celsius=uncertainty, rule=rule)

    order = [Verdict.PASS, Verdict.UNDECIDED, Verdict.FAIL]
    assert of(error) is of(-error)
    assert order.index(of(error)) <= order.index(of(error * 1.5))
    if rule is DecisionRule.SIMPLE:
        assert of(error) is (Verdict.PASS if abs(error) <= tolerance else Verdict.FAIL)


@pytest.mark.parametrize(
    ("error", "rule", "verdict"),
    [
        (2.0, DecisionRule.SIMPLE, Verdict.PASS),
        (2.01, DecisionRule.SIMPLE, Verdict.FAIL),
        (1.5, DecisionRule.GUARDED, Verdict.PASS),
        (1.51, DecisionRule.GUARDED, Verdict.UNDECIDED),
        (-2.5, DecisionRule.GUARDED, Verdict.UNDECIDED),
        (-2.51, DecisionRule.GUARDED, Verdict.FAIL),
        (1.58, DecisionRule.GUARDED_95, Verdict.PASS),  # 2 - 0.8224268 * 0.5 = 1.5888
        (1.59, DecisionRule.GUARDED_95, Verdict.UNDECIDED),
    ],
)
def test_limits_for_a_tolerance_of_2_and_an_uncertainty_of_a_half(error, rule, verdict):
    assert judge(error, tolerance_celsius=2.0, uncertainty_celsius=0.5, rule=rule) is verdict


def test_an_uncertainty_wider_than_the_tolerance_lets_nothing_pass():
    for rule in (DecisionRule.GUARDED, DecisionRule.GUARDED_95):
        verdict = judge(0.0, tolerance_celsius=1.0, uncertainty_celsius=1.5, rule=rule)
        assert verdict is Verdict.UNDECIDED
    assert guard_band_celsius(DecisionRule.GUARDED, 1.5) == 1.5


def test_no_uncertainty_means_no_risk_inside_and_certainty_outside():
    assert false_accept_risk(1.0, tolerance_celsius=1.0, uncertainty_celsius=0.0) == 0.0
    assert false_accept_risk(1.1, tolerance_celsius=1.0, uncertainty_celsius=0.0) == 1.0


def test_what_cannot_be_judged_is_refused():
    for error, tolerance, uncertainty in ((math.nan, 1, 1), (0, math.nan, 1), (0, 1, math.nan)):
        with pytest.raises(ValueError, match="not a number"):
            judge(
                error,
                tolerance_celsius=tolerance,
                uncertainty_celsius=uncertainty,
                rule=DecisionRule.SIMPLE,
            )
    with pytest.raises(ValueError, match="never negative"):
        judge(0, tolerance_celsius=-1, uncertainty_celsius=0, rule=DecisionRule.SIMPLE)


def test_a_run_is_as_bad_as_its_worst_step():
    passed, failed, undecided = Verdict.PASS, Verdict.FAIL, Verdict.UNDECIDED
    assert worst_verdict([passed, passed]) is passed
    assert worst_verdict([passed, undecided]) is undecided
    assert worst_verdict([undecided, failed, passed]) is failed
    assert worst_verdict([]) is undecided
