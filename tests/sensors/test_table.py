"""Tables: through every point, straight where the sensor is straight, uncertainty carried over."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.interpolate import PchipInterpolator

from controller.errors import InputError
from controller.sensors.files import load_sensor
from controller.sensors.table import TableCurve
from controller.sensors.thermistor import BetaCurve

RISING = ((0.0, 100.0), (10.0, 104.0), (40.0, 130.0), (50.0, 131.0), (90.0, 200.0))


def table(points, **options):
    return TableCurve(
        points=points, lowest_celsius=points[0][0], highest_celsius=points[-1][0], **options
    )


def test_passes_through_every_point(demo):
    curve = demo("tern-fuel-table").curve
    for celsius, ohms in curve.points:
        assert float(curve.ohms(celsius)) == pytest.approx(ohms, rel=1e-14)
        assert float(curve.celsius(ohms)) == pytest.approx(celsius, abs=1e-12)


def test_two_points_of_a_thermistor_make_a_beta_curve():
    """ln R is straight in 1/T between two points: the B-value definition (IEC 60539-1)."""
    beta = BetaCurve(
        reference_ohms=2000.0,
        reference_celsius=25.0,
        beta_kelvin=3435.0,
        lowest_celsius=0.0,
        highest_celsius=100.0,
    )
    curve = table(((0.0, float(beta.ohms(0.0))), (100.0, float(beta.ohms(100.0)))))
    grid = np.linspace(0.0, 100.0, 41)
    np.testing.assert_allclose(curve.ohms(grid), beta.ohms(grid), rtol=1e-12)
    assert not curve.rising


def test_rising_tables_are_scipys_pchip():
    curve = table(RISING)
    celsius, ohms = np.array(RISING).T
    grid = np.linspace(0.0, 90.0, 181)
    np.testing.assert_allclose(curve.ohms(grid), PchipInterpolator(celsius, ohms)(grid), rtol=1e-12)
    assert curve.rising


def test_a_flat_start_still_has_an_inverse():
    """PCHIP's end formula gives slope zero here; the curve must not stand still."""
    points = ((0.0, 100.0), (10.0, 101.0), (20.0, 150.0))
    celsius, ohms = np.array(points).T
    assert float(PchipInterpolator(celsius, ohms).derivative()(0.0)) == pytest.approx(0.0, abs=1e-9)
    curve = table(points)
    assert float(curve.slope_ohms_per_kelvin(0.0)) > 0.0
    near = np.linspace(0.0, 1e-3, 11)
    np.testing.assert_allclose(curve.celsius(curve.ohms(near)), near, atol=1e-9)


def test_uncertainty_of_the_points_in_degc():
    """u(T) = sqrt((p R / (dR/dT))^2 + u_axis^2): JCGM 100:2008, 5.1.2, at the points."""
    curve = table(RISING, reading_uncertainty_percent=0.5, reading_uncertainty_celsius=0.3)
    at = np.array(RISING)[:, 0]
    by_hand = np.sqrt((0.005 * curve.ohms(at) / curve.slope_ohms_per_kelvin(at)) ** 2 + 0.09)
    np.testing.assert_allclose(curve.uncertainty_celsius(at), by_hand, rtol=1e-9)
    np.testing.assert_allclose(table(RISING).uncertainty_celsius(at), 0.0, atol=1e-9)
    common = table(RISING, common_uncertainty_percent=0.5, common_uncertainty_celsius=0.3)
    np.testing.assert_allclose(common.uncertainty_celsius(at), by_hand, rtol=1e-9)
    # What is common to all points does not average out: two errors, shared everywhere.
    shared = common.covariance_celsius2(at) / np.outer(by_hand, by_hand)
    assert shared.min() > 0.75


def test_between_the_points_it_knows_that_it_does_not_know():
    curve = table(RISING)
    middles = np.array([5.0, 25.0, 45.0, 70.0])
    assert (curve.uncertainty_celsius(middles) > 0.1).all()


