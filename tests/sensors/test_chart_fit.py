"""Fitted charts: covariance against scipy and Monte Carlo, strangers named, turns refused."""

from __future__ import annotations

import warnings

import numpy as np
import pytest
from scipy.optimize import curve_fit

from controller.errors import InputError
from controller.sensors.chart_fit import fit_chart, unsupported_spans
from controller.sensors.files import load_sensor
from controller.sensors.thermistor import BetaCurve


@pytest.fixture(scope="module")
def coolant(demo):
    return demo("tern-coolant").curve


def chart(curve, celsius, scatter=0.0, seed=0):
    rng = np.random.default_rng(seed)
    celsius = np.asarray(celsius, dtype=float)
    ohms = curve.ohms(celsius) * np.exp(scatter * rng.standard_normal(celsius.shape))
    return list(zip(celsius.tolist(), ohms.tolist(), strict=True))


def scipy_fit(points, degree, sigma, *, absolute):
    """Fit the same model with scipy: 1/T as polynomial of ln R; return predict(R) -> T, u(T)."""
    celsius, ohms = np.array(points).T

    def model(ln, *c):
        return np.polynomial.polynomial.polyval((ln - 6.5) / 2.0, c)

    best, covariance = curve_fit(
        model,
        np.log(ohms),
        1e3 / (celsius + 273.15),
        p0=[3.0, 0.5, *[0.0] * (degree - 1)],
        sigma=1e3 * sigma / (celsius + 273.15) ** 2,
        absolute_sigma=absolute,
    )

    def predict(r):
        x = (np.log(r) - 6.5) / 2.0
        basis = np.polynomial.polynomial.polyvander(x, degree)
        kelvin = 1e3 / (basis @ best)
        u = np.sqrt(np.einsum("ij,jk,ik->i", basis, covariance, basis)) * kelvin**2 / 1e3
        return kelvin - 273.15, u

    return predict


@pytest.mark.parametrize(("count", "degree"), [(3, 1), (6, 2), (10, 3)])
def test_stated_axis_uncertainty_agrees_with_scipy(coolant, count, degree):
    """scipy.optimize.curve_fit with absolute sigma; the chart scatters less than stated."""
    points = chart(coolant, np.linspace(-20, 120, count), scatter=0.002, seed=count)
    stated = 2.5 if degree == 1 else 0.5  # a single Beta over this span misses by two degrees
    curve = fit_chart(points, reading_uncertainty_celsius=stated)
    predict = scipy_fit(points, degree, np.full(count, stated), absolute=True)
    ohms = np.linspace(*sorted(curve.ends_ohms), 50)
    celsius, u = predict(ohms)
    np.testing.assert_allclose(curve.celsius(ohms), celsius, atol=1e-6)
    np.testing.assert_allclose(curve.uncertainty_celsius(curve.celsius(ohms)), u, rtol=1e-4)


def test_scatter_beyond_the_stated_uncertainty_raises_it(coolant):
    """Then it is scipy's with the scale taken from the scatter."""
    points = chart(coolant, np.linspace(-20, 120, 10), scatter=0.02, seed=2)
    curve = fit_chart(points, reading_uncertainty_celsius=0.45)
    assert not curve.left_out
    assert curve.scatter > 1.0
    predict = scipy_fit(points, 3, np.full(10, 0.45), absolute=False)
    ohms = np.linspace(*sorted(curve.ends_ohms), 50)
    _, u = predict(ohms)
    np.testing.assert_allclose(curve.uncertainty_celsius(curve.celsius(ohms)), u, rtol=1e-4)


def test_unstated_uncertainty_is_scipys_times_student_t(coolant):
    """JCGM 100:2008 table G.2: for 6 degrees of freedom and p = 95.45 %, t = 2.52."""
    points = chart(coolant, np.linspace(-20, 120, 10), scatter=0.01, seed=4)
    curve = fit_chart(points)
    assert curve.degrees_of_freedom == 6
    predict = scipy_fit(points, 3, np.ones(10), absolute=False)
    ohms = np.linspace(*sorted(curve.ends_ohms), 50)
    celsius, u = predict(ohms)
    np.testing.assert_allclose(curve.celsius(ohms), celsius, atol=1e-6)
    ratio = curve.uncertainty_celsius(curve.celsius(ohms)) / u
    np.testing.assert_allclose(ratio, 2.52 / 2.0, rtol=2e-3)


def test_relative_uncertainty_agrees_with_monte_carlo(coolant, many):
    """JCGM 101: many charts with 2 % reading uncertainty; 1/sqrt(2 * 500) is 3.2 %."""
    count = many(500, 2000)
    celsius = np.linspace(-20, 120, 8)
    at = np.array([-20.0, 5.0, 50.0, 90.0, 120.0])
    true_ohms = coolant.ohms(at)
    stated = fit_chart(chart(coolant, celsius), reading_uncertainty_percent=2.0)
    found = []
    for seed in range(count):
        curve = fit_chart(
            chart(coolant, celsius, scatter=0.02, seed=seed),
            reading_uncertainty_percent=2.0,
            lowest_celsius=-25.0,
            highest_celsius=125.0,
        )
        if not curve.left_out:
            found.append(curve.celsius(true_ohms))
    assert len(found) > 0.95 * count
    np.testing.assert_allclose(np.std(found, axis=0), stated.uncertainty_celsius(at), rtol=0.08)


