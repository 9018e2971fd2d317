"""The diagnosis against simulated circuits, textbook intervals, and bad input."""

from __future__ import annotations

import dataclasses
import json
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from controller.diagnosis import InputCircuit, Readings, Reason, Reporting, diagnose, explain
from controller.diagnosis.fit import confidence_rise, fit, profile_intervals
from controller.diagnosis.hypotheses import hypotheses_for, response_of
from controller.diagnosis.likelihood import SLIP_PROBABILITY, likelihood_of
from controller.diagnosis.readings import cell_edges
from controller.errors import InputError
from controller.module.encoding import Rounding
from controller.sensors.curve import Sensor
from controller.sensors.thermistor import BetaCurve

CLEAR_COUNT = 14


def test_a_healthy_module_is_called_healthy(bench, many):
    outcome = bench.examine(bench.HEALTHY, runs=many(15, 60, soak=30), seed=11)
    assert outcome.right_share >= 0.95, outcome.called
    assert outcome.wrong_and_told <= outcome.runs / 20


@pytest.mark.parametrize("index", range(CLEAR_COUNT))
def test_a_clear_fault_is_found(bench, index, many):
    assert len(bench.CLEAR) == CLEAR_COUNT
    outcome = bench.examine(bench.CLEAR[index], runs=many(2, 6, soak=4), seed=20 + index)
    assert outcome.right >= outcome.runs - 1, outcome.called
    assert outcome.wrong_and_told == 0


def test_a_faint_fault_is_seldom_claimed_wrongly(bench, many):
    outcomes = [bench.examine(one, runs=many(4, 8), seed=40) for one in bench.FAINT]
    runs = sum(one.runs for one in outcomes)
    assert sum(one.wrong_and_told for one in outcomes) <= runs / 16
    # They are faint for a reason: a claim of certainty is not always possible.
    assert sum(one.right_and_told for one in outcomes) < runs


@pytest.mark.parametrize(("count", "noise_celsius"), [(3, 0.3), (5, 0.6), (8, 0.3)])
def test_few_readings_accuse_nobody_by_chance_and_still_find_a_clear_fault(
    bench, many, count, noise_celsius
):
    rng = np.random.default_rng(60 + count)
    corroded = bench.Injected(kind="series-resistance", label="", series_ohms=150.0)
    runs = many(5, 20, soak=10)
    for fault in (bench.HEALTHY, corroded):
        kinds = [
            diagnose(
                bench.simulate(
                    fault,
                    rng,
                    celsius=np.linspace(-25, 115, count),
                    noise_celsius=noise_celsius,
                ),
                bench.CURVE,
            ).best.kind
            for _ in range(runs)
        ]
        assert kinds.count(fault.kind) >= 0.9 * runs


@pytest.mark.parametrize("name", ["series_ohms", "leakage_ohms", "gain", "offset_celsius"])
def test_intervals_hold_the_truth_at_their_stated_rate(bench, name, many):
    runs = many(100, 500, soak=200)
    share = bench.coverage(bench.TRUTHS[name], runs=runs, seed=3, names=(name,))[name]
    low, high = bench.binomial_bounds(runs)
    assert low <= share <= high


def test_an_interval_without_rounding_is_the_textbook_one(bench):
    """Known noise, no rounding: mean +- 1.96 sigma / sqrt(n) (JCGM 100:2008, 4.2.3 and 6.2)."""
    rng = np.random.default_rng(4)
    sigma, offset = 0.25, 1.4
    ohms = bench.CURVE.ohms(np.linspace(-20, 110, 12))
    errors = offset + rng.normal(0, sigma, 12)
    readings = Readings(
        ohms=ohms,
        reported_celsius=bench.CURVE.celsius(ohms) + errors,
        reporting=Reporting(resolution_celsius=0.0),
    )
    likelihood = likelihood_of(readings, noise_celsius=sigma)
    hypothesis = next(
        h for h in hypotheses_for(ohms, response_of(bench.CURVE)) if h.kind == "curve-offset"
    )
    (interval,) = profile_intervals(fit(hypothesis, ohms, likelihood), ohms, likelihood)
    half = 1.959964 * sigma / math.sqrt(12)
    assert interval.value == pytest.approx(errors.mean(), abs=0.002)
    assert interval.low == pytest.approx(errors.mean() - half, abs=0.003)
    assert interval.high == pytest.approx(errors.mean() + half, abs=0.003)


def test_the_rise_at_an_interval_end_is_chi_square_or_student():
    known = confidence_rise(count=10, free=1, noise_known=True)
    assert known == pytest.approx(stats.chi2.ppf(0.95, 1))
    unknown = confidence_rise(count=10, free=1, noise_known=False)
    assert unknown == pytest.approx(stats.t.ppf(0.975, 9) ** 2)


