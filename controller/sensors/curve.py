"""What every sensor curve can do, whatever its kind: the interface to the rest."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy.typing as npt

from controller.arrays import FloatArray
from controller.sensors.tolerance import ToleranceClass

__all__ = ["Curve", "Sensor"]


class Curve(Protocol):
    """A strictly monotone relation between temperature and resistance over a stated span.

    All methods take scalars or arrays of any shape and return arrays of the same shape (0-d for
    a scalar; `float()` makes a number of it). A curve never changes, and equal ones have one hash.
    """

    def __hash__(self) -> int:
        """Return the hash by which what is known of a curve is kept."""

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
        """Return the curve's own standard uncertainty (k = 1) in degC; zero where it defines."""

    def covariance_celsius2(self, celsius: FloatArray) -> FloatArray:
        """Return the joint covariance in degC^2 of the curve at n temperatures: (n, n).

        Its diagonal is `uncertainty_celsius` squared; it is positive semidefinite. Raises
        SpanError outside the span.
        """


@dataclass(frozen=True, kw_only=True)
class Sensor:
    """A named curve, and the maker's limit of error: one for all temperatures, or a class.

    Both are None when nothing is stated. `warnings` are sentences for people, for example which
    chart point does not belong.
    """

    name: str
    kind: str
    curve: Curve
    tolerance_celsius: float | None = None
    tolerance_class: ToleranceClass | None = None
    warnings: tuple[str, ...] = ()

    def tolerance_at(self, celsius: float) -> float | None:
        """Return the limit of error in degC at a temperature; None when there is none."""
        if self.tolerance_class is not None:
            return self.tolerance_class.at(celsius)
        return self.tolerance_celsius
