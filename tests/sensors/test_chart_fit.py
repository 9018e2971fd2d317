"""Fitted charts: covariance against scipy and Monte Carlo, strangers named, turns refused."""

from __future__ import annotations

import math
import warnings

import numpy as np
import pytest
from scipy.optimize import curve_fit

from controller.errors import InputError
from controller.sensors.chart_fit import fit_chart, unsupported_spans
from controller.sensors.coordinates import NTC
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


def scipy_fit(points, free_degree, sigma, *, absolute):
    """Fit the same model with scipy: 1/T as polynomial of ln R; return predict(R) -> T, u(T).

    The normal prior of each bend is one more observation of it, zero, with its own sigma.
    """
    celsius, ohms = np.array(points).T
    ln, inverse = np.log(ohms), 1e3 / (celsius + 273.15)
    centre, scale, linear = ln.mean(), np.ptp(ln) / 2, np.ptp(inverse) / 2
    bends = [linear * bend * scale**power for power, bend in enumerate(NTC.bends, start=1)]
    kept = range(free_degree + 1, len(bends) + 2)
    rows = np.vander((ln - centre) / scale, len(bends) + 2, increasing=True)
    rows = np.vstack([rows, [np.eye(len(bends) + 2)[power] for power in kept]])
    best, covariance = curve_fit(
        lambda x, *c: x @ np.array(c),
        rows,
        np.concatenate([inverse, np.zeros(len(kept))]),
        p0=[3.0, 0.5, *[0.0] * len(bends)],
        sigma=np.concatenate(
            [1e3 * sigma / (celsius + 273.15) ** 2, [bends[power - 2] for power in kept]]
        ),
        absolute_sigma=absolute,
        jac=lambda x, *_: x,
    )

    def predict(r):
        basis = np.vander((np.log(r) - centre) / scale, len(best), increasing=True)
        kelvin = 1e3 / (basis @ best)
        u = np.sqrt(np.einsum("ij,jk,ik->i", basis, covariance, basis)) * kelvin**2 / 1e3
        return kelvin - 273.15, u

    return predict


NO_AXES = {"common_uncertainty_celsius": 0.0}


@pytest.mark.parametrize(("count", "degree"), [(3, None), (6, None), (6, 2), (10, None), (10, 3)])
def test_stated_axis_uncertainty_agrees_with_scipy(coolant, count, degree):
    """scipy.optimize.curve_fit with absolute sigma; the chart scatters less than stated."""
    points = chart(coolant, np.linspace(-20, 120, count), scatter=0.002, seed=count)
    curve = fit_chart(points, reading_uncertainty_celsius=0.5, degree=degree, **NO_AXES)
    predict = scipy_fit(points, degree or 1, np.full(count, 0.5), absolute=True)
    ohms = np.linspace(*sorted(curve.ends_ohms), 50)
    celsius, u = predict(ohms)
    np.testing.assert_allclose(curve.celsius(ohms), celsius, atol=1e-5)
    np.testing.assert_allclose(curve.uncertainty_celsius(curve.celsius(ohms)), u, rtol=1e-4)


def test_scatter_beyond_the_stated_uncertainty_raises_it(coolant):
    """Then it is scipy's with the scale taken from the scatter."""
    points = chart(coolant, np.linspace(-20, 120, 10), scatter=0.02, seed=2)
    curve = fit_chart(points, reading_uncertainty_celsius=0.45, **NO_AXES)
    assert not curve.left_out
    assert curve.scatter > 1.0
    predict = scipy_fit(points, 1, np.full(10, 0.45), absolute=False)
    ohms = np.linspace(*sorted(curve.ends_ohms), 50)
    _, u = predict(ohms)
    np.testing.assert_allclose(curve.uncertainty_celsius(curve.celsius(ohms)), u, rtol=1e-4)


