"""Never more certain than the readings allow: what no explanation fits is said to fit none.

The input is worked out on paper (tests/benchmarks/diagnosis_circuit.py) and shares no formula with
the diagnosis.
"""

from __future__ import annotations

import ast
import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from controller.cli.main import main
from controller.diagnosis import (
    InputCircuit,
    Readings,
    Reason,
    Reporting,
    decide,
    diagnose,
    explain,
)
from controller.diagnosis.adequacy import READINGS_PER_SLIP
from controller.diagnosis.common import shared_celsius2
from controller.diagnosis.hypotheses import hypotheses_for, response_of
from controller.diagnosis.intermittent import fit_intermittent
from controller.diagnosis.likelihood import likelihood_of, shared_factor
from controller.diagnosis.states import states_ohms2
from controller.ladder.electrical import state_uncertainty_ohms

TESTS = Path(__file__).resolve().parents[1]
FIVE = ((49247.0, -35.0), (6271.9, 6.0), (1222.3, 50.0), (325.07, 94.0), (108.39, 130.0))
"""A sensor that is up to 12 degC off the coolant plan, and no single fault."""


def readings_on(table, temperatures_celsius, errors_celsius=0.0, **more):
    """Return readings of an input that is right but for the given errors."""
    ohms = table.type1_ohms(np.asarray(temperatures_celsius, dtype=float))
    celsius = np.round(table.Input().celsius(ohms) + errors_celsius)
    return Readings(ohms=ohms, reported_celsius=celsius, reporting=table.REPORTING, **more)


def test_the_simulated_input_knows_nothing_of_the_product():
    tree = ast.parse((TESTS / "benchmarks" / "diagnosis_circuit.py").read_text(encoding="utf-8"))
    named = [a.name for node in ast.walk(tree) if isinstance(node, ast.Import) for a in node.names]
    named += [str(node.module) for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)]
    assert named
    assert not [name for name in named if name.split(".")[0] in ("controller", "firmware_protocol")]


def test_the_simulated_input_is_the_published_divider(table, reference_rows):
    """Codes of tests/reference/divider_adc.csv: V = Vref R/(R + Rp), floor(f 2^n)."""
    for row in reference_rows("divider_adc.csv"):
        code = int(row["code12_floor4096"])
        if not 1 <= code <= 4094:
            continue
        pullup = float(row["rp_ohm"])
        seen = []
        module = table.Input(
            celsius=lambda ohms, seen=seen: seen.append(ohms) or ohms,
            pullup_ohms=pullup,
            believed_pullup_ohms=pullup,
        )
        # A hair more, or an exact quarter of the range falls to either side of its count.
        module.reports(np.array([float(row["r_ohm"]) * (1 + 1e-9)]), np.random.default_rng(0), 0.0)
        share = (code + 0.5) / 4096
        assert seen[0][0] == pytest.approx(pullup * share / (1 - share))


def test_five_readings_that_fit_nothing_are_not_called_healthy(tmp_path, capsys, table):
    file = tmp_path / "five.csv"
    lines = [f"{ohms},{celsius:g}" for ohms, celsius in FIVE]
    file.write_text("\n".join(["ohms,reported_celsius", *lines]), encoding="utf-8")
    plan = str(table.SWEEPS / "coolant-sweep.toml")
    assert main(["diagnose", str(file), "--plan", plan, "--json"]) == 4
    document = json.loads(capsys.readouterr().out)
    assert not document["distinguishable"]
    assert (document["best"] or {"kind": None})["kind"] in (None, "unknown-curve")
    assert abs(document["misfit"]["worst_celsius"]) == pytest.approx(12.0, abs=1.0)
    assert main(["diagnose", str(file), "--plan", plan]) == 4
    text = capsys.readouterr().out
    assert text.startswith("None of the explanations fits")
    assert "degC off the plan's curve (reading" in text
    assert "No fault found" not in text
    assert "Where to look" in text


