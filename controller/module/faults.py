"""Faults that can be put into a simulated circuit or module.

Knows: what each fault does to the resistance the module seems to see, or to its report.
Must not know: time, filters, files.

The electrical ones act as `seen = g ((R + Rs) || Rl)`. Several of a kind combine the way the
circuit would: series resistances add, leakage conductances add, gains multiply.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TypeAlias

from controller.sensors.curve import Sensor

__all__ = [
    "CurveOffset",
    "Fault",
    "Gain",
    "LeakageToGround",
    "Noise",
    "SeriesResistance",
    "StuckReport",
    "WrongCurve",
    "seen_ohms",
]


@dataclass(frozen=True, kw_only=True)
class SeriesResistance:
    """A corroded connector or a bad crimp: `ohms` in the sensor wire."""

    ohms: float


@dataclass(frozen=True, kw_only=True)
class LeakageToGround:
    """A wet connector: `ohms` across the module's input."""

    ohms: float


@dataclass(frozen=True, kw_only=True)
class Gain:
    """A pull-up that has drifted: the module sees every resistance times `factor`.

    A true pull-up of Rp/factor where the module believes in Rp has exactly this effect.
    """

    factor: float


@dataclass(frozen=True, kw_only=True)
class WrongCurve:
    """The module converts with another sensor's curve than its file says."""

    sensor: Sensor


@dataclass(frozen=True, kw_only=True)
class CurveOffset:
    """The module's temperature is off by `kelvin` everywhere."""

    kelvin: float


@dataclass(frozen=True, kw_only=True)
class StuckReport:
    """The module reports `celsius` whatever it measures; its codes still work."""

    celsius: float


@dataclass(frozen=True, kw_only=True)
class Noise:
    """Gaussian noise at the converter, behind the filter: `volts` is its standard deviation."""

    volts: float


Fault: TypeAlias = (
    SeriesResistance | LeakageToGround | Gain | WrongCurve | CurveOffset | StuckReport | Noise
)


def seen_ohms(ohms: float, faults: Iterable[Fault]) -> float:
    """Return g ((R + Rs) || Rl): the resistance the module seems to see. math.inf is open."""
    series, leakage_siemens, gain = 0.0, 0.0, 1.0
    for fault in faults:
        match fault:
            case SeriesResistance():
                series += fault.ohms
            case LeakageToGround():
                leakage_siemens += 1.0 / fault.ohms if fault.ohms else math.inf
            case Gain():
                gain *= fault.factor
            case _:
                pass
    through = ohms + series
    if through == 0.0 or math.isinf(leakage_siemens):
        return 0.0
    if leakage_siemens == 0.0:
        return gain * through
    return gain / (1.0 / through + leakage_siemens)