@pytest.mark.parametrize("spacing", [1, 2, 3, 4, 6])
@pytest.mark.parametrize(
    ("name", "column"),
    [
        ("ntc_type1_ratio", "ratio_eq"),
        ("ntc_10k3_steinhart_neg40_to_1", "r_published_ohm"),
        ("pt100_iec60751", "r_ohm"),
    ],
)
def test_u_holds_the_rows_that_were_left_out_of_a_published_table(reference, name, column, spacing):
    """The tables of tests/reference, every so many rows: all others lie within U (k = 2)."""
    rows = [(float(row["t_degC"]), float(row[column])) for row in reference(name)]
    curve = table(tuple(rows[:: 2 * spacing]))
    others = np.array([row for row in rows if row[0] <= curve.highest_celsius])
    error = np.abs(curve.celsius(others[:, 1]) - others[:, 0])
    # The last printed figure: 5e-6 of the Type 1 ratio, 5e-7 ohm, 0.05 of 31 kohm.
    assert (error <= 2 * curve.uncertainty_celsius(others[:, 0]) + 0.001).all()


@pytest.mark.parametrize("count", [4, 5, 6, 8])
def test_u_holds_a_sensor_that_changes_its_equation(demo, count):
    """A silicon PTC gains a term at 100 degC, between the last two points: 1 degC off with five.

    Nineteen in twenty temperatures is what U (k = 2) says; a tenth may be missed here, by little.
    """
    silicon = demo("tern-gearbox-silicon").curve
    at = np.linspace(-40.0, 140.0, count)
    curve = table(tuple(zip(at.tolist(), silicon.ohms(at).tolist(), strict=True)))
    grid = np.linspace(-40.0, 140.0, 361)
    error = np.abs(curve.celsius(np.clip(silicon.ohms(grid), *curve.ends_ohms)) - grid)
    expanded = 2 * curve.uncertainty_celsius(grid) + 1e-9
    assert (error <= expanded).mean() >= 0.88
    assert (error <= expanded + 0.2).all()


def test_an_unstated_table_is_rounded_to_the_figures_it_is_written_with(sensor_file):
    """Three figures: half a unit of the last one is a limit, u = unit/sqrt(12); and 0.01 degC."""
    text = 'kind = "table"\npoints = [[0, 5740], [20, 2460], [40, 1150], [60, 585], [80, 316]]\n'
    curve = load_sensor(sensor_file(text)).curve
    for celsius, unit in ((0.0, 10.0), (40.0, 10.0), (60.0, 1.0), (80.0, 1.0)):
        slope = float(curve.slope_ohms_per_kelvin(celsius))
        expected = np.hypot(unit / np.sqrt(12) / slope, 0.01)
        assert float(curve.uncertainty_celsius(celsius)) == pytest.approx(expected, rel=1e-6)
    assert (curve.uncertainty_celsius(np.linspace(0, 80, 81)) >= 0.01).all()


@pytest.mark.parametrize(
    ("points", "message"),
    [
        (((20.0, 2500.0),), "at least 2"),
        (((20.0, 2500.0), (20.0, 2400.0)), "sorted"),
        (((80.0, 320.0), (20.0, 2500.0)), "sorted"),
        (((20.0, 2500.0), (40.0, 2600.0), (80.0, 320.0)), "rise or fall"),
        (((20.0, 2500.0), (80.0, 0.0)), "above zero"),
    ],
)
def test_points_that_make_no_curve_are_refused(points, message):
    with pytest.raises(InputError, match=message):
        TableCurve(points=points, lowest_celsius=20.0, highest_celsius=80.0)


def test_is_not_continued_beyond_its_points():
    for low, high in ((-10.0, 90.0), (0.0, 100.0)):
        with pytest.raises(InputError, match=r"table (begins|ends)"):
            TableCurve(points=RISING, lowest_celsius=low, highest_celsius=high)
