"""Least squares against JCGM 100:2008 H.3 and the NIST/SEMATECH calibration designs."""

from __future__ import annotations

from collections import defaultdict

import numpy as np
import pytest
from scipy import stats

from controller.ladder.calibration.least_squares import (
    chi_square_exceeded,
    least_squares,
    restrained_coefficients,
)


def thermometer(reference_rows):
    rows = reference_rows("gum_h3_thermometer.csv")
    celsius = np.array([float(row["t_k"]) for row in rows])
    corrections = np.array([float(row["b_k"]) for row in rows])
    design = np.column_stack([np.ones_like(celsius), celsius - 20.0])
    return least_squares(design, corrections)


def test_the_thermometer_of_gum_h3(reference_rows):
    """JCGM 100:2008, H.3.3, recomputed to more digits in the header of the table."""
    found = thermometer(reference_rows)
    assert len(found.residuals) == 11
    assert found.values[0] == pytest.approx(-0.171203790, abs=5e-10)
    assert found.values[1] == pytest.approx(0.002182698, abs=5e-10)
    assert found.uncertainties[0] == pytest.approx(0.002877598, abs=5e-10)
    assert found.uncertainties[1] == pytest.approx(0.000667939, abs=5e-10)
    assert found.correlation[0, 1] == pytest.approx(-0.930429603, abs=5e-10)
    assert found.scale == pytest.approx(0.003497564, abs=5e-10)
    assert found.degrees_of_freedom == 9


def test_the_predicted_correction_needs_the_correlation(reference_rows):
    """JCGM 100:2008, H.3.4: b(30 degC) = -0.1494, u = 0.0041 degC."""
    found = thermometer(reference_rows)
    value, uncertainty = found.combined([1.0, 10.0])
    assert value == pytest.approx(-0.149376813, abs=5e-10)
    assert uncertainty == pytest.approx(0.004138596, abs=5e-10)
    without = np.hypot(found.uncertainties[0], 10.0 * found.uncertainties[1])
    assert without == pytest.approx(0.00727, abs=5e-6)
    assert uncertainty < 0.6 * without


def designs(reference_rows):
    """Return design name -> (divisor, comparisons, restraint, solution, K1) of the table."""
    tables = defaultdict(dict)
    divisors = {}
    for row in reference_rows("nist_calibration_designs.csv"):
        divisors[row["design"]] = int(row["divisor"])
        tables[row["design"]][row["row"]] = (
            np.array(row["design_coeffs"].split(), dtype=float),
            np.array(row["solution"].split(), dtype=float),
        )
    found = {}
    for name, rows in tables.items():
        comparisons = [rows[key] for key in rows if key.startswith("Y(")]
        found[name] = (
            divisors[name],
            np.array([coefficients for coefficients, _ in comparisons]),
            rows["R*"][0],
            np.array([*(solution for _, solution in comparisons), rows["R*"][1]]),
            rows["K1"][1],
        )
    return found


def test_the_published_designs_come_out_exactly(reference_rows):
    """NIST/SEMATECH e-Handbook of Statistical Methods, 2.3.4.1: solutions and K1 factors."""
    tables = designs(reference_rows)
    assert len(tables) == 5
    for name, (divisor, comparisons, restraint, solution, factors) in tables.items():
        coefficients, k1 = restrained_coefficients(comparisons, restraint)
        # Integers over the divisor: exact but for floating-point noise.
        assert np.abs(coefficients * divisor - solution).max() < 1e-9, name
        assert np.round(k1, 4).tolist() == factors.tolist(), name


def test_a_restraint_that_does_not_complete_the_design_is_refused():
    with pytest.raises(ValueError, match="restraint"):
        restrained_coefficients([[1, -1, 0], [1, -1, 0]], [1, 0, 0])


def test_known_covariances_weigh_as_generalised_least_squares_does():
    """Two readings of one value with correlation: the closed form of the BLUE (from memory)."""
    u1, u2, r = 1.0, 3.0, 0.4
    covariance = np.array([[u1**2, r * u1 * u2], [r * u1 * u2, u2**2]])
    found = least_squares([[1.0], [1.0]], [10.0, 14.0], covariance=covariance)
    weight = (u2**2 - r * u1 * u2) / (u1**2 + u2**2 - 2 * r * u1 * u2)
    assert found.values[0] == pytest.approx(weight * 10.0 + (1 - weight) * 14.0)
    spread = np.sqrt(u1**2 * u2**2 * (1 - r**2) / (u1**2 + u2**2 - 2 * r * u1 * u2))
    assert found.uncertainties[0] == pytest.approx(spread)


def test_a_singular_design_is_refused_and_not_solved():
    with pytest.raises(ValueError, match="does not determine"):
        least_squares([[1.0, 2.0], [2.0, 4.0], [3.0, 6.0]], [1.0, 2.0, 3.0])
    with pytest.raises(ValueError, match="does not determine"):
        least_squares([[1.0, 2.0]], [1.0])


def test_columns_may_differ_by_many_powers_of_ten():
    rng = np.random.default_rng(1)
    design = rng.normal(size=(6, 2)) * [1e9, 1e-9]
    values = np.array([2e-9, 3e9])
    found = least_squares(design, design @ values)
    assert found.values == pytest.approx(values, rel=1e-9)


def test_the_residual_test_is_the_chi_square_distribution():
    assert chi_square_exceeded(9.5, 4) == pytest.approx(stats.chi2.sf(9.5, 4))
    assert chi_square_exceeded(0.0, 0) == 1.0
