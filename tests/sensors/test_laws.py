"""Laws every curve obeys, whatever its kind: round trips, monotony, slope, span, shape."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.errors import InputError, SpanError
from controller.sensors.chart_fit import fit_chart
from controller.sensors.extension import extended_celsius
from controller.sensors.polynomial import PolynomialCurve, platinum_curve, power_terms
from controller.sensors.table import TableCurve
from controller.sensors.thermistor import BetaCurve, RatioCurve, SteinhartHartCurve

low_ends = st.floats(-60.0, 20.0)
widths = st.floats(1.0, 150.0)


@st.composite
def betas(draw):
    low = draw(low_ends)
    return BetaCurve(
        reference_ohms=draw(st.floats(100.0, 1e5)),
        reference_celsius=draw(st.floats(0.0, 50.0)),
        beta_kelvin=draw(st.floats(2000.0, 5000.0)),
        lowest_celsius=low,
        highest_celsius=low + draw(widths),
    )


@st.composite
def steinhart_harts(draw):
    # c below zero as well: its branch of the cubic is another one.
    low = draw(low_ends)
    return SteinhartHartCurve(
        a=draw(st.floats(9e-4, 1.5e-3)),
        b=draw(st.floats(2e-4, 3e-4)),
        c=draw(st.one_of(st.just(0.0), st.floats(1e-12, 2e-7), st.floats(-3e-8, -1e-12))),
        lowest_celsius=low,
        highest_celsius=low + draw(widths),
    )


@st.composite
def ratios(draw):
    low = draw(st.floats(-40.0, 20.0))
    return RatioCurve(
        reference_ohms=draw(st.floats(100.0, 1e5)),
        a=-14.195756,
        b=4407.4785,
        c=-5165.8730,
        d=draw(st.floats(-2e7, -1e7)),
        lowest_celsius=low,
        highest_celsius=low + draw(st.floats(1.0, 115.0)),
    )


@st.composite
def platinums(draw):
    low = draw(st.floats(-200.0, 700.0))
    return platinum_curve(
        reference_ohms=draw(st.floats(10.0, 2000.0)),
        lowest_celsius=low,
        highest_celsius=low + draw(st.floats(1.0, 150.0)),
    )


@st.composite
def quadratics(draw):
    low = draw(low_ends)
    return PolynomialCurve(
        reference_ohms=draw(st.floats(10.0, 2000.0)),
        terms=power_terms((draw(st.floats(4e-3, 8e-3)), draw(st.floats(0.0, 1e-5)))),
        lowest_celsius=low,
        highest_celsius=low + draw(widths),
    )


@st.composite
def tables(draw):
    steps = draw(
        st.lists(st.tuples(st.floats(1.0, 30.0), st.floats(0.01, 1.0)), min_size=1, max_size=8)
    )
    celsius, ln = [draw(low_ends)], [draw(st.floats(3.0, 8.0))]
    sign = draw(st.sampled_from([-1.0, 1.0]))
    for dt, dln in steps:
        celsius.append(celsius[-1] + dt)
        ln.append(ln[-1] + sign * dln)
    return TableCurve(
        points=tuple(zip(celsius, np.exp(ln).tolist(), strict=True)),
        lowest_celsius=celsius[0],
        highest_celsius=celsius[-1],
    )


@st.composite
def charts(draw):
    true = draw(betas())
    grid = np.linspace(true.lowest_celsius, true.highest_celsius, draw(st.integers(3, 10)))
    scatter = draw(st.lists(st.floats(-0.01, 0.01), min_size=len(grid), max_size=len(grid)))
    points = list(
        zip(grid.tolist(), (true.ohms(grid) * (1 + np.array(scatter))).tolist(), strict=True)
    )
    try:
        return fit_chart(points, reading_uncertainty_percent=1.0)
    except InputError:  # a narrow chart whose scatter turns the fit is refused: rightly
        return true


curves = st.one_of(
    betas(), steinhart_harts(), ratios(), platinums(), quadratics(), tables(), charts()
)
shares = st.lists(st.floats(0.0, 1.0), min_size=1, max_size=12)


def spread(curve, share):
    low, high = curve.lowest_celsius, curve.highest_celsius
    return np.clip(low + np.array(share) * (high - low), low, high)


@given(curves, shares)
def test_temperature_survives_the_round_trip(curve, share):
    celsius = spread(curve, share)
    ohms = curve.ohms(celsius)
    # What the last bits of the resistance are worth in degC.
    floor = 16 * np.finfo(float).eps * ohms / np.abs(curve.slope_ohms_per_kelvin(celsius))
    assert (np.abs(curve.celsius(ohms) - celsius) <= 1e-9 + floor).all()


@given(curves, shares)
def test_resistance_survives_the_round_trip(curve, share):
    least, most = sorted(curve.ends_ohms)
    ohms = np.clip(least + np.array(share) * (most - least), least, most)
    np.testing.assert_allclose(curve.ohms(curve.celsius(ohms)), ohms, rtol=1e-11)


@given(curves)
def test_strictly_monotone_in_the_stated_direction(curve):
    grid = np.linspace(curve.lowest_celsius, curve.highest_celsius, 400)
    steps = np.diff(curve.ohms(grid))
    assert (steps > 0).all() if curve.rising else (steps < 0).all()


@given(curves, shares)
def test_slope_is_the_numeric_derivative(curve, share):
    h = 1e-4
    centre = np.clip(spread(curve, share), curve.lowest_celsius + h, curve.highest_celsius - h)
    numeric = (curve.ohms(centre + h) - curve.ohms(centre - h)) / (2 * h)
    slope = curve.slope_ohms_per_kelvin(centre)
    # A cubic piece may change its curvature inside the difference: 1e-3 of the local slope,
    # and rounding of R itself over 2 h.
    rounding = 1e-15 * curve.ohms(centre) / h
    assert (np.abs(numeric - slope) <= 1e-3 * np.abs(slope) + 10 * rounding).all()


@given(curves, st.floats(0.001, 1000.0))
def test_refuses_outside_its_span_both_ways(curve, beyond):
    least, most = sorted(curve.ends_ohms)
    for celsius in (curve.lowest_celsius - beyond, curve.highest_celsius + beyond, np.nan):
        for method in (curve.ohms, curve.slope_ohms_per_kelvin, curve.uncertainty_celsius):
            with pytest.raises(SpanError):
                method(celsius)
    for ohms in (least * 0.999, most * 1.001, 0.0, -1.0, np.inf, np.nan):
        with pytest.raises(SpanError):
            curve.celsius(ohms)


@settings(max_examples=settings().max_examples // 2)
@given(curves, st.sampled_from([(), (1,), (3,), (2, 3), (2, 0), (1, 2, 2)]))
def test_any_shape_comes_back(curve, shape):
    celsius = np.full(shape, 0.5 * (curve.lowest_celsius + curve.highest_celsius))
    for result in (
        curve.ohms(celsius),
        curve.celsius(curve.ohms(celsius)),
        curve.slope_ohms_per_kelvin(celsius),
        curve.uncertainty_celsius(celsius),
        extended_celsius(curve)(curve.ohms(celsius)),
    ):
        assert isinstance(result, np.ndarray)
        assert result.shape == shape
        assert result.dtype == np.float64


@given(curves, shares)
def test_the_extension_is_the_curve_inside_and_monotone_and_bounded_everywhere(curve, share):
    extended = extended_celsius(curve)
    ohms = curve.ohms(spread(curve, share))
    # At the very end a resistance may be rounded to the last bit outside the span.
    np.testing.assert_allclose(extended(ohms), curve.celsius(ohms), rtol=0, atol=1e-12)
    sweep = np.concatenate(([0.0], np.geomspace(1e-6, 1e12, 500), [np.inf]))
    celsius = extended(sweep)
    assert np.isfinite(celsius).all()
    steps = np.diff(celsius)
    assert (steps >= 0).all() if curve.rising else (steps <= 0).all()
    outside = (celsius < curve.lowest_celsius) | (celsius > curve.highest_celsius)
    least, most = sorted(curve.ends_ohms)
    assert outside[(sweep < least * (1 - 1e-9)) | (sweep > most * (1 + 1e-9))].all()


@given(curves)
def test_the_extension_leaves_the_span_without_a_step(curve):
    extended = extended_celsius(curve)
    for ohms, celsius in zip(
        curve.ends_ohms, (curve.lowest_celsius, curve.highest_celsius), strict=True
    ):
        around = extended(ohms * np.array([1 - 1e-9, 1.0, 1 + 1e-9]))
        slope = abs(float(curve.slope_ohms_per_kelvin(celsius)))
        assert np.abs(around - celsius).max() <= 3e-9 * ohms / slope + 1e-9


@given(curves, shares)
def test_the_covariance_is_one_and_has_the_uncertainty_on_its_diagonal(curve, share):
    celsius = spread(curve, share)
    covariance = curve.covariance_celsius2(celsius)
    assert covariance.shape == (len(celsius), len(celsius))
    np.testing.assert_array_equal(covariance, covariance.T)
    size = float(np.trace(covariance))
    np.testing.assert_allclose(
        np.diag(covariance), curve.uncertainty_celsius(celsius) ** 2, rtol=1e-9, atol=1e-15
    )
    assert np.linalg.eigvalsh(covariance).min() >= -1e-9 * size


def test_the_span_error_says_value_unit_curve_and_span(demo):
    curve = demo("tern-coolant").curve
    with pytest.raises(SpanError, match=r"150 degC .* Tern coolant sensor, -40 to 135 degC"):
        curve.ohms([20.0, 150.0])
    with pytest.raises(SpanError, match=r"50\.000 ohm .* Tern coolant sensor, 73\.930 ohm to"):
        curve.celsius(50.0)