@pytest.mark.parametrize(
    ("count", "noise"),
    [
        (5, 0.5),
        (12, 0.1),
        # Between those two, and as such in a soak only.
        pytest.param(5, 0.1, marks=pytest.mark.soak),
        pytest.param(12, 0.5, marks=pytest.mark.soak),
    ],
)
def test_outside_the_known_faults_nothing_is_claimed(table, many, count, noise):
    for fault in (one for one in table.FAULTS if not one.inside):
        found = table.tally_of(fault, count=count, noise=noise, runs=many(2, 20), seed=1)
        assert found.wrong <= found.runs / 20, (fault.label, found.called)


@pytest.mark.parametrize("count", [5, 12])
def test_inside_the_known_faults_the_right_one_is_still_named(table, many, count):
    known = [one for one in table.FAULTS if one.inside and one.least_readings <= count]
    runs = many(2, 10)
    found = [table.tally_of(one, count=count, noise=0.1, runs=runs, seed=2) for one in known]
    assert sum(one.right + one.first for one in found) >= 0.95 * sum(one.runs for one in found)
    assert sum(one.right for one in found) >= 0.7 * sum(one.runs for one in found)
    assert sum(one.wrong for one in found) <= sum(one.runs for one in found) / 50


@pytest.mark.parametrize("label", range(3))
def test_a_plan_or_ladder_a_little_off_accuses_nobody(table, many, label):
    name = list(table.HEALTHY_PLANS)[label]
    found = table.healthy_tally(name, runs=many(5, 40), seed=3)
    assert found.wrong <= found.runs / 20, found.called
    assert found.right >= 0.7 * found.runs, found.called


WORD = "curve that is no candidate"


def in_short(table):
    """The table's rows for what is likeliest to be taken for a known fault, twelve readings."""
    return list(table.table_rows(runs=6, word=WORD, counts=(12,), noises=(0.1,), seed=5))


def test_the_table_in_short_meets_its_aims(table):
    rows = in_short(table)
    assert [name for name, *_ in rows if name.endswith("all of these")]
    assert not [row for row in rows if not row[-1]]


def test_the_table_in_short_shows_what_is_claimed_without_its_guards(table, monkeypatch):
    """A planted fault: every explanation passes for a fit, and nothing stands against a name."""
    real, smooth = decide.adequacy, decide.fit_unknown_curve

    def all_fits(*given, **more):
        found = real(*given, **more)
        return replace(found, scatter_passes=True, shape_passes=True, slips_too_many=False)

    monkeypatch.setattr(decide, "adequacy", all_fits)
    monkeypatch.setattr(
        decide, "fit_unknown_curve", lambda *g, **m: replace(smooth(*g, **m), log_evidence=-1e9)
    )
    assert [row for row in in_short(table) if not row[-1]]


@pytest.mark.night
def test_the_whole_table_keeps_to_five_percent(table):
    missed = [row for row in table.table_rows(runs=25) if not row[-1]]
    assert not missed


def test_a_contact_that_comes_and_goes_is_a_finding_with_its_steps(table):
    ohms = table.type1_ohms(np.linspace(-20.0, 110.0, 20))
    bad = np.zeros(20, dtype=bool)
    bad[[9, 13, 14, 17]] = True
    module = table.Input(series_ohms=np.where(bad, 250.0, 0.0))
    celsius = module.reports(ohms, np.random.default_rng(4), 0.2)
    found = diagnose(
        Readings(ohms=ohms, reported_celsius=celsius, reporting=table.REPORTING),
        table.plan_curve(),
        circuit=table.CIRCUIT,
    )
    assert found.best.kind == "intermittent-contact"
    assert found.best.jumping == (9, 13, 14, 17)
    text = explain(found).as_text()
    assert "readings 10, 14, 15 and 18" in text
    assert "move harness" in text
    (series, share) = found.best.parameters
    assert series.low < 250.0 < series.high
    assert share.value == pytest.approx(0.2)


def test_the_size_of_a_contact_that_comes_and_goes_lies_in_its_interval(table):
    """95 % are stated; 60 inputs on paper, and fewer than 51 would be 1 in 1000 (binomial)."""
    rng, inside, runs = np.random.default_rng(5), 0, 60
    ohms = table.type1_ohms(np.linspace(-20.0, 110.0, 20))
    bad = np.isin(np.arange(20), [9, 13, 14, 17])
    for _ in range(runs):
        actual = float(np.exp(rng.uniform(math.log(100.0), math.log(500.0))))
        module = table.Input(series_ohms=np.where(bad, actual, 0.0))
        readings = Readings(
            ohms=ohms, reported_celsius=module.reports(ohms, rng, 0.2), reporting=table.REPORTING
        )
        found = fit_intermittent(
            ohms, response_of(table.plan_curve()), likelihood_of(readings, noise_celsius=None)
        )
        series = next(one for one in found.known if one.name == "series_ohms")
        inside += series.low < actual < series.high
    assert inside >= 51


