"""The demonstration's calibrations: invented readings whose making is stated, and what they give.

The readings were drawn as `drawn_readings` does it, from a ladder that is a little off; so the
values it is off by are known, and the calibrations have to find them.
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from controller.bench.files import load_bench
from controller.ladder.calibration import (
    Instrument,
    calibrate,
    drifts,
    load_calibration,
    measurements_from_csv,
)
from controller.ladder.electrical import contact_closed
from controller.ladder.files import load_ladder
from controller.planning.files import load_plan
from controller.planning.resolve import resolve_on

SWEEPS = Path(__file__).resolve().parents[3] / "sweeps"
FOLDER = SWEEPS / "ladders" / "calibrations"
METER = Instrument()
LEAD_OHMS, CONTACT_OHMS = 0.14, 0.06
MOVED_RELAY, MOVED_SHARE = 9, 0.0008
"""Between the two, the rung of relay 9 has gone up by 0.08 %: seen, and near its tolerance."""
SEEDS = {"bench-16-2025-09": 41, "bench-16-2026-03": 42, "bench-16-2026-06-spots": 43}
CALIBRATIONS = ("bench-16-2025-09", "bench-16-2026-03")


def true_rungs(name):
    """Rungs within 0.6 of their tolerance, the same in both; one has moved in the second."""
    ladder = load_ladder(SWEEPS / "ladders" / "bench-16.toml")
    rng = np.random.default_rng(40)
    found = {}
    for rung in ladder.groups[0].rungs:
        tolerance = rung.uncertainty_ohms * 3**0.5
        found[rung.relay] = rung.ohms + 0.6 * rng.uniform(-tolerance, tolerance)
    if name != "bench-16-2025-09":
        found[MOVED_RELAY] *= 1 + MOVED_SHARE
    return ladder, found


def drawn_readings(name, states):
    """Return invented meter readings: contacts scatter from state to state, the meter as stated."""
    ladder, rungs = true_rungs(name)
    rng = np.random.default_rng(SEEDS[name])
    found = []
    for state in states:
        contacts = CONTACT_OHMS + rng.normal(0, 0.02, ladder.relay_count)
        noise = rng.normal()
        total = contacts[ladder.isolate_relay]
        for relay, ohms in rungs.items():
            closed = contact_closed(ladder, state, relay)
            total += ohms * contacts[relay] / (ohms + contacts[relay]) if closed else ohms
        if contact_closed(ladder, state, ladder.short_relay):
            total = 1 / (1 / total + 1 / contacts[ladder.short_relay])
        total += LEAD_OHMS
        found.append(total + noise * float(METER.uncertainty_ohms(np.array(total))))
    return found


@pytest.mark.parametrize("name", SEEDS)
def test_the_readings_are_the_ones_that_their_making_gives(name):
    ladder = load_ladder(SWEEPS / "ladders" / "bench-16.toml")
    measured = measurements_from_csv(FOLDER / f"{name}.csv", ladder)
    again = drawn_readings(name, [one.state for one in measured])
    # Six digits were written down.
    np.testing.assert_allclose([one.ohms for one in measured], again, rtol=2e-5, atol=2e-4)


@pytest.mark.parametrize("name", CALIBRATIONS)
def test_the_calibration_is_what_its_readings_give_and_finds_the_true_rungs(name):
    ladder, rungs = true_rungs(name)
    kept = load_calibration(FOLDER / f"{name}.toml")
    measured = measurements_from_csv(FOLDER / f"{name}.csv", ladder)
    found = calibrate(
        ladder,
        measured,
        utc=kept.utc,
        common_relative_uncertainty=kept.common_relative_uncertainty,
    )
    # The scaled design has a condition number of 12: its square times the rounding of a double is
    # 3e-14 of the variances, whichever kernel multiplies. Thirty times that is allowed.
    np.testing.assert_allclose(kept.parameters, found.parameters, rtol=1e-12, atol=1e-12)
    spread = np.outer(found.uncertainties_ohms, found.uncertainties_ohms)
    np.testing.assert_allclose(
        kept.covariance_ohms2 / spread, found.covariance_ohms2 / spread, rtol=0, atol=1e-12
    )
    assert found.probability > 0.01
    off = np.abs(np.array(kept.rung_ohms) - np.array([rungs[r] for r in kept.relays]))
    # 3.3 standard uncertainties: 1 in 1000 for each of sixteen rungs.
    assert np.all(off <= 3.3 * kept.uncertainties_ohms[:-2])


def test_the_one_rung_that_has_moved_is_the_one_that_is_named():
    before, now = (load_calibration(FOLDER / f"{name}.toml") for name in CALIBRATIONS)
    ladder = load_ladder(SWEEPS / "ladders" / "bench-16.toml")
    moved = [one for one in drifts(ladder, before, now) if one.significant]
    assert [one.what for one in moved] == [f"relay {MOVED_RELAY}"]
    _, rungs = true_rungs("bench-16-2025-09")
    assert moved[0].difference_ohms == pytest.approx(
        MOVED_SHARE * rungs[MOVED_RELAY], abs=3.3 * moved[0].uncertainty_ohms
    )


def test_the_demonstrations_bench_uses_the_later_one():
    bench = load_bench(SWEEPS / "benches" / "calibrated.toml")
    assert bench.calibration is not None
    assert bench.calibration.utc == load_calibration(FOLDER / "bench-16-2026-03.toml").utc
    assert bench.nominal_ladder is not None
    assert bench.ladder.lead_ohms == pytest.approx(LEAD_OHMS, abs=0.1)


@pytest.mark.parametrize("name", ["coolant-sweep.toml", "coolant-check.toml"])
def test_the_budget_of_a_calibrated_bench_agrees_with_monte_carlo(name):
    """JCGM 101:2008, 1e5 draws: rungs, contact offset and leads drawn with their correlations."""
    bench = load_bench(SWEEPS / "benches" / "calibrated.toml")
    plan = load_plan(SWEEPS / name)
    curve = plan.sensor.curve
    ladder, calibration = bench.nominal_ladder, bench.calibration
    steps = [one for one in resolve_on(plan, bench).steps if one.achieved_celsius is not None]
    rng = np.random.default_rng(21)
    draws = 100_000
    values = rng.multivariate_normal(calibration.parameters, calibration.covariance_ohms2, draws)
    for step in {0: steps[0], 1: steps[len(steps) // 2], 2: steps[-1]}.values():

        def contact(relay):
            own = ladder.relays[relay]
            scatter = rng.normal(0, own.contact_uncertainty_ohms, draws)
            return own.contact_ohms + values[:, -2] + scatter

        ohms = values[:, -1] + contact(ladder.isolate_relay)
        for index, relay in enumerate(calibration.relays):
            rung = values[:, index]
            if contact_closed(ladder, step.state, relay):
                c = contact(relay)
                ohms = ohms + rung * c / (rung + c)
            else:
                ohms = ohms + rung
        celsius = curve.celsius(ohms)
        parts = {part.name: part.celsius for part in step.budget}
        told = math.hypot(parts["calibration"], parts["contacts"])
        assert told == pytest.approx(float(np.std(celsius)), rel=0.02)
        assert step.achieved_celsius == pytest.approx(float(np.mean(celsius)), abs=0.05 * told)
