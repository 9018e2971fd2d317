"""Plain faults of all strengths over the demonstration's sweep, on a module that is quiet.

With next to no noise the errors of a sweep in whole degrees are those of rounding alone: a saw's
teeth, the same up and down. They are no reason to say that nothing fits. The strengths are planted;
the circuit on paper is tests/benchmarks/diagnosis_circuit.py, which shares no formula with the
diagnosis.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from controller.cli.main import main
from controller.diagnosis import InputCircuit, Readings, adequacy, diagnose, likelihood

SWEEPS = Path(__file__).resolve().parents[2] / "sweeps"
TARGETS = np.concatenate([np.arange(-30, 121, 5), np.arange(115, -31, -5)]).astype(float)

GAINS = (
    0.8,
    0.85,
    0.9,
    0.93,
    0.95,
    0.97,
    0.975,
    0.98,
    1.02,
    1.03,
    1.05,
    1.07,
    1.1,
    1.15,
    1.2,
    1.28,
)
SERIES_OHMS = (5.0, 10.0, 20.0, 40.0, 80.0, 150.0, 300.0, 600.0, 1200.0)
LEAKAGE_OHMS = (1e3, 3e3, 10e3, 30e3, 100e3)
SMALL = {("gain", 0.98), ("gain", 1.02), ("gain", 1.03)}
"""Errors that hardly leave the rounding: the fault is among those that cannot be told apart."""

KEYS = {"gain": "factor", "series-resistance": "ohms", "leakage-to-ground": "ohms"}
PARAMETERS = {
    "gain": "gain",
    "series-resistance": "series_ohms",
    "leakage-to-ground": "leakage_ohms",
}
STRENGTHS = [
    *(("gain", gain) for gain in GAINS),
    *(("series-resistance", ohms) for ohms in SERIES_OHMS),
    *(("leakage-to-ground", ohms) for ohms in LEAKAGE_OHMS),
]
ORDINARY = {("gain", 1.05), ("gain", 1.1)}
OFTEN = {
    *ORDINARY,
    ("gain", 0.975),
    ("gain", 1.02),
    ("series-resistance", 10.0),
    ("series-resistance", 150.0),
    ("leakage-to-ground", 30e3),
}


def soak_beside(ordinary):
    """Return all strengths, those that are not `ordinary` for a soak only."""
    return [
        pytest.param(*one, marks=() if one in ordinary else pytest.mark.soak) for one in STRENGTHS
    ]


def on_paper(table, kind, strength):
    """Return what is said of a quiet input with this fault."""
    more = {
        "gain": {"pullup_ohms": 2490.0 / strength},
        "series-resistance": {"series_ohms": strength},
        "leakage-to-ground": {"leakage_ohms": strength},
    }[kind]
    ohms = table.type1_ohms(TARGETS)
    readings = Readings(
        ohms=ohms,
        reported_celsius=table.Input(**more).reports(ohms, np.random.default_rng(0), 0.0),
        reporting=table.REPORTING,
        tolerance_celsius=np.full((), 3.0),
    )
    circuit = InputCircuit(pullup_ohms=2490.0, adc_bits=12)
    return diagnose(readings, table.plan_curve(), circuit=circuit)


@pytest.mark.parametrize(("kind", "strength"), soak_beside(OFTEN))
def test_a_plain_fault_of_a_quiet_input_is_named(table, kind, strength):
    found = on_paper(table, kind, strength)
    assert found.best is not None, found.misfit
    if (kind, strength) in SMALL:
        assert kind in (found.best.kind, *found.rivals)
        assert found.best.kind == kind or not found.distinguishable
        return
    assert found.best.kind == kind
    assert found.distinguishable, found.rivals
    [one] = [one for one in found.best.parameters if one.name == PARAMETERS[kind]]
    # A 95 % interval, doubled: these are many.
    assert abs(strength - (one.high + one.low) / 2.0) <= one.high - one.low


@pytest.mark.parametrize(("kind", "strength"), soak_beside(ORDINARY))
def test_a_plain_fault_is_named_after_the_demonstrations_sweep(tmp_path, capsys, kind, strength):
    healthy = (SWEEPS / "benches" / "simulated.toml").read_text(encoding="utf-8")
    bench, record = tmp_path / "bench.toml", str(tmp_path / "sweep.jsonl")
    bench.write_text(
        healthy.replace('"../', f'"{SWEEPS}/')
        + f'\n[[fault]]\nkind = "{kind}"\n{KEYS[kind]} = {strength!r}\n',
        encoding="utf-8",
    )
    plan = str(SWEEPS / "coolant-sweep.toml")
    assert main(["sweep", plan, "--bench", str(bench), "--record", record]) in (0, 1, 4)
    capsys.readouterr()
    status = main(["diagnose", record, "--json"])
    document = json.loads(capsys.readouterr().out)
    assert document["best"] is not None, document["misfit"]
    if (kind, strength) in SMALL:
        assert kind in (document["best"]["kind"], *document["rivals"])
    else:
        assert document["best"]["kind"] == kind
        assert document["distinguishable"], document["rivals"]
    assert status == (1 if document["distinguishable"] else 4)


def test_rounding_that_comes_twice_is_no_bend(table, monkeypatch):
    """A planted fault: what is said again on the way down counts as a second witness."""
    monkeypatch.setattr(adequacy, "_first_of_each", lambda one: np.ones(one.low.size, dtype=bool))
    assert on_paper(table, "gain", 0.975).best is None


def test_without_quiet_readings_two_faults_are_claimed_where_one_is(table, monkeypatch):
    """A planted fault: no reading is taken to be quieter than a tenth of the report's step."""
    monkeypatch.setattr(likelihood, "_NOISE_OVER_SCALE", np.geomspace(0.1, 0.7, 6))
    found = on_paper(table, "gain", 1.02)
    assert found.distinguishable
    assert found.best.kind != "gain"
