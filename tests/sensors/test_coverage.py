"""What U promises and how misread points are named, counted: the benchmark's charts, a few of each.

The full table, with its binomial bounds, is ``python tests/benchmarks/table.py curves``.
"""

from __future__ import annotations

import importlib.util
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from controller.errors import InputError

BENCHMARK = Path(__file__).resolve().parents[1] / "benchmarks" / "curves.py"


def _load():
    spec = importlib.util.spec_from_file_location("benchmark_curves", BENCHMARK)
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module  # dataclasses look their module up
    spec.loader.exec_module(module)
    return module


simulated = _load()


@pytest.mark.parametrize(
    ("name", "table", "column", "scale", "atol"),
    [
        ("10K3", "ntc_10k3_steinhart_neg40_to_1", "r_published_ohm", 1.0, 0.0025),
        ("Type 1", "ntc_type1_ratio", "ratio_eq", 2800.0, 0.02),
        ("silicon PTC", "kty81_1_ptc", "r_published_ohm", 1.0, 0.11),
        ("Pt100", "pt100_iec60751", "r_ohm", 1.0, 1e-4),
    ],
)
def test_the_simulated_sensors_are_the_published_ones(reference, name, table, column, scale, atol):
    """In degC: the tolerance that each table states; the silicon one is rounded to 1 ohm."""
    (truth,) = [one for one in simulated.TRUTHS if one.name == name]
    for row in reference(table):
        celsius, ohms = float(row["t_degC"]), scale * float(row[column])
        around = truth.ohms(np.array([celsius - 0.5, celsius, celsius + 0.5]))
        assert abs((ohms - around[1]) / (around[2] - around[0])) <= atol, celsius


@pytest.mark.parametrize("points", [3, pytest.param(5, marks=pytest.mark.soak), 8])
@pytest.mark.parametrize("how", simulated.READINGS, ids=lambda how: how.label)
def test_u_holds_the_truth(how, points):
    """60 charts over six sensors; 95 % less three standard deviations are 52."""
    inside = sum(
        simulated.covered(truth, replace(how, points=points), charts=10, seed=index)
        for index, truth in enumerate(simulated.TRUTHS)
    )
    assert inside >= 52


@pytest.mark.parametrize(("common", "least", "most"), [((2.0, 0.7), 52, 60), ((0.0, 0.0), 0, 25)])
def test_only_the_term_for_the_axes_holds_their_errors(common, least, most):
    """Points read to 0.1 %, 0.02 K off a chart whose axes are off by 2 %, 0.7 K: 60 charts."""
    percent, celsius = common
    how = replace(
        simulated.READINGS[0],
        points=8,
        stated=simulated.stated(
            0.1, 0.02, common_uncertainty_percent=percent, common_uncertainty_celsius=celsius
        ),
    )
    inside = sum(
        simulated.covered(truth, how, charts=10, seed=index)
        for index, truth in enumerate(simulated.TRUTHS)
    )
    assert least <= inside <= most


@pytest.mark.parametrize("points", [4, 6, 10])
def test_u_holds_what_lies_between_the_rows_of_a_table(points):
    inside = sum(
        simulated.table_covered(truth, points, tables=20, seed=index)
        for index, truth in enumerate(simulated.TRUTHS)
    )
    assert inside >= 107  # of 120: 95 % less three standard deviations


@pytest.mark.parametrize("index", [0, 1, 2])
def test_u_holds_a_thermistor_of_which_only_beta_is_known(index):
    assert simulated.beta_covered(simulated.TRUTHS[index], readings=100, seed=1) >= 93


@pytest.mark.parametrize("points", [8, 12])
def test_a_slip_is_named_and_seldom_another_point(points):
    """A 20 % slip on charts read to 1 %, 0.3 K: 120 of them, three standard deviations allowed."""
    how = replace(simulated.NAMING[1], points=points)
    found = [
        simulated.named(truth, how, slip=0.2, charts=20, seed=index)
        for index, truth in enumerate(simulated.TRUTHS)
    ]
    assert sum(one.right for one in found) >= 98  # 90 %
    assert sum(one.wrong for one in found) <= 13  # 5 %


@pytest.mark.parametrize("how", simulated.NAMING, ids=lambda how: how.label)
def test_clean_charts_seldom_have_a_point_named(how):
    """6 % of 60 charts, three standard deviations allowed."""
    found = [
        simulated.named(truth, how, slip=0.0, charts=10, seed=index)
        for index, truth in enumerate(simulated.TRUTHS)
    ]
    assert sum(one.wrong + one.open for one in found) <= 9


def test_a_chart_that_is_refused_for_its_end_names_the_end_and_no_other():
    """Without its last point the fit may not reach that far: what was left out is to be read again.

    Silicon charts read to 2 %, 0.5 K, the hot end 20 % too low, which turns some fits round.
    """
    how, truth = simulated.NAMING[0], simulated.TRUTHS[3]
    rng = np.random.default_rng(31337)
    refused = 0
    for _ in range(60):
        points = simulated.read(truth, how, rng)
        celsius, ohms = points[-1]
        points[-1] = (celsius, 0.8 * ohms)
        try:
            simulated.fit_chart(points, **how.stated)
        except InputError as error:
            (problem,) = error.problems
            assert "the point at 140 degC" in problem.hint
            refused += "left out" in problem.hint
    assert refused >= 3


def test_a_slip_that_bends_the_end_of_a_chart_is_named_there():
    """Silicon, the cold end 20 % too high: two resistances nearly alike, 26 K apart.

    Read as resistance against temperature alone, it is named in 33 of these 60 charts.
    """
    how, truth = simulated.NAMING[0], simulated.TRUTHS[3]
    rng = np.random.default_rng(808)
    right = other = 0
    for _ in range(60):
        points = simulated.read(truth, how, rng)
        points[0] = (points[0][0], 1.2 * points[0][1])
        found, _ = simulated.names(points, how.stated)
        right += found == {points[0][0]}
        other += bool(found - {points[0][0]})
    assert right >= 42
    assert other <= 3