@pytest.mark.parametrize("wrong", [1, 4, 6])
def test_a_misread_point_is_named_and_left_out(coolant, wrong):
    points = chart(coolant, np.linspace(-20, 120, 8), scatter=0.005, seed=5)
    celsius, ohms = points[wrong]
    points[wrong] = (celsius, ohms * 1.3)
    curve = fit_chart(points, reading_uncertainty_percent=1.0)
    (named,) = curve.left_out
    assert (named.celsius, named.ohms) == points[wrong]
    # 30 % too much resistance reads as that much colder, so the point lies above the curve.
    expected = celsius - float(coolant.celsius(ohms * 1.3))
    assert named.deviation_celsius == pytest.approx(expected, abs=1.5)


def test_honest_charts_seldom_have_a_point_named(coolant):
    """The criterion promises 5 %: of 300 charts 15 expected, 3 sigma is 11 more."""
    celsius = np.linspace(-20, 120, 10)
    named = sum(
        bool(
            fit_chart(
                chart(coolant, celsius, scatter=0.01, seed=seed), reading_uncertainty_percent=1.0
            ).left_out
        )
        for seed in range(300)
    )
    assert named <= 26


def test_two_sigma_covers_the_truth(coolant):
    """Coverage of k = 2 at 50 degC over 300 charts without stated uncertainty: about 95 %."""
    true = float(coolant.ohms(50.0))
    inside = 0
    for seed in range(300):
        points = chart(coolant, np.linspace(-20, 120, 9), scatter=0.02, seed=seed)
        curve = fit_chart(points)
        inside += abs(float(curve.celsius(true)) - 50.0) <= 2 * float(
            curve.uncertainty_celsius(50.0)
        )
    assert 270 <= inside <= 298


def test_exact_points_of_a_beta_give_the_beta_back():
    beta = BetaCurve(
        reference_ohms=2000.0,
        reference_celsius=25.0,
        beta_kelvin=3435.0,
        lowest_celsius=-20.0,
        highest_celsius=120.0,
    )
    curve = fit_chart(chart(beta, np.linspace(-20, 120, 9)), reading_uncertainty_percent=1.0)
    grid = np.linspace(-20, 120, 57)
    np.testing.assert_allclose(curve.ohms(grid), beta.ohms(grid), rtol=1e-9)


def test_a_rising_chart_is_fitted_in_degc_and_ohm(demo):
    silicon = demo("tern-gearbox-silicon").curve
    curve = fit_chart(chart(silicon, np.linspace(-40, 100, 8)), reading_uncertainty_percent=0.5)
    assert curve.rising
    grid = np.linspace(-35, 95, 14)  # at the very ends the fit may miss by a little
    np.testing.assert_allclose(curve.celsius(silicon.ohms(grid)), grid, atol=0.3)


def test_uncertainty_grows_beyond_the_chart(coolant):
    curve = fit_chart(
        chart(coolant, [0, 20, 40, 60, 80, 100]),
        reading_uncertainty_percent=2.0,
        lowest_celsius=-30.0,
        highest_celsius=130.0,
    )
    beyond, end, middle = curve.uncertainty_celsius([130.0, 100.0, 50.0])
    assert beyond > 2 * end > 2 * middle


def test_a_fit_that_turns_is_refused():
    points = [(0, 6000), (20, 2500), (40, 2490), (60, 2480), (80, 320), (100, 310)]
    with pytest.raises(InputError, match="turns"):
        fit_chart(points, reading_uncertainty_percent=1.0, degree=3)


@pytest.mark.parametrize(
    ("points", "options"),
    [
        ([(20, 2500), (80, 320)], {}),
        ([(20, 2500), (20, 2510), (80, 320)], {}),
        ([(20, 2500), (50, 900), (80, 320)], {"degree": 2}),
        ([(20, 2500), (40, 1180), (60, 595), (80, 320)], {"degree": 3}),
    ],
)
def test_too_few_points_are_refused(points, options):
    with pytest.raises(InputError, match="needs at least"):
        fit_chart(points, **options)


def test_where_a_tolerance_cannot_be_supported(coolant):
    """U = k u, worked backwards: where U is beyond the tolerance, and nowhere else."""
    curve = fit_chart(chart(coolant, np.linspace(-20, 120, 8)), reading_uncertainty_percent=2.0)
    grid = np.linspace(-20, 120, 281)
    expanded = 2.0 * curve.uncertainty_celsius(grid)
    tolerance = float(np.median(expanded))
    spans = unsupported_spans(curve, tolerance)
    inside = np.zeros(grid.shape, dtype=bool)
    for low, high in spans:
        inside |= (grid >= low) & (grid <= high)
    np.testing.assert_array_equal(inside, expanded > tolerance)
    assert unsupported_spans(curve, float(expanded.max()) * 1.01) == ()
    assert unsupported_spans(curve, float(expanded.min()) * 0.99) == ((-20.0, 120.0),)


def test_the_demo_chart_loads_without_naming_a_point(demo):
    sensor = demo("tern-coolant-chart")
    assert sensor.warnings == ()
    u = sensor.curve.uncertainty_celsius([0.0, 50.0, 100.0])
    assert ((u > 0.1) & (u < 1.0)).all()


def test_warnings_name_the_point_the_gap_and_the_tolerance(sensor_file):
    path = sensor_file(
        """kind = "chart-fit"
points = [[-20, 15400], [0, 5900], [20, 2500], [40, 1180], [60, 795], [80, 320], [100, 184],
  [120, 111]]
reading_uncertainty_percent = 2.0
highest_celsius = 130.0
tolerance_celsius = 1.0
"""
    )
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        sensor = load_sensor(path)
    text = "\n".join(sensor.warnings)
    assert "at 60 degC, 795.00 ohm, does not belong" in text
    assert "covers -20 to 120 degC only" in text
    assert "cannot support a tolerance of 1 degC at" in text