def test_wild_readings_are_no_licence(table):
    """Both ways off, so no bad contact: still no module is healthy with three of twenty wrong."""
    errors = np.zeros(20)
    errors[[3, 8, 15]] = 25.0, -30.0, 40.0
    readings = readings_on(table, np.linspace(-20.0, 80.0, 20), errors)
    found = diagnose(readings, table.plan_curve(), circuit=table.CIRCUIT)
    assert not found.distinguishable
    assert found.reason in (Reason.READINGS_JUMP, Reason.NOTHING_FITS)
    text = explain(found).as_text()
    for reading in ("4", "9", "16"):
        assert reading in text
    one = np.zeros(61)
    one[30] = 40.0
    assert 61 // READINGS_PER_SLIP >= 1
    found = diagnose(readings_on(table, np.linspace(-20.0, 80.0, 61), one), table.plan_curve())
    assert found.best.kind == "healthy"
    assert found.distinguishable
    assert found.slips == (30,)


def test_healthy_is_not_said_outside_the_tolerance(table):
    temperatures = np.arange(-20.0, 110.0, 10.0)
    loose = readings_on(table, temperatures, tolerance_celsius=np.full((), 3.0))
    assert diagnose(loose, table.plan_curve()).best.kind == "healthy"
    errors = np.zeros(temperatures.size)
    errors[6] = 1.5
    tight = readings_on(table, temperatures, errors, tolerance_celsius=np.full((), 0.8))
    found = diagnose(tight, table.plan_curve())
    assert found.best is None
    assert found.reason is Reason.OUTSIDE_TOLERANCE
    assert found.nearest.kind == "healthy"
    assert "tolerance" in explain(found).headline


def test_readings_that_scatter_without_a_cause_fit_nothing(table):
    rng = np.random.default_rng(7)
    temperatures = np.linspace(-20.0, 110.0, 16)
    noisy = readings_on(table, temperatures, rng.choice([-2.6, 2.6], temperatures.size))
    found = diagnose(noisy, table.plan_curve(), circuit=table.CIRCUIT)
    assert not found.distinguishable
    assert found.as_json()["untried_probability"] > 0


def test_a_ratiometric_reference_cannot_show(table):
    """A converter that divides by the pull-up's own supply: its volts drop out."""
    ohms = table.type1_ohms(np.linspace(-20.0, 110.0, 12))
    low = table.Input(reference_volts=4.6).reports(ohms, np.random.default_rng(1), 0.0)
    assert low.tolist() == table.Input().reports(ohms, np.random.default_rng(1), 0.0).tolist()
    off = table.Input(adc_reference_share=1.04).reports(ohms, np.random.default_rng(1), 0.2)
    readings = Readings(ohms=ohms, reported_celsius=off, reporting=table.REPORTING)
    found = diagnose(readings, table.plan_curve(), circuit=table.CIRCUIT)
    assert found.best.kind == "adc-reference"
    assert found.best.parameters[0].low < 1.04 < found.best.parameters[0].high
    assert "chafed" not in explain(found).where_to_look[0]


def test_a_converter_reference_sees_what_the_circuit_says():
    """f = V/Vadc with V = Vref R/(R + Rp), then R = Rp f/(1 - f): computed here by hand."""
    ohms = np.array([150.0, 1e3, 2e4])
    share = 1.03
    fraction = ohms / (ohms + 2490.0) / share
    by_hand = 2490.0 * fraction / (1.0 - fraction)
    one = next(
        h
        for h in hypotheses_for(
            ohms, lambda seen: np.asarray(seen), circuit=InputCircuit(pullup_ohms=2490.0)
        )
        if h.kind == "adc-reference"
    )
    assert one.predict(np.array([[math.log(share)]]), ohms)[0] == pytest.approx(by_hand)


