"""How often the U of a step holds what a right module really reports: the budget's coverage.

Each trial is a box of its own (the circuit of `calibration`: resistors, contacts and leads drawn
anew, node voltages from a conductance matrix), warmed or cooled with its bench, its rungs drifted
since they were calibrated, read by the input of `diagnosis_circuit`: divider, converter, published
curve. Nothing of it is shared with the product, which is told the ladder file, the module's file
and a state. By itself: ``python tests/benchmarks/table.py budget``.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import TypeAlias

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent))

from calibration import (
    LADDERS,
    METER_SHARE,
    SCALE_SHARE,
    Circuit,
    Sample,
    at_least,
    built,
    circuit_of,
    interval,
    measured,
    some_state,
    terminal_ohms,
)
from diagnosis_circuit import Input, type1_celsius

from controller.ladder.calibration import (
    Calibration,
    calibrate_and_check,
    calibrated_ladder,
)
from controller.ladder.electrical import state_ohms
from controller.ladder.files import load_ladder
from controller.ladder.model import Ladder
from controller.measurement.budget import Surroundings, step_budgets
from controller.measurement.model import SettleRule
from controller.module.model import Module
from controller.sensors.files import load_sensor

__all__ = ["covered", "rows"]

PULLUP_OHMS = 2490.0
COLDEST_CELSIUS, HOTTEST_CELSIUS = -25.0, 115.0
SETTLE = SettleRule(within_celsius=0.5, for_s=3.0, at_most_s=30.0)
PLACE = Surroundings()


@cache
def module_of(resolution_celsius: float) -> Module:
    """Return what the product is told of the input."""
    sensor = load_sensor(LADDERS.parent / "sensors" / "tern-coolant.toml")
    return Module(
        name="input on paper",
        sensor=sensor,
        reference_volts=5.0,
        pullup_ohms=PULLUP_OHMS,
        open_reports_celsius=-40.0,
        short_reports_celsius=130.0,
        adc_bits=12,
        resolution_celsius=resolution_celsius,
    )


@cache
def design(name: str) -> tuple[int, ...]:
    """Return what is measured when a ladder is calibrated: each rung by itself, and some more."""
    circuit, rng = circuit_of(name), np.random.default_rng(0)
    everything = sum(1 << relay for _, parts in circuit.groups for relay, _, _ in parts)
    least = everything | 1 << circuit.isolate  # all in series bypassed, all parallel ones joined
    found = [least]
    for kind, parts in circuit.groups:
        group = sum(1 << relay for relay, _, _ in parts)
        for relay, _, _ in parts:
            alone = least & ~(1 << relay) if kind == "series" else least & ~group | 1 << relay
            found.append(alone)
    return (*found, *found, *(some_state(circuit, rng) for _ in range(16)))


@cache
def ladder_of(name: str) -> Ladder:
    """Return the ladder that a file describes."""
    return load_ladder(LADDERS / name)


def covered(name: str, *, calibrated: bool, resolution: float, trials: int, seed: int = 1) -> int:
    """Return how often |reported - temperature of the step| is within the step's U."""
    rng = np.random.default_rng(seed)
    circuit, module = circuit_of(name), module_of(resolution)
    box = Input(step_celsius=resolution, lowest_celsius=-200.0, highest_celsius=300.0)
    inside = 0
    for _ in range(trials):
        sample = built(circuit, rng)
        calibration = _calibrated(name, circuit, sample, rng) if calibrated else None
        told = calibrated_ladder(ladder_of(name), calibration) if calibration else ladder_of(name)
        state, celsius = _step(circuit, told, rng)
        (budget,) = step_budgets(
            ladder_of(name),
            [(state, celsius)],
            module.sensor.curve,
            settle=SETTLE,
            module=module,
            surroundings=PLACE,
            calibration=calibration,
        )
        now = _some_time_later(sample, rng, drifted=calibrated)
        ohms = terminal_ohms(circuit, now, state, rng)
        # Steps that are settled may still be anywhere in the band that the report can show.
        unsettled = rng.uniform(-0.5, 0.5) * SETTLE.within_celsius * (resolution < 1.0)
        reported = box.reports(np.array([ohms]), rng, 0.0)[0] + unsettled
        inside += abs(reported - celsius) <= budget.expanded_celsius
    return inside


def _calibrated(
    name: str, circuit: Circuit, sample: Sample, rng: np.random.Generator
) -> Calibration:
    table = measured(circuit, sample, design(name), rng, scale=rng.normal(0, SCALE_SHARE))
    found, _ = calibrate_and_check(
        ladder_of(name), table, utc="2026-03-31", common_relative_uncertainty=METER_SHARE
    )
    return found


def _step(circuit: Circuit, told: Ladder, rng: np.random.Generator) -> tuple[int, float]:
    """Draw states until one makes a temperature of the plan's span."""
    celsius_of = type1_celsius()
    while True:
        state = some_state(circuit, rng)
        celsius = float(celsius_of(np.array([state_ohms(told, state)]))[0])
        if COLDEST_CELSIUS <= celsius <= HOTTEST_CELSIUS:
            return state, celsius


def _some_time_later(sample: Sample, rng: np.random.Generator, *, drifted: bool) -> Sample:
    """Warm the bench, which moves each rung by its own tempco, and let calibrated rungs drift.

    Uncalibrated ones are within their tolerance for good.
    """
    kelvin = rng.uniform(-1, 1) * PLACE.ambient_span_kelvin
    drift = PLACE.rung_drift_ppm * 1e-6 if drifted else 0.0
    return replace(
        sample,
        rungs={
            relay: ohms * (1 + kelvin * rng.uniform(-15e-6, 15e-6) + rng.uniform(-drift, drift))
            for relay, ohms in sample.rungs.items()
        },
    )


Row: TypeAlias = tuple[str, str, str, float, str, bool]


def rows(trials: int = 400) -> Iterator[Row]:
    """Yield the rows of the table."""
    for name in ("bench-16.toml", "bench-mixed.toml"):
        for calibrated in (False, True):
            for resolution in (1.0, 0.1):
                inside = covered(name, calibrated=calibrated, resolution=resolution, trials=trials)
                words = f"{'calibrated' if calibrated else 'as stated'}, to {resolution:g} degC"
                yield (
                    f"budget: reports inside U, {name.removesuffix('.toml')} {words}",
                    interval(inside, trials),
                    "95 %",
                    inside / trials,
                    ">= 95 %",
                    at_least(inside, trials, 0.95),
                )


if __name__ == "__main__":
    for row in rows(int(sys.argv[1]) if len(sys.argv) > 1 else 400):
        print(*row, sep=" | ", flush=True)