def test_an_unstated_uncertainty_is_the_scatter_times_student_t(coolant):
    """JCGM 100:2008 table G.2: for 6 degrees of freedom and p = 95.45 %, t = 2.52.

    The scatter is that about numpy's cubic through all points, 10 - 4 degrees of freedom.
    """
    points = chart(coolant, np.linspace(-20, 120, 10), scatter=0.01, seed=4)
    celsius, ohms = np.array(points).T
    inverse = 1 / (celsius + 273.15)
    cubic = np.polynomial.Polynomial.fit(np.log(ohms), inverse, 3, w=1 / inverse**2)
    residual = (inverse - cubic(np.log(ohms))) / inverse**2
    scatter = np.sqrt(np.sum(residual**2) / 6)
    curve = fit_chart(points, **NO_AXES)
    assert curve.degrees_of_freedom == 6
    assert curve.scatter == pytest.approx(scatter, rel=1e-3)
    predict = scipy_fit(points, 1, np.full(10, scatter * 2.52 / 2), absolute=True)
    grid = np.linspace(*sorted(curve.ends_ohms), 50)
    celsius, u = predict(grid)
    np.testing.assert_allclose(curve.celsius(grid), celsius, atol=1e-3)
    ratio = curve.uncertainty_celsius(curve.celsius(grid)) / u
    np.testing.assert_allclose(ratio, 1.0, rtol=3e-3)


@pytest.mark.parametrize("stated", [{"reading_uncertainty_percent": 0.3}, {}])
def test_a_sensor_bent_more_than_others_is_fitted_by_its_points_alone(coolant, stated):
    """A thermistor with a fixed resistor of 2 kohm beside it."""
    celsius = np.linspace(20, 120, 11)
    ohms = 1 / (1 / coolant.ohms(celsius) + 1 / 2000.0)
    curve = fit_chart(list(zip(celsius, ohms, strict=True)), **stated)
    assert not curve.left_out
    between = np.linspace(25, 115, 91)
    error = curve.celsius(1 / (1 / coolant.ohms(between) + 1 / 2000.0)) - between
    assert (np.abs(error) <= 2 * curve.uncertainty_celsius(between)).mean() > 0.85
    assert np.abs(error).max() < 0.75


def test_axis_errors_move_all_temperatures_together(coolant):
    """JCGM 101: 600 charts, the axes off by 2 % and 0.7 degC; 1/sqrt(2 * 600) is 2.9 %."""
    celsius, at = np.linspace(-20, 120, 8), np.array([0.0, 50.0, 100.0])
    options = {"reading_uncertainty_percent": 0.1, "reading_uncertainty_celsius": 0.05}
    common = {"common_uncertainty_percent": 2.0, "common_uncertainty_celsius": 0.7}
    rng = np.random.default_rng(7)
    found = []
    for _ in range(600):
        percent, shift = rng.standard_normal(2) * (0.02, 0.7)
        ohms = coolant.ohms(celsius + shift) * (1 + percent)
        points = list(zip(celsius, ohms, strict=True))
        found.append(fit_chart(points, **options).celsius(coolant.ohms(at)))
    stated = fit_chart(chart(coolant, celsius), **options, **common).covariance_celsius2(at)
    np.testing.assert_allclose(np.cov(np.array(found).T), stated, rtol=0.15)
    correlation = stated / np.sqrt(np.outer(np.diag(stated), np.diag(stated)))
    assert correlation.min() > 0.9


def test_axes_default_to_what_is_stated_of_the_points(coolant):
    """Nothing says which share of an uncertainty is common: u^2 = u_fit^2 + (p R/R')^2 + u_t^2."""
    points = chart(coolant, np.linspace(-20, 120, 8))
    reading = {"reading_uncertainty_percent": 2.0, "reading_uncertainty_celsius": 0.5}
    without = fit_chart(points, **reading, common_uncertainty_percent=0.0)
    curve = fit_chart(points, **reading)
    grid = np.linspace(-20, 120, 29)
    axes = (0.02 * curve.ohms(grid) / curve.slope_ohms_per_kelvin(grid)) ** 2 + 0.25
    np.testing.assert_allclose(
        curve.uncertainty_celsius(grid) ** 2, without.uncertainty_celsius(grid) ** 2 + axes
    )


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
    """The criterion promises 3 %: of 300 charts 9 expected, 3 sigma is 9 more."""
    celsius = np.linspace(-20, 120, 10)
    named = sum(
        bool(
            fit_chart(
                chart(coolant, celsius, scatter=0.01, seed=seed), reading_uncertainty_percent=1.0
            ).left_out
        )
        for seed in range(300)
    )
    assert named <= 18


