"""A bench whose ladder has been calibrated, and one that stands in the cold."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import pytest

from controller.bench.files import load_bench
from controller.errors import InputError
from controller.ladder.calibration import (
    Measurement,
    calibrate,
    propose_design,
    write_calibration,
)
from controller.ladder.calibration.model import state_uncertainty_ohms
from controller.ladder.electrical import state_ohms
from controller.ladder.files import load_ladder
from controller.measurement.budget import Surroundings
from controller.planning.files import load_plan
from controller.planning.resolve import resolve, resolve_on

SWEEPS = Path(__file__).parents[2] / "sweeps"


@pytest.fixture(scope="module")
def plan():
    return load_plan(SWEEPS / "coolant-sweep.toml")


@pytest.fixture(scope="module")
def calibrated_bench(tmp_path_factory):
    """A ladder that is really 0.5 % high in every rung, measured well and calibrated."""
    folder = tmp_path_factory.mktemp("bench")
    ladder = load_ladder(SWEEPS / "ladders" / "bench-16.toml")
    [group] = ladder.groups
    really = replace(
        ladder,
        groups=(replace(group, rungs=tuple(replace(r, ohms=r.ohms * 1.005) for r in group.rungs)),),
    )
    states = propose_design(ladder, measurements=24).states
    measured = [
        Measurement(
            state=state,
            ohms=state_ohms(really, state),
            uncertainty_ohms=1e-4 * state_ohms(really, state) + 0.005,
        )
        for state in states
    ]
    calibration = calibrate(ladder, measured, utc="2026-01-05", instrument="test meter")
    write_calibration(folder / "calibration.toml", calibration)
    text = (SWEEPS / "benches" / "simulated.toml").read_text()
    text = text.replace("../", f"{SWEEPS}/")
    text = text.replace("hold_off_ms = 2000", 'calibration = "calibration.toml"')
    (folder / "bench.toml").write_text(text)
    return load_bench(folder / "bench.toml"), really


def test_a_calibrated_bench_makes_what_was_measured(plan, calibrated_bench):
    bench, really = calibrated_bench
    nominal = load_ladder(SWEEPS / "ladders" / "bench-16.toml")
    assert bench.nominal_ladder == nominal
    for step in resolve_on(plan, bench).steps:
        assert step.achieved_ohms == pytest.approx(state_ohms(really, step.state), rel=1e-4)
        assert step.achieved_ohms > 1.004 * state_ohms(nominal, step.state)


def test_its_uncertainty_is_that_of_the_calibration_with_its_correlations(plan, calibrated_bench):
    bench, _ = calibrated_bench
    for step in resolve_on(plan, bench).steps:
        parts = {part.name: part.celsius for part in step.budget}
        assert "rungs" not in parts
        slope = abs(float(plan.sensor.curve.slope_ohms_per_kelvin(step.achieved_celsius)))
        whole = state_uncertainty_ohms(bench.nominal_ladder, bench.calibration, step.state) / slope
        assert math.hypot(parts["calibration"], parts["contacts"]) == pytest.approx(whole)


def test_a_calibration_of_another_ladder_is_refused(calibrated_bench, tmp_path):
    bench, _ = calibrated_bench
    (tmp_path / "calibration.toml").write_text((bench.path.parent / "calibration.toml").read_text())
    text = bench.path.read_text().replace("bench-16.toml", "bench-mixed.toml")
    (tmp_path / "bench.toml").write_text(text)
    with pytest.raises(InputError, match="calibration"):
        load_bench(tmp_path / "bench.toml")


def test_the_cold_and_poor_insulation_count(plan):
    bench = load_bench(SWEEPS / "benches" / "simulated.toml")
    usual = resolve_on(plan, bench)
    cold = resolve_on(
        plan,
        replace(
            bench,
            surroundings=Surroundings(
                ambient_celsius=0.0, ambient_span_kelvin=10.0, insulation_ohms=20e6
            ),
        ),
    )
    assert [s.state for s in cold.steps] == [s.state for s in usual.steps]
    for before, after in zip(usual.steps, cold.steps, strict=True):
        assert after.uncertainty_celsius > before.uncertainty_celsius
        names = [part.name for part in after.budget]
        assert "insulation" in names


def test_surroundings_are_read_from_the_bench_file(tmp_path):
    text = (SWEEPS / "benches" / "simulated.toml").read_text().replace("../", f"{SWEEPS}/")
    path = tmp_path / "bench.toml"
    path.write_text(text + "\n[surroundings]\nambient_celsius = 5\ninsulation_ohms = 1e8\n")
    assert load_bench(path).surroundings == Surroundings(ambient_celsius=5.0, insulation_ohms=1e8)
    path.write_text(text + "\n[surroundings]\nambient_span_kelvin = -1\ninsulation_ohms = 0\n")
    with pytest.raises(InputError) as caught:
        load_bench(path)
    assert len(caught.value.problems) == 2


def test_a_tolerance_under_four_times_the_uncertainty_draws_one_warning(plan):
    tight = replace(plan, tolerance=(replace(plan.tolerance[0], tolerance_celsius=2.0),))
    bench = load_bench(SWEEPS / "benches" / "simulated.toml")
    resolved = resolve(tight, bench.ladder, bench.module)
    [warning] = resolved.warnings
    assert warning.startswith("at 61 of 61 steps, most at step ")
    assert "less than 4 to 1" in warning
    assert "report" in warning
