"""Tables: through every point, straight where the sensor is straight, uncertainty carried over."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.interpolate import PchipInterpolator

from controller.errors import InputError
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
    """u(T) = sqrt((p R / (dR/dT))^2 + u_axis^2): JCGM 100:2008, 5.1.2."""
    curve = table(RISING, reading_uncertainty_percent=0.5, reading_uncertainty_celsius=0.3)
    grid = np.linspace(0.0, 90.0, 19)
    by_hand = np.sqrt((0.005 * curve.ohms(grid) / curve.slope_ohms_per_kelvin(grid)) ** 2 + 0.09)
    np.testing.assert_allclose(curve.uncertainty_celsius(grid), by_hand, rtol=1e-12)
    assert not table(RISING).uncertainty_celsius(grid).any()


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
