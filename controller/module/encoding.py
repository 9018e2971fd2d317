"""How a temperature is put into a report: steps, limits, and the bytes of two open standards.

Knows: quantisation, and one-byte temperatures with an offset.
Must not know: resistances, modules, buses.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import Enum
from typing import Final

import numpy as np
import numpy.typing as npt

__all__ = ["ENCODINGS", "PID_05", "SPN_110", "ByteEncoding", "Rounding", "quantise"]


class Rounding(Enum):
    """Which step stands for a temperature between two steps."""

    NEAREST = "nearest"
    """The nearer one; halfway, the higher."""
    TRUNCATE = "truncate"
    """The lower one, as integer arithmetic on a positive offset value gives it."""


def quantise(
    celsius: npt.ArrayLike,
    *,
    resolution_celsius: float,
    rounding: Rounding,
    lowest_celsius: float = -math.inf,
    highest_celsius: float = math.inf,
) -> npt.NDArray[np.float64]:
    """Return temperatures in whole steps of the resolution, then limited; any shape.

    Steps count from 0 degC. Sums of binary fractions are cleaned to 1e-9 degC.
    """
    shift = 0.5 if rounding is Rounding.NEAREST else 1e-9
    steps = np.floor(np.asarray(celsius, dtype=np.float64) / resolution_celsius + shift)
    return np.asarray(
        np.clip(np.round(steps * resolution_celsius, 9), lowest_celsius, highest_celsius)
    )


@dataclass(frozen=True, kw_only=True)
class ByteEncoding:
    """One byte A for a temperature: celsius = A * resolution + offset, for A up to `highest_raw`.

    Raw values above that are not a measurement.
    """

    name: str
    offset_celsius: float
    resolution_celsius: float
    highest_raw: int

    @property
    def lowest_celsius(self) -> float:
        """The lowest temperature the byte can carry."""
        return self.offset_celsius

    @property
    def highest_celsius(self) -> float:
        """The highest temperature the byte can carry."""
        return self.offset_celsius + self.highest_raw * self.resolution_celsius

    def encode(self, celsius: float, rounding: Rounding = Rounding.NEAREST) -> int:
        """Return the byte; temperatures beyond its span give the end of the span."""
        above_offset = quantise(
            celsius - self.offset_celsius,
            resolution_celsius=self.resolution_celsius,
            rounding=rounding,
        )
        return min(max(round(float(above_offset) / self.resolution_celsius), 0), self.highest_raw)

    def decode(self, raw: int) -> float | None:
        """Return degC, or None when the byte is not a measurement. ValueError: not a byte."""
        if not 0 <= raw <= 0xFF:
            raise ValueError(f"{raw} is not a byte")
        if raw > self.highest_raw:
            return None
        return raw * self.resolution_celsius + self.offset_celsius


PID_05: Final = ByteEncoding(
    name="sae-j1979-pid-05", offset_celsius=-40.0, resolution_celsius=1.0, highest_raw=0xFF
)
"""SAE J1979 / ISO 15031-5, service 01: coolant (05) and intake air (0F) temperature."""

SPN_110: Final = ByteEncoding(
    name="sae-j1939-spn-110", offset_celsius=-40.0, resolution_celsius=1.0, highest_raw=0xFA
)
"""SAE J1939-71, SPN 110, engine coolant temperature: 0xFB and above are not a measurement."""

ENCODINGS: Final = {encoding.name: encoding for encoding in (PID_05, SPN_110)}