def test_the_probability_of_a_report_is_that_of_its_rounding_cell(bench):
    readings = Readings(ohms=np.array([1000.0]), reported_celsius=np.array([40.0]))
    likelihood = likelihood_of(readings, noise_celsius=0.4)
    cell = stats.norm(40.3, 0.4).cdf(40.5) - stats.norm(40.3, 0.4).cdf(39.5)
    expected = (1 - SLIP_PROBABILITY) * cell + SLIP_PROBABILITY / 300
    deviance = likelihood.deviance(np.array([[40.3]]))[0]
    assert deviance == pytest.approx(-2 * math.log(expected))


def test_cells_follow_the_rounding_and_reach_to_infinity_at_the_limits():
    nearest = Reporting(lowest_celsius=-40.0, highest_celsius=120.0)
    low, high = cell_edges([-40.0, 20.0, 120.0], nearest)
    assert low.tolist() == [-math.inf, 19.5, 119.5]
    assert high.tolist() == [-39.5, 20.5, math.inf]
    low, high = cell_edges([-3.0, 20.0], Reporting(rounding=Rounding.TRUNCATE))
    assert low.tolist() == [-3.0, 20.0]
    assert high.tolist() == [-2.0, 21.0]


def test_truncating_is_no_fault_when_it_is_known(bench):
    rng = np.random.default_rng(8)
    exact = bench.simulate(bench.HEALTHY, rng, resolution_celsius=0.0, noise_celsius=0.2)
    cut = np.floor(exact.reported_celsius)
    told = Readings(
        ohms=exact.ohms,
        reported_celsius=cut,
        reporting=Reporting(rounding=Rounding.TRUNCATE),
    )
    assert diagnose(told, bench.CURVE).best.kind == "healthy"
    untold = Readings(ohms=exact.ohms, reported_celsius=cut)
    found = diagnose(untold, bench.CURVE)
    assert found.best.kind != "healthy"
    offset = next(one for one in found.explanations if one.kind == "curve-offset")
    assert offset.kind in (found.best.kind, *found.rivals)
    assert offset.parameters[0].value == pytest.approx(-0.5, abs=0.2)


def test_reports_at_the_end_of_the_range_do_not_mislead(bench):
    """A module that stops at 99 degC says nothing wrong about what is hotter."""
    readings = bench.simulate(bench.HEALTHY, np.random.default_rng(3))
    clamped = Readings(
        ohms=readings.ohms,
        reported_celsius=np.minimum(readings.reported_celsius, 99.0),
        reporting=Reporting(highest_celsius=99.0),
    )
    assert diagnose(clamped, bench.CURVE).best.kind == "healthy"


def test_an_open_input_that_shows_a_temperature_speaks_for_a_leakage(bench):
    """Few and hot readings cannot show a leakage; the open input can."""
    fault = bench.Injected(kind="leakage-to-ground", label="", leakage_ohms=12e3)
    hot = bench.simulate(fault, np.random.default_rng(5), celsius=(60, 75, 90, 105, 120))
    reporting = Reporting(open_celsius=-40.0)
    seen_open = round(float(bench.CURVE.celsius(12e3)))
    readings = Readings(
        ohms=np.append(hot.ohms, math.inf),
        reported_celsius=np.append(hot.reported_celsius, seen_open),
        reporting=reporting,
    )
    with_open = diagnose(readings, bench.CURVE)
    assert with_open.best.kind == "leakage-to-ground"
    assert with_open.left_out == ()
    unknown = Readings(ohms=readings.ohms, reported_celsius=readings.reported_celsius)
    assert diagnose(unknown, bench.CURVE).left_out == (5,)


def test_a_slip_of_the_pen_is_named_and_does_not_choose_the_fault(bench):
    fault = bench.Injected(kind="series-resistance", label="", series_ohms=120.0)
    readings = bench.simulate(fault, np.random.default_rng(6))
    wrong = readings.reported_celsius.copy()
    wrong[4] += 40.0
    found = diagnose(Readings(ohms=readings.ohms, reported_celsius=wrong), bench.CURVE)
    assert found.best.kind == "series-resistance"
    assert found.best.parameters[0].value == pytest.approx(120, rel=0.1)
    assert found.slips == (4,)
    assert "reading 5" in explain(found).as_text()


def test_leakage_to_the_reference_is_a_gain(bench):
    """A resistor from the signal to the reference is in parallel with the pull-up: same circuit."""
    readings = bench.simulate(
        bench.Injected(kind="gain", label="", gain=1 + bench.PULLUP_OHMS / 11e3),
        np.random.default_rng(7),
    )
    best = diagnose(readings, bench.CURVE, circuit=bench.CIRCUIT).best
    assert best.kind == "gain"
    assert best.parameters[0].low < 1.2 < best.parameters[0].high


