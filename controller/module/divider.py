"""The voltage divider at a module's input, and the converter behind it.

Knows: a pull-up to a reference, a resistance to ground, and two conventions of ADC codes.
Must not know: temperatures, filters, modules.

All functions are pure, take scalars or arrays that broadcast, and return arrays. Open circuits are
math.inf. Formulas: Ohm's law; V = Vref R/(R + Rp).
"""

from __future__ import annotations

from enum import Enum
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

from controller.arrays import FloatArray

__all__ = [
    "AdcConvention",
    "adc_code",
    "adc_volts",
    "divider_ohms",
    "divider_volts",
    "most_watts",
    "short_circuit_amperes",
]

IntArray: TypeAlias = npt.NDArray[np.int64]


class AdcConvention(Enum):
    """How a fraction f of the reference becomes a code of n bits; the two differ by one count."""

    FLOOR = "floor"
    """floor(f 2^n), at most 2^n - 1. A code stands for the middle of its interval."""
    ROUND = "round"
    """round(f (2^n - 1)), halves up. A code stands for code/(2^n - 1)."""


def divider_volts(
    reference_volts: npt.ArrayLike, pullup_ohms: npt.ArrayLike, ohms: npt.ArrayLike
) -> FloatArray:
    """Return the input voltage for a resistance to ground of zero to infinity.

    Written as Vref / (1 + Rp/R), which holds at both ends.
    """
    resistance = np.asarray(ohms, dtype=np.float64)
    with np.errstate(divide="ignore", over="ignore"):
        ratio = np.asarray(pullup_ohms, dtype=np.float64) / resistance
    return np.asarray(np.asarray(reference_volts, dtype=np.float64) / (1.0 + ratio))


def divider_ohms(
    reference_volts: npt.ArrayLike, pullup_ohms: npt.ArrayLike, volts: npt.ArrayLike
) -> FloatArray:
    """Return the resistance that gives a voltage: Rp V/(Vref - V); at Vref and above math.inf."""
    reference = np.asarray(reference_volts, dtype=np.float64)
    voltage = np.clip(np.asarray(volts, dtype=np.float64), 0.0, reference)
    with np.errstate(divide="ignore"):
        return np.asarray(np.asarray(pullup_ohms) * voltage / (reference - voltage))


def short_circuit_amperes(reference_volts: npt.ArrayLike, pullup_ohms: npt.ArrayLike) -> FloatArray:
    """Return the current into a dead short: Vref/Rp."""
    return np.asarray(np.asarray(reference_volts, dtype=np.float64) / np.asarray(pullup_ohms))


def most_watts(reference_volts: npt.ArrayLike, pullup_ohms: npt.ArrayLike) -> FloatArray:
    """Return the most power a resistance to ground can take, which is at R = Rp: Vref^2/(4 Rp)."""
    reference = np.asarray(reference_volts, dtype=np.float64)
    return np.asarray(reference**2 / (4.0 * np.asarray(pullup_ohms)))


def adc_code(fraction: npt.ArrayLike, bits: int, convention: AdcConvention) -> IntArray:
    """Return the code for a fraction of the reference; outside 0 to 1 the converter saturates."""
    share = np.clip(np.asarray(fraction, dtype=np.float64), 0.0, 1.0)
    highest = 2**bits - 1
    if convention is AdcConvention.FLOOR:
        code = np.minimum(np.floor(share * 2**bits), highest)
    else:
        code = np.floor(share * highest + 0.5)
    return np.asarray(code, dtype=np.int64)


def adc_volts(
    code: npt.ArrayLike, bits: int, convention: AdcConvention, reference_volts: float
) -> FloatArray:
    """Return the voltage a code stands for (see AdcConvention)."""
    count = np.asarray(code, dtype=np.float64)
    if convention is AdcConvention.FLOOR:
        return np.asarray((count + 0.5) / 2**bits * reference_volts)
    return np.asarray(count / (2**bits - 1) * reference_volts)
