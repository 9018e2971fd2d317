"""What every sensor curve can do, whatever its kind.

Knows: the interface between sensor kinds and the rest, and the checks they share.
Must not know: any particular kind, files, ladders.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy.typing as npt

from controller.arrays import FloatArray

__all__ = ["Curve", "Sensor"]


class Curve(Protocol):
    """A strictly monotone relation between temperature and resistance over a stated span.

    All methods take scalars or arrays of any shape and return arrays of the same shape (0-d for
    a scalar; `float()` makes a number of it).
    """

    @property
    def lowest_celsius(self) -> float:
        """The lowest temperature of the span."""

    @property
    def highest_celsius(self) -> float:
        """The highest temperature of the span."""

    @property
    def rising(self) -> bool:
        """Whether resistance grows with temperature (RTD, PTC) or falls (NTC)."""

    def ohms(self, celsius: npt.ArrayLike) -> FloatArray:
        """Return the resistance in ohm. Raises SpanError outside the span."""

    def celsius(self, ohms: npt.ArrayLike) -> FloatArray:
        """Return the temperature in degC. Raises SpanError outside the span."""

    def slope_ohms_per_kelvin(self, celsius: npt.ArrayLike) -> FloatArray:
        """Return dR/dT in ohm per kelvin: negative for an NTC."""

    def uncertainty_celsius(self, celsius: npt.ArrayLike) -> FloatArray:
        """Return the curve's own standard uncertainty (k = 1) in degC; zero when none is known."""


@dataclass(frozen=True, kw_only=True)
class Sensor:
    """A named curve. `tolerance_celsius` is the maker's limit of error, None when not stated.

    `warnings` are sentences for people, for example which chart point does not belong.
    """

    name: str
    kind: str
    curve: Curve
    tolerance_celsius: float | None = None
    warnings: tuple[str, ...] = ()
