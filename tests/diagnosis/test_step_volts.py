"""Volts at each step tell a wrong pull-up from another curve. Outside check: Ohm's law."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from controller.bench.files import load_bench
from controller.clock import VirtualClock
from controller.diagnosis import Readings, Reporting, explain
from controller.diagnosis.step_volts import StepVolts, measured_pullup
from controller.module.files import load_module
from controller.records.reader import load_record
from controller.session.evidence import Evidence, evidence_of_record
from controller.session.jobs import sweeping
from controller.session.prepared import prepare
from controller.session.session import Session

SWEEPS = Path(__file__).parents[2] / "sweeps"
MODULE = load_module(SWEEPS / "modules" / "tern-aux-diesel.toml")
OHMS = np.geomspace(150.0, 50_000.0, 40)


def divider(ohms: object, reference: float, pullup: float) -> np.ndarray:
    """Volts by Ohm's law."""
    return reference * np.asarray(ohms) / (np.asarray(ohms) + pullup)


def evidence(factor: float, pullup: float, *, told: bool = True) -> Evidence:
    """A module that reads every resistance `factor` times too large, behind a pull-up."""
    curve = MODULE.sensor.curve
    reported = np.round(curve.celsius(factor * OHMS))
    return Evidence(
        readings=Readings(ohms=OHMS, reported_celsius=reported, reporting=Reporting.of(MODULE)),
        sensor=MODULE.sensor,
        module=MODULE,
        volts=StepVolts(ohms=OHMS, volts=divider(OHMS, 5.0, pullup)) if told else None,
    )


@pytest.mark.parametrize("pullup", [330.0, 2490.0, 10_000.0])
def test_the_pullup_lies_within_its_uncertainty(pullup: float) -> None:
    """At k = 2 about 95 % do; at least 170 of 200 leave a chance of error below 1e-6."""
    random, inside = np.random.default_rng(7), 0
    for _ in range(200):
        true = pullup * random.uniform(0.7, 1.4)
        reference = random.uniform(4.8, 5.2)
        volts = divider(OHMS, reference, true) + random.normal(0.0, 0.005, OHMS.size)
        found = measured_pullup(StepVolts(ohms=OHMS, volts=volts), reference_volts=5.0)
        assert found is not None
        inside += abs(found.pullup_ohms / true - 1.0) <= 2 * found.relative
        assert found.reference_volts == pytest.approx(reference, rel=0.02)
    assert inside >= 170


def test_a_scale_error_of_the_volts_cancels() -> None:
    volts = 1.03 * divider(OHMS, 5.0, 2490.0)
    found = measured_pullup(StepVolts(ohms=OHMS, volts=volts), reference_volts=5.0)
    assert found is not None
    assert found.pullup_ohms == pytest.approx(2490.0, rel=1e-6)


def test_volts_that_are_no_divider_or_too_few_tell_nothing() -> None:
    two = np.where(OHMS < 2000.0, divider(OHMS, 5.0, 1000.0), divider(OHMS, 5.0, 2490.0))
    assert measured_pullup(StepVolts(ohms=OHMS, volts=two), reference_volts=5.0) is None
    few = StepVolts(ohms=OHMS[:3], volts=divider(OHMS[:3], 5.0, 2490.0))
    assert measured_pullup(few, reference_volts=5.0) is None
    stuck = StepVolts(ohms=OHMS, volts=np.full(OHMS.size, 5.0))
    assert measured_pullup(stuck, reference_volts=5.0) is None


def test_what_temperatures_cannot_tell_the_volts_do() -> None:
    """The same temperatures three times: without volts, a pull-up that is off, and a sound one."""
    factor = 0.8
    untold = evidence(factor, 2490.0, told=False).diagnosed()
    assert untold.best is not None
    assert untold.best.kind == "gain"
    assert untold.best.twins == ("unknown-curve",)

    pullup = evidence(factor, 2490.0 / factor).diagnosed()
    assert pullup.best is not None
    assert (pullup.best.kind, pullup.best.twins) == ("gain", ())
    assert pullup.distinguishable
    assert "it is the pull-up, not the curve." in explain(pullup).as_text()

    curve = evidence(factor, 2490.0).diagnosed()
    assert curve.best is not None
    assert curve.best.kind == "unknown-curve"
    assert not curve.distinguishable
    assert "it is the curve, not the pull-up." in explain(curve).as_text()


def test_a_pullup_that_is_off_otherwise_changes_nothing() -> None:
    """Neither sound nor the gain that was fitted: more than one fault, and none is chosen."""
    both = evidence(0.8, 2490.0 / 1.3).diagnosed()
    assert both == evidence(0.8, 2490.0, told=False).diagnosed()


def test_the_volts_of_a_record_are_used(tmp_path: Path) -> None:
    bench = tmp_path / "bench.toml"
    text = (SWEEPS / "benches" / "simulated.toml").read_text("utf-8").replace("../", f"{SWEEPS}/")
    bench.write_text(text + '[[fault]]\nkind = "gain"\nfactor = 0.8\n')
    assert load_bench(bench).faults
    path = tmp_path / "run.jsonl"
    prepared = prepare(SWEEPS / "coolant-sweep.toml", bench)
    with Session(sweeping(prepared, record=path, pace="fast", clock=VirtualClock())) as session:
        list(session.events())
    found = evidence_of_record(load_record(path))
    assert found.volts is not None
    assert len(found.volts.ohms) == len(session.results)
    text = explain(found.diagnosed()).as_text()
    assert "give a pull-up of 311" in text  # 2490/0.8 = 3112.5
    assert "it is the pull-up, not the curve." in text
    assert "not the curve" not in explain(replace(found, volts=None).diagnosed()).as_text()
