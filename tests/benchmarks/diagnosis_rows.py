"""What is put in for each row of the diagnosis table, inside and outside the set it knows."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, TypeAlias

import numpy as np
from diagnosis_circuit import (
    TEN_KOHM_CONSTANTS,
    Array,
    Celsius,
    Input,
    beta_celsius,
    steinhart_celsius,
    type1_celsius,
    type1_ohms,
)

Draw: TypeAlias = Callable[[np.random.Generator, Array], Input]
"""Draws a faulty input for given resistances."""


@dataclass(frozen=True, kw_only=True)
class Fault:
    """A row: `kind` is the right answer, or one of the right answers."""

    label: str
    kinds: tuple[str, ...]
    draw: Draw
    inside: bool
    least_readings: int = 5


def _log(rng: np.random.Generator, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def _either(rng: np.random.Generator, low: float, high: float) -> float:
    return float(rng.choice([-1.0, 1.0]) * rng.uniform(low, high))


def _gained(rng: np.random.Generator) -> float:
    return 2490.0 / float(np.exp(_either(rng, 0.05, 0.25)))


def _other_curve(rng: np.random.Generator) -> Celsius:
    size = float(rng.choice([2000.0, 2252.0, 3000.0, 5000.0, 10000.0]))
    if rng.random() < 0.4:
        return steinhart_celsius(*TEN_KOHM_CONSTANTS, scale=min(size, 3000.0) / 10e3)
    return beta_celsius(size, float(rng.choice([3250.0, 3435.0, 3700.0, 3977.0, 4200.0])))


def _intermittent(rng: np.random.Generator, ohms: Array) -> Input:
    """Series resistance in 35 % of the readings; drawn again until readings show both.

    Where no reading shows it the readings are those of a healthy input, and where all that could
    show it do, those of a plain series resistance: no right answer is hidden in them.
    """
    healthy = type1_celsius()
    while True:
        series = _log(rng, 60, 500)
        shows = np.abs(healthy(ohms + series) - healthy(ohms)) > 2.0
        hit = rng.random(ohms.size) < 0.35
        if np.any(shows & hit) and np.any(shows & ~hit):
            return Input(series_ohms=np.where(hit, series, 0.0))


CANDIDATE_CONSTANTS = ((10e3, TEN_KOHM_CONSTANTS), (5e3, TEN_KOHM_CONSTANTS))


def _candidate(rng: np.random.Generator) -> Input:
    size, constants = CANDIDATE_CONSTANTS[int(rng.integers(len(CANDIDATE_CONSTANTS)))]
    return Input(celsius=steinhart_celsius(*constants, scale=size / 10e3))


FAULTS = (
    Fault(label="healthy", kinds=("healthy",), inside=True, draw=lambda rng, ohms: Input()),
    Fault(
        label="series resistance",
        kinds=("series-resistance",),
        inside=True,
        draw=lambda rng, ohms: Input(series_ohms=_log(rng, 30, 400)),
    ),
    Fault(
        label="leakage to ground",
        kinds=("leakage-to-ground",),
        inside=True,
        draw=lambda rng, ohms: Input(leakage_ohms=_log(rng, 3e3, 40e3)),
    ),
    Fault(
        label="leakage to a supply",
        kinds=("leakage-to-supply",),
        inside=True,
        draw=lambda rng, ohms: Input(supply_leakage_ohms=_log(rng, 60e3, 300e3)),
    ),
    Fault(
        label="gain",
        kinds=("gain",),
        inside=True,
        draw=lambda rng, ohms: Input(pullup_ohms=_gained(rng)),
    ),
    Fault(
        label="offset",
        kinds=("curve-offset",),
        inside=True,
        draw=lambda rng, ohms: Input(offset_celsius=_either(rng, 2, 8)),
    ),
    Fault(
        label="curve of a candidate",
        kinds=("wrong-curve",),
        inside=True,
        draw=lambda rng, ohms: _candidate(rng),
    ),
    Fault(
        label="second pull-up",
        kinds=("second-pullup",),
        inside=True,
        least_readings=12,
        draw=lambda rng, ohms: Input(
            second_pullup_ohms=_log(rng, 400, 3000), second_below_ohms=900.0
        ),
    ),
    Fault(
        label="series and leakage",
        kinds=("series-resistance+leakage-to-ground",),
        inside=True,
        least_readings=8,
        draw=lambda rng, ohms: Input(
            series_ohms=_log(rng, 60, 300), leakage_ohms=_log(rng, 5e3, 30e3)
        ),
    ),
    Fault(
        label="gain and offset",
        kinds=("gain+curve-offset",),
        inside=True,
        least_readings=8,
        draw=lambda rng, ohms: Input(
            pullup_ohms=_gained(rng), offset_celsius=_either(rng, 3, 8)
        ),
    ),
    Fault(
        label="curve that is no candidate",
        kinds=("unknown-curve",),
        inside=False,
        draw=lambda rng, ohms: Input(celsius=_other_curve(rng)),
    ),
    Fault(
        label="same material, another size",
        kinds=("unknown-curve",),
        inside=False,
        draw=lambda rng, ohms: Input(
            celsius=type1_celsius(float(rng.choice([2000.0, 2252.0, 3300.0, 7000.0])))
        ),
    ),
    Fault(
        label="ADC reference 1 to 5 % off",
        kinds=("adc-reference",),
        inside=False,
        draw=lambda rng, ohms: Input(adc_reference_share=1 + _either(rng, 0.01, 0.05)),
    ),
    Fault(
        label="intermittent series resistance",
        kinds=("intermittent-contact",),
        inside=False,
        draw=_intermittent,
    ),
    Fault(
        label="series and gain",
        kinds=("series-resistance+gain",),
        inside=False,
        draw=lambda rng, ohms: Input(series_ohms=_log(rng, 40, 300), pullup_ohms=_gained(rng)),
    ),
    Fault(
        label="curve that is no candidate, and series",
        kinds=("unknown-curve+series-resistance", "unknown-curve"),
        inside=False,
        draw=lambda rng, ohms: Input(
            celsius=_other_curve(rng), series_ohms=_log(rng, 40, 300)
        ),
    ),
)


def sweep_ohms(rng: np.random.Generator, count: int) -> Array:
    """Return the resistances of a sweep of -30 to 120 degC: 61 are the 5 degC sweep up and down.

    A ladder misses its targets a little: by up to 0.3 degC.
    """
    celsius = (
        np.concatenate([np.arange(-30, 121, 5), np.arange(115, -31, -5)]).astype(float)
        if count == 61
        else np.linspace(-30, 120, count)
    )
    return type1_ohms(celsius + rng.uniform(-0.3, 0.3, celsius.size))


def reported(
    fault: Fault, rng: np.random.Generator, *, count: int, noise_celsius: float, **changes: Any
) -> tuple[Array, Array]:
    """Return resistances and reported temperatures of one run."""
    ohms = sweep_ohms(rng, count)
    module = replace(fault.draw(rng, ohms), **changes)
    return ohms, module.reports(ohms, rng, noise_celsius)
