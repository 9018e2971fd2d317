"""Runs side by side, against closed forms and scipy."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from controller.diagnosis.side_by_side import Run, compare, hysteresis, run_of, trend
from controller.errors import InputError
from controller.measurement.model import Contribution, Verdict
from controller.planning.model import ResolvedStep, StepKind
from controller.run.model import StepResult

UP_DOWN = np.concatenate([np.arange(-20.0, 101, 10), np.arange(100.0, -21, -10)])


def run(name="run", offset=0.0, lag=0.0, sigma=0.3, seed=1, celsius=UP_DOWN):
    rng = np.random.default_rng(seed)
    achieved = np.asarray(celsius, dtype=float) + rng.uniform(-0.2, 0.2, len(celsius))
    direction = np.sign(np.diff(celsius, prepend=celsius[0] - 1))
    direction[direction == 0] = -1
    error = offset - lag * direction + rng.normal(0, sigma, len(celsius))
    return Run(name=name, achieved_celsius=achieved, error_celsius=error, uncertainty_celsius=sigma)


def test_a_shifted_run_is_not_alike_and_shows_by_how_much():
    found = compare(run("good", seed=1), run("suspect", offset=1.0, seed=2))
    assert not found.alike
    assert abs(found.mean_celsius - 1.0) < found.mean_uncertainty_celsius * 1.5
    assert len(found.steps) == UP_DOWN.size
    assert found.unmatched == 0


def test_the_mean_and_its_uncertainty_are_the_closed_form():
    """n differences, each sqrt(2) sigma: mean known to sqrt(2) sigma / sqrt(n)."""
    celsius = np.arange(0.0, 100, 10)
    first = run("a", seed=3, celsius=celsius)
    second = run("b", seed=4, celsius=celsius)
    found = compare(first, second)
    assert found.mean_celsius == pytest.approx(
        float(np.mean(second.error_celsius - first.error_celsius))
    )
    assert found.mean_uncertainty_celsius == pytest.approx(2 * 0.3 * np.sqrt(2 / 10))


def test_runs_that_are_alike_are_called_different_one_time_in_twenty():
    runs = 400
    alike = sum(compare(run(seed=2 * i), run(seed=2 * i + 1)).alike for i in range(runs))
    # Up and down partners are distinct readings, so the differences are independent.
    low, high = stats.binom.ppf([0.0005, 0.9995], runs, 0.95)
    assert low <= alike <= high


def test_steps_without_a_partner_are_counted_and_none_at_all_is_refused():
    first = run(celsius=np.arange(0.0, 50, 10))
    found = compare(first, run(celsius=np.arange(0.0, 100, 10)))
    assert found.unmatched == 5
    with pytest.raises(InputError, match="partner"):
        compare(first, run(celsius=np.arange(205.0, 300, 10)))


def test_hysteresis_is_found_with_its_size_and_not_where_there_is_none():
    slow = hysteresis(run(lag=0.8, seed=5))
    assert slow is not None
    assert slow.present
    assert slow.mean_celsius == pytest.approx(-1.6, abs=slow.mean_uncertainty_celsius * 1.5)
    steady = [hysteresis(run(seed=seed)) for seed in range(200)]
    alarms = sum(one.present for one in steady if one is not None)
    low, high = stats.binom.ppf([0.0005, 0.9995], 200, 0.05)
    assert low <= alarms <= high


def test_one_way_alone_has_no_hysteresis():
    assert hysteresis(run(celsius=np.arange(0.0, 100, 10))) is None


def test_every_reading_is_used_once_in_hysteresis():
    both = run(celsius=np.concatenate([UP_DOWN, UP_DOWN]))
    found = hysteresis(both)
    assert found is not None
    assert len(found.points) <= UP_DOWN.size


def test_the_trend_is_that_of_scipy_where_the_scatter_decides():
    rng = np.random.default_rng(6)
    days = np.array([0.0, 30.0, 61.0, 92.0, 150.0, 200.0])
    values = 0.01 * days + rng.normal(0, 0.5, days.size)
    found = trend(days, values, 0.01)
    oracle = stats.linregress(days, values)
    assert found.slope == pytest.approx(oracle.slope)
    assert found.uncertainty == pytest.approx(2 * oracle.stderr)
    assert found.probability == pytest.approx(oracle.pvalue)
    assert found.scatter > 10


def test_a_calm_series_keeps_the_stated_uncertainty():
    found = trend([0.0, 1.0, 2.0, 3.0], [1.0, 1.01, 0.99, 1.0], 0.5)
    assert found.scatter == 1.0
    assert not found.significant
    # sigma / sqrt(sum of squared distances from the mean time)
    assert found.uncertainty == pytest.approx(2 * 0.5 / np.sqrt(5.0))


@pytest.mark.parametrize(
    ("at", "values", "spread", "message"),
    [
        ([0.0, 1.0], [1.0, 2.0], 0.1, "at least 3"),
        ([5.0, 5.0, 5.0], [1.0, 2.0, 3.0], 0.1, "different times"),
        ([0.0, 1.0, 2.0], [1.0, 2.0, 3.0], 0.0, "above zero"),
    ],
)
def test_a_trend_that_cannot_be_seen_is_refused(at, values, spread, message):
    with pytest.raises(InputError, match=message):
        trend(at, values, spread)


@pytest.mark.parametrize(
    ("celsius", "error", "spread", "message"),
    [
        ([0.0, 1.0], [0.0], 0.1, "equally many"),
        ([0.0, np.nan], [0.0, 1.0], 0.1, "no temperatures"),
        ([0.0, 1.0], [0.0, 1.0], 0.0, "above zero"),
    ],
)
def test_an_impossible_run_is_refused(celsius, error, spread, message):
    with pytest.raises(InputError, match=message):
        Run(
            name="run",
            achieved_celsius=np.array(celsius),
            error_celsius=np.array(error),
            uncertainty_celsius=np.array(spread),
        )


def test_a_run_is_made_of_judged_steps_with_what_scatters_alone():
    def result(celsius, error, kind=StepKind.TEMPERATURE):
        step = ResolvedStep(
            index=0,
            kind=kind,
            target_celsius=celsius,
            target_ohms=1000.0,
            state=0,
            achieved_ohms=1000.0,
            achieved_celsius=celsius,
            expected_celsius=celsius,
            tolerance_celsius=2.0,
            uncertainty_celsius=1.0,
            excursion_celsius=None,
            path=(),
            budget=(
                Contribution(name="rungs", celsius=5.0),
                Contribution(name="curve", celsius=5.0),
                Contribution(name="report", celsius=0.3),
                Contribution(name="settling", celsius=0.4),
            ),
        )
        return StepResult(
            step=step,
            attempt=1,
            reported_celsius=None if error is None else celsius + error,
            error_celsius=error,
            verdict=Verdict.PASS,
            settled=True,
            settle_s=1.0,
        )

    found = run_of("run", [result(20.0, 1.0), result(30.0, None), result(40.0, -1.0)])
    assert found.achieved_celsius.tolist() == [20.0, 40.0]
    assert found.error_celsius.tolist() == [1.0, -1.0]
    assert found.uncertainty_celsius == pytest.approx([0.5, 0.5])
    with pytest.raises(InputError, match="no temperature steps"):
        run_of("run", [result(30.0, None)])