def test_two_sigma_covers_the_truth(coolant, many):
    """Coverage of k = 2 at 50 degC over many charts without stated uncertainty: about 95 %.

    The axes are exact here, and said to be.
    """
    true = float(coolant.ohms(50.0))
    inside, charts = 0, many(150, 300, soak=300)
    for seed in range(charts):
        points = chart(coolant, np.linspace(-20, 120, 9), scatter=0.02, seed=seed)
        curve = fit_chart(points, common_uncertainty_celsius=0.0)
        inside += abs(float(curve.celsius(true)) - 50.0) <= 2 * float(
            curve.uncertainty_celsius(50.0)
        )
    four_sigma = 4 * math.sqrt(charts * 0.95 * 0.05)
    assert 0.95 * charts - four_sigma <= inside <= charts - charts // 75


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
        common_uncertainty_percent=0.0,
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


def published(reference, name, column, scale=1.0):
    return [
        (float(row["t_degC"]), scale * float(row[column])) for row in reference(name) if row[column]
    ]


@pytest.mark.parametrize("every", [1, 2, 4, 7])
@pytest.mark.parametrize(
    ("name", "column", "scale"),
    [
        ("ntc_type1_ratio", "ratio_eq", 2800.0),
        ("ntc_10k3_steinhart_neg40_to_1", "r_published_ohm", 1.0),
        ("kty81_1_ptc", "r_published_ohm", 1.0),
        ("pt100_iec60751", "r_published_ohm", 1.0),
    ],
)
def test_no_exact_published_point_is_called_misread(reference, every, name, column, scale):
    """The tables of tests/reference, taken as charts known to 0.1 % and 0.02 K."""
    points = published(reference, name, column, scale)[::every]
    curve = fit_chart(points, reading_uncertainty_percent=0.1, reading_uncertainty_celsius=0.02)
    assert not curve.left_out
    assert not curve.suspects


def test_one_slip_in_a_published_table_is_the_one_that_is_named(reference):
    """Every point of the Type 1 ratio table in turn, 20 % too high: none but it is named."""
    points = published(reference, "ntc_type1_ratio", "ratio_eq", 2800.0)[::3]
    stated = {"reading_uncertainty_percent": 0.1, "reading_uncertainty_celsius": 0.02}
    for index, (celsius, ohms) in enumerate(points):
        wrong = [*points[:index], (celsius, 1.2 * ohms), *points[index + 1 :]]
        assert [point.celsius for point in fit_chart(wrong, **stated).left_out] == [celsius]


def test_where_two_points_may_be_the_bad_one_both_are_named_and_kept(coolant, sensor_file):
    """Of three points, any two make a straight line: the bad one cannot be told."""
    points = chart(coolant, [0, 30, 60])
    points[1] = (30.0, 1.3 * points[1][1])
    curve = fit_chart(points, reading_uncertainty_percent=1.0)
    assert not curve.left_out
    assert points[1] in curve.suspects
    assert len(curve.suspects) > 1
    rows = ", ".join(f"[{t}, {r}]" for t, r in points)
    sensor = load_sensor(
        sensor_file(f'kind = "chart-fit"\npoints = [{rows}]\nreading_uncertainty_percent = 1.0\n')
    )
    (sentence,) = [one for one in sensor.warnings if "cannot be told" in one]
    assert "30 degC or" in sentence or "or 30 degC" in sentence


def test_a_fit_that_turns_says_which_point_to_read_again(demo):
    silicon = demo("tern-gearbox-silicon").curve
    points = chart(silicon, np.linspace(-40, 140, 8))
    points[6] = (points[6][0], 1.5 * points[6][1])
    points[5] = (points[5][0], 0.8 * points[5][1])
    with pytest.raises(InputError, match="turns") as caught:
        fit_chart(points, reading_uncertainty_percent=20.0)
    assert f"the point at {points[6][0]:g} degC" in (caught.value.problems[0].hint or "")


def test_an_unstated_chart_says_what_was_taken_instead(sensor_file):
    path = sensor_file(
        'kind = "chart-fit"\npoints = [[0, 6060], [20, 2500], [50, 900], [80, 320], [100, 187]]\n'
    )
    sensor = load_sensor(path)
    assert "states no reading uncertainty" in "\n".join(sensor.warnings)
    grid = np.linspace(0, 100, 41)
    # The axes as well as the points: more than the scatter alone, everywhere.
    assert (sensor.curve.uncertainty_celsius(grid) > sensor.curve.scatter).all()


def test_exact_points_are_not_known_without_limit(coolant):
    """A chart that says nothing of itself holds as well as published tables do, 0.02 degC."""
    curve = fit_chart(chart(coolant, np.linspace(-20, 120, 12)))
    assert (2 * curve.uncertainty_celsius(np.linspace(-20, 120, 57)) >= 0.02).all()