def test_what_cannot_be_told_apart_is_said_with_the_step_that_would_tell(bench):
    """Over thirty degrees a gain and an offset are nearly one and the same."""
    fault = bench.Injected(kind="gain", label="", gain=1.08)
    narrow = bench.simulate(fault, np.random.default_rng(8), celsius=range(0, 31, 5))
    found = diagnose(narrow, bench.CURVE)
    assert not found.distinguishable
    assert {"gain", "curve-offset"} <= {found.best.kind, *found.rivals}
    step = found.next_step
    assert step is not None
    assert step.target_celsius > 60 or step.target_celsius < -20
    text = explain(found).as_text()
    assert text.startswith("Cannot tell apart")
    assert "step would tell" in text
    wide = bench.simulate(fault, np.random.default_rng(8), celsius=range(-40, 145, 5))
    assert diagnose(wide, bench.CURVE).best.kind == "gain"
    assert diagnose(wide, bench.CURVE).distinguishable


def test_the_document_has_the_agreed_shape(bench):
    fault = bench.Injected(kind="series-resistance", label="", series_ohms=90.0)
    found = diagnose(bench.simulate(fault, np.random.default_rng(2)), bench.CURVE)
    document = json.loads(json.dumps(found.as_json(), allow_nan=False))
    assert document["best"]["kind"] == "series-resistance"
    assert set(document["best"]["parameters"]["series_ohms"]) == {"value", "low", "high"}
    assert document["distinguishable"] is True
    kinds = [one["kind"] for one in document["hypotheses"]]
    for kind in ("healthy", "series-resistance", "leakage-to-ground", "gain", "curve-offset"):
        assert kind in kinds
    scores = [one["score"] for one in document["hypotheses"]]
    assert scores == sorted(scores)


def test_healthy_says_how_large_a_fault_would_not_show(bench):
    found = diagnose(bench.simulate(bench.HEALTHY, np.random.default_rng(2)), bench.CURVE)
    document = json.loads(json.dumps(found.as_json(), allow_nan=False))
    leakage = next(h for h in document["hypotheses"] if h["kind"] == "leakage-to-ground")
    assert leakage["parameters"]["leakage_ohms"]["high"] is None
    assert leakage["parameters"]["leakage_ohms"]["low"] > 1e5
    assert any("series resistance of up to" in text for text in explain(found).not_ruled_out)


@pytest.mark.parametrize("rising", [False, True])
def test_a_rising_sensor_is_diagnosed_as_well(rising, bench):
    from controller.sensors.polynomial import platinum_curve

    curve = (
        platinum_curve(reference_ohms=1000.0, lowest_celsius=-60.0, highest_celsius=200.0)
        if rising
        else bench.CURVE
    )
    ohms = curve.ohms(np.linspace(-40, 150, 14))
    ends = np.sort(curve.ohms(np.array([curve.lowest_celsius, curve.highest_celsius])))
    seen = np.clip(ohms + 25.0, *ends)
    readings = Readings(ohms=ohms, reported_celsius=np.round(curve.celsius(seen)))
    best = diagnose(readings, curve).best
    assert best.kind == "series-resistance"
    assert best.parameters[0].low <= 25.0 <= best.parameters[0].high


def test_too_few_readings_are_undecided_with_what_is_missing(bench):
    two = Readings(ohms=np.array([500.0, 5000.0]), reported_celsius=np.array([70.0, 10.0]))
    found = diagnose(two, bench.CURVE)
    assert found.best is None
    assert not found.distinguishable
    assert "at least 3" in found.missing[0]
    assert found.as_json()["best"] is None
    assert explain(found).headline.startswith("Undecided")


def test_readings_at_one_value_are_undecided(bench):
    same = Readings(ohms=np.full(6, 2800.0), reported_celsius=np.full(6, 25.0))
    assert "same resistance" in diagnose(same, bench.CURVE).missing[0]


def test_negative_and_undefined_readings_are_refused_all_at_once():
    with pytest.raises(InputError) as refused:
        Readings(
            ohms=np.array([100.0, -5.0, math.nan]), reported_celsius=np.array([1.0, 2.0, math.inf])
        )
    assert [problem.key for problem in refused.value.problems] == [
        "ohms[1]",
        "ohms[2]",
        "reported_celsius[2]",
    ]