def test_a_gain_names_its_twin(table):
    ohms = table.type1_ohms(np.linspace(-20.0, 110.0, 20))

    def found(size: float):
        celsius = table.Input(celsius=table.type1_celsius(size)).reports(
            ohms, np.random.default_rng(2), 0.1
        )
        readings = Readings(ohms=ohms, reported_celsius=celsius, reporting=table.REPORTING)
        return diagnose(readings, table.plan_curve(), circuit=table.CIRCUIT)

    near, far = found(2500.0), found(5000.0)
    assert near.best.kind == "gain"
    assert near.best.twins == ("unknown-curve",)
    assert "another size" in explain(near).as_text()
    assert not far.distinguishable
    assert {far.best.kind, *far.rivals} >= {"gain", "unknown-curve"}


def test_no_percentage_is_printed_and_what_was_tried_is(bench):
    fault = bench.Injected(kind="series-resistance", label="", series_ohms=150.0)
    found = diagnose(bench.simulate(fault, np.random.default_rng(1)), bench.CURVE)
    text = explain(found).as_text()
    assert "likely of all" not in text
    assert "99" not in text.splitlines()[0]
    assert "Tried: extra resistance in series, leakage to ground" in text
    assert max(one.probability for one in found.explanations) <= 0.95


def test_what_curve_and_ladder_are_off_by_is_no_evidence(table):
    """Correlated errors: the deviance is that of the joint normal (scipy), up to a constant."""
    from scipy.stats import multivariate_normal

    rng = np.random.default_rng(3)
    ohms = table.type1_ohms(np.linspace(-10.0, 100.0, 7))
    factor = rng.normal(0.0, 0.8, (7, 2))
    readings = Readings(
        ohms=ohms,
        reported_celsius=np.linspace(-10.0, 100.0, 7),
        reporting=Reporting(resolution_celsius=0.0),
    )
    shared = shared_factor(factor @ factor.T)
    likelihood = likelihood_of(readings, noise_celsius=0.4, shared=shared)
    predictions = readings.reported_celsius + rng.normal(0.0, 0.5, (4, 7))
    joint = multivariate_normal(readings.reported_celsius, factor @ factor.T + 0.16 * np.eye(7))
    expected = -2.0 * joint.logpdf(predictions)
    found = likelihood.deviance(predictions)
    assert found - found[0] == pytest.approx(expected - expected[0], abs=0.1)


def test_states_that_share_rungs_are_uncertain_together(table):
    ladder = table.plain_ladder(2.0)
    states = [0xFF00, 0xFF00, 0x00FF, 0xAAAA]
    joint = states_ohms2(ladder, states)
    own = [state_uncertainty_ohms(ladder, state) for state in states]
    assert np.sqrt(np.diag(joint)) == pytest.approx(own, rel=1e-3)
    # The contacts scatter from one setting to the next; the rungs are the same ones.
    assert joint[0, 1] == pytest.approx(joint[0, 0], rel=0.01)
    # No rung in common: what is bypassed in one is in circuit in the other.
    assert joint[0, 2] == pytest.approx(0.0, abs=1e-6 * joint[2, 2])


def test_the_covariance_of_ohms_goes_through_the_slope(table):
    curve = table.plan_curve()
    ohms = curve.ohms(np.array([0.0, 50.0]))
    readings = Readings(
        ohms=ohms,
        reported_celsius=np.array([0.0, 50.0]),
        covariance_ohms2=np.array([[4.0, 1.0], [1.0, 1.0]]),
    )
    slope = (curve.ohms(np.array([0.01, 50.01])) - ohms) / 0.01
    expected = readings.covariance_ohms2 / slope[:, None] / slope
    plain = shared_celsius2(replace(readings, covariance_ohms2=None), curve)
    assert shared_celsius2(readings, curve) - plain == pytest.approx(expected, rel=1e-2)


def test_the_response_is_the_published_curve(table):
    """The plan's curve against the spline through the published table: within 0.02 degC."""
    celsius = np.linspace(-39.0, 134.0, 300)
    found = response_of(table.plan_curve())(table.type1_ohms(celsius))
    assert found == pytest.approx(celsius, abs=0.02)
