"""A sensor input worked out on paper: divider, converter, curves from published tables.

Nothing of the product is imported here: what the diagnosis is judged by must not share its
formulas. The module's curve is a spline through the published ratio table of the Type 1 material
(tests/reference/ntc_type1_ratio.csv); other sensors are the printed Steinhart-Hart constants of a
10 kohm thermistor (tests/reference/ntc_10k3_steinhart_neg40_to_1.csv) and Beta equations
(IEC 60539-1), each at several sizes.
"""

from __future__ import annotations

import csv
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any, TypeAlias

import numpy as np
from scipy.interpolate import CubicSpline

REFERENCE = Path(__file__).resolve().parents[1] / "reference"
KELVIN = 273.15
Array: TypeAlias = np.ndarray[Any, np.dtype[np.float64]]
Celsius: TypeAlias = Callable[[Array], Array]
"""Resistance in ohm -> temperature in degC."""


@cache
def type1_table() -> tuple[Array, Array]:
    """Return the published table: degC, and the ratio to the resistance at 25 degC."""
    with (REFERENCE / "ntc_type1_ratio.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(line for line in file if not line.startswith("#")))
    return (
        np.array([float(row["t_degC"]) for row in rows]),
        np.array([float(row["ratio_eq"]) for row in rows]),
    )


def type1_ohms(celsius: Array, reference_ohms: float = 2800.0) -> Array:
    """Return the resistance of a Type 1 thermistor, between the table's points in 1/T."""
    at, ratio = type1_table()
    spline = CubicSpline(-1.0 / (at + KELVIN), np.log(ratio))
    return np.asarray(reference_ohms * np.exp(spline(-1.0 / (np.asarray(celsius) + KELVIN))))


def type1_celsius(reference_ohms: float = 2800.0) -> Celsius:
    """Return the inverse; beyond the table straight in 1/T against ln R."""
    at, ratio = type1_table()
    logs, inverse = np.log(ratio[::-1]), 1.0 / (at[::-1] + KELVIN)
    spline = CubicSpline(logs, inverse)

    def celsius(ohms: Array) -> Array:
        given = np.log(np.maximum(ohms, 1e-6) / reference_ohms)
        inside = np.clip(given, logs[0], logs[-1])
        found = spline(inside) + spline(inside, 1) * (given - inside)
        return np.asarray(1.0 / np.maximum(found, 1e-3) - KELVIN)

    return celsius


def steinhart_celsius(a: float, b: float, c: float, scale: float = 1.0) -> Celsius:
    """Return 1/T = a + b ln R + c ln^3 R, for a body of another size when `scale` is not 1."""

    def celsius(ohms: Array) -> Array:
        logs = np.log(np.maximum(ohms / scale, 1e-6))
        return np.asarray(1.0 / np.maximum(a + b * logs + c * logs**3, 1e-3) - KELVIN)

    return celsius


def beta_celsius(reference_ohms: float, beta_kelvin: float) -> Celsius:
    """Return 1/T = 1/298.15 + ln(R/R25)/B."""

    def celsius(ohms: Array) -> Array:
        logs = np.log(np.maximum(ohms, 1e-6) / reference_ohms)
        return np.asarray(1.0 / np.maximum(1.0 / 298.15 + logs / beta_kelvin, 1e-3) - KELVIN)

    return celsius


TEN_KOHM_CONSTANTS = (1.129241e-3, 2.341077e-4, 8.775468e-8)
"""As printed with the table in tests/reference/ntc_10k3_steinhart_neg40_to_1.csv."""


@dataclass(frozen=True, kw_only=True)
class Input:
    """A module's input with the wire to it; every field is healthy by default.

    `series_ohms` (a number, or one for every reading) and the leakages are in the wiring. The
    converter divides by its own reference, `adc_reference_share` of the one that feeds the
    pull-up; the arithmetic believes they are one. `celsius` is the module's curve.
    """

    celsius: Celsius = field(default_factory=type1_celsius)
    pullup_ohms: float = 2490.0
    believed_pullup_ohms: float = 2490.0
    reference_volts: float = 5.0
    adc_reference_share: float = 1.0
    adc_bits: int = 12
    series_ohms: Any = 0.0
    leakage_ohms: float = np.inf
    supply_volts: float = 12.5
    supply_leakage_ohms: float = np.inf
    second_pullup_ohms: float | None = None
    second_below_ohms: float = 0.0
    offset_celsius: float = 0.0
    step_celsius: float = 1.0
    lowest_celsius: float = -40.0
    highest_celsius: float = 130.0

    def reports(self, ohms: Array, rng: np.random.Generator, noise_celsius: float) -> Array:
        """Return what is reported for the resistances at the end of the wire."""
        pullup = np.full(ohms.shape, self.pullup_ohms)
        if self.second_pullup_ohms is not None:
            low = ohms < self.second_below_ohms
            both = self.pullup_ohms * self.second_pullup_ohms
            pullup[low] = both / (self.pullup_ohms + self.second_pullup_ohms)
        # Millman: the node's volts are all currents into it over all conductances at it.
        into = self.reference_volts / pullup + self.supply_volts / self.supply_leakage_ohms
        at = 1 / pullup + 1 / (ohms + self.series_ohms) + 1 / self.leakage_ohms
        volts = into / (at + 1 / self.supply_leakage_ohms)
        counts = np.floor(
            volts / (self.reference_volts * self.adc_reference_share) * 2**self.adc_bits
        )
        counts = np.clip(counts, 1, 2**self.adc_bits - 2)
        share = (counts + 0.5) / 2**self.adc_bits
        seen = self.believed_pullup_ohms * share / (1 - share)
        exact = self.celsius(seen) + self.offset_celsius + rng.normal(0, noise_celsius, ohms.size)
        steps = np.round(exact / self.step_celsius) if self.step_celsius > 0 else exact
        told = steps * self.step_celsius if self.step_celsius > 0 else steps
        return np.clip(told, self.lowest_celsius, self.highest_celsius)