@pytest.mark.parametrize(
    ("scale", "fahrenheit", "message"),
    [(1e-3, False, "kohm"), (1e3, False, "milliohm"), (1.0, True, "degF")],
)
def test_contradictory_units_are_refused(bench, scale, fahrenheit, message):
    readings = bench.simulate(bench.HEALTHY, np.random.default_rng(1))
    celsius = readings.reported_celsius
    wrong = Readings(
        ohms=readings.ohms * scale,
        reported_celsius=celsius * 1.8 + 32 if fahrenheit else celsius,
    )
    with pytest.raises(InputError, match=message):
        diagnose(wrong, bench.CURVE)


@given(
    st.lists(
        st.tuples(
            st.one_of(st.floats(0, 1e7), st.just(math.inf)),
            st.integers(-60, 300),
        ),
        min_size=1,
        max_size=14,
    )
)
@settings(max_examples=settings().max_examples // 3)
def test_whatever_is_written_down_gives_a_document_or_a_refusal(rows):
    curve = BetaCurve(
        reference_ohms=2800.0,
        reference_celsius=25.0,
        beta_kelvin=3450.0,
        lowest_celsius=-45.0,
        highest_celsius=160.0,
    )
    readings = Readings(
        ohms=np.array([ohms for ohms, _ in rows]),
        reported_celsius=np.array([float(celsius) for _, celsius in rows]),
        reporting=Reporting(open_celsius=-60.0, short_celsius=300.0),
    )
    circuit = InputCircuit(pullup_ohms=2200.0)
    try:
        found = diagnose(readings, curve, circuit=circuit)
    except InputError:
        return
    unsaid = (Reason.TOO_FEW, Reason.NOTHING_FITS, Reason.OUTSIDE_TOLERANCE)
    assert (found.best is None) == (found.reason in unsaid)
    assert bool(found.missing) == (found.reason is Reason.TOO_FEW)
    json.dumps(found.as_json(), allow_nan=False)
    assert explain(found).as_text()


def test_the_three_point_check_alone_still_says_what_its_ends_show(bench):
    """An open input at 12 degC: 12 degC through the curve is the resistance that is across it."""
    readings = Readings(
        ohms=np.array([math.inf, 0.0, 2800.0]),
        reported_celsius=np.array([12.0, 150.0, 40.0]),
        reporting=Reporting(open_celsius=-40.0, short_celsius=150.0),
    )
    found = diagnose(readings, bench.CURVE)
    assert found.best is None
    (remark,) = found.end_remarks
    ohms = float(bench.CURVE.ohms(12.0))
    assert f"{ohms / 1e3:.1f}" in remark
    assert "leakage to ground" in remark
    assert remark in explain(found).as_text()


def test_a_factor_too_large_for_a_pullup_points_at_the_sensor(bench):
    """Same material, another size: resistances differ by a factor (IEC 60539-1, B value alike)."""
    other = dataclasses.replace(
        bench.CURVE, reference_ohms=10_000.0, lowest_celsius=-60.0, highest_celsius=240.0
    )
    fault = bench.Injected(kind="wrong-curve", label="", curve=other)
    readings = bench.simulate(fault, np.random.default_rng(9), celsius=range(-10, 125, 5))
    alone = explain(diagnose(readings, bench.CURVE))
    assert "two thermistors of one material" in alone.where_to_look[0]
    candidate = Sensor(name="Tern oil sensor", kind="ntc-beta", curve=other)
    found = diagnose(readings, bench.CURVE, candidates=[candidate])
    assert found.best.kind == "wrong-curve"
    assert found.best.sensor == "Tern oil sensor"
    # The same to the last bit: no reading can part the two, and it says so.
    assert found.rivals == ("gain",)
    assert "Measuring tells" in explain(found).next_step


def test_what_is_left_unexplained_stops_at_the_end_of_the_report(bench):
    readings = bench.simulate(bench.HEALTHY, np.random.default_rng(3))
    clamped = Readings(
        ohms=readings.ohms,
        reported_celsius=np.minimum(readings.reported_celsius, 60.0),
        reporting=Reporting(highest_celsius=60.0),
    )
    assert diagnose(clamped, bench.CURVE).best.rms_celsius < 1.0


def test_the_fast_response_is_the_curve_inside_and_goes_on_beyond(bench):
    response = response_of(bench.CURVE)
    celsius = np.linspace(-44.9, 159.9, 997)
    assert response(bench.CURVE.ohms(celsius)) == pytest.approx(celsius, abs=1e-4)
    wider = dataclasses.replace(bench.CURVE, lowest_celsius=-70.0, highest_celsius=250.0)
    outside = np.array([-70.0, -60.0, 180.0, 250.0])
    # A Beta curve is straight in 1/T, so going on straight is going on exactly.
    assert response(wider.ohms(outside)) == pytest.approx(outside, abs=0.02)
