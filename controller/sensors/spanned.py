"""The part every curve shares: its span, the refusal outside it, and arrays of any shape."""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from controller.arrays import FloatArray
from controller.errors import InputError, SpanError
from controller.sensors.error_parts import ErrorPart, covariance_celsius2, uncertainty_celsius
from controller.units import KELVIN_AT_ZERO_CELSIUS, format_ohms

__all__ = ["SpannedCurve"]

# Round trips end a few bits beyond the ends of the span; that is no reason to refuse.
_SLACK_CELSIUS = 1e-9
_SLACK_OHMS_RELATIVE = 1e-9
_GRID = 2049
_FORMULA_LENGTH_SHARE = 0.25


@dataclass(frozen=True, kw_only=True)
class SpannedCurve(ABC):
    """A strictly monotone curve from `lowest_celsius` to `highest_celsius` (see `Curve`).

    `label` names the curve in messages. `model_uncertainty_celsius` is how well the formula follows
    the sensor (k = 1), zero where the formula is what defines it; the deviation is smooth, and
    taken to lose its correlation over a quarter of the span.

    A kind implements the methods with an underscore; they get float arrays whose values lie inside
    the span. Raises InputError on construction when the span is reversed, reaches absolute zero,
    or the curve is not strictly monotone and above zero ohm on it.
    """

    lowest_celsius: float
    highest_celsius: float
    label: str = "the sensor"
    model_uncertainty_celsius: float = 0.0

    def __post_init__(self) -> None:
        low, high = self.lowest_celsius, self.highest_celsius
        if not low < high:
            raise InputError.single(
                f"the span is reversed: from {low:g} to {high:g} degC", key="highest_celsius"
            )
        if not low > -KELVIN_AT_ZERO_CELSIUS:
            raise InputError.single(
                f"the span starts at {low:g} degC, not above absolute zero", key="lowest_celsius"
            )
        self._refuse_unless_monotone()

    @abstractmethod
    def _ohms(self, celsius: FloatArray) -> FloatArray: ...

    @abstractmethod
    def _celsius(self, ohms: FloatArray) -> FloatArray: ...

    @abstractmethod
    def _slope(self, celsius: FloatArray) -> FloatArray: ...

    def _error_parts(self, celsius: FloatArray) -> tuple[ErrorPart, ...]:
        """Return what the curve may be wrong by at temperatures of any shape inside the span."""
        length = _FORMULA_LENGTH_SHARE * (self.highest_celsius - self.lowest_celsius)
        modes = np.full((*celsius.shape, 1), self.model_uncertainty_celsius)
        return (ErrorPart(name="formula", modes=modes, length_celsius=length),)

    @cached_property
    def ends_ohms(self) -> tuple[float, float]:
        """The resistances at the lowest and the highest temperature of the span."""
        low, high = self._ohms(np.array([self.lowest_celsius, self.highest_celsius]))
        return float(low), float(high)

    @property
    def rising(self) -> bool:
        """Whether resistance grows with temperature."""
        return self.ends_ohms[1] > self.ends_ohms[0]

    def ohms(self, celsius: npt.ArrayLike) -> FloatArray:
        """Return the resistance in ohm. Raises SpanError outside the span."""
        return np.asarray(self._ohms(self._inside(celsius)))

    def celsius(self, ohms: npt.ArrayLike) -> FloatArray:
        """Return the temperature in degC. Raises SpanError outside the span."""
        given = np.asarray(ohms, dtype=np.float64)
        least, most = sorted(self.ends_ohms)
        slack = _SLACK_OHMS_RELATIVE
        outside = ~((given >= least * (1 - slack)) & (given <= most * (1 + slack)))
        if outside.any():
            value = float(given[outside].flat[0])
            shown = "nan ohm" if math.isnan(value) else format_ohms(value)
            raise SpanError.single(
                f"{shown} is outside the span of {self.label}, "
                f"{format_ohms(least)} to {format_ohms(most)} "
                f"({self.lowest_celsius:g} to {self.highest_celsius:g} degC)"
            )
        found = self._celsius(np.clip(given, least, most))
        return np.asarray(np.clip(found, self.lowest_celsius, self.highest_celsius))

    def slope_ohms_per_kelvin(self, celsius: npt.ArrayLike) -> FloatArray:
        """Return dR/dT in ohm per kelvin. Raises SpanError outside the span."""
        return np.asarray(self._slope(self._inside(celsius)))

    def uncertainty_celsius(self, celsius: npt.ArrayLike) -> FloatArray:
        """Return the standard uncertainty (k = 1) in degC. Raises SpanError outside the span."""
        inside = self._inside(celsius)
        return uncertainty_celsius(self._error_parts(inside), inside)

    def covariance_celsius2(self, celsius: FloatArray) -> FloatArray:
        """Return the covariance in degC^2 at n temperatures: (n, n). Raises SpanError outside."""
        inside = self._inside(celsius).reshape(-1)
        return covariance_celsius2(self._error_parts(inside), inside)

    def _inside(self, celsius: npt.ArrayLike) -> FloatArray:
        given = np.asarray(celsius, dtype=np.float64)
        low, high = self.lowest_celsius, self.highest_celsius
        outside = ~((given >= low - _SLACK_CELSIUS) & (given <= high + _SLACK_CELSIUS))
        if outside.any():
            value = float(given[outside].flat[0])
            raise SpanError.single(
                f"{value:g} degC is outside the span of {self.label}, {low:g} to {high:g} degC"
            )
        return np.asarray(np.clip(given, low, high))

    def _refuse_unless_monotone(self) -> None:
        """Look at the slope on a fine grid; kinds that can tell exactly override this."""
        grid = np.linspace(self.lowest_celsius, self.highest_celsius, _GRID)
        with np.errstate(all="ignore"):
            ohms, slope = self._ohms(grid), self._slope(grid)
        if not (np.isfinite(ohms).all() and np.isfinite(slope).all()):
            raise InputError.single("the resistance is not finite over the whole span")
        if (ohms <= 0.0).any():
            at = float(grid[ohms <= 0.0][0])
            raise InputError.single(f"the resistance is not above zero at {at:.6g} degC")
        direction = np.sign(ohms[-1] - ohms[0])
        turns = (np.sign(slope) != direction) | np.append(
            np.sign(np.diff(ohms)) != direction, direction == 0
        )
        if turns.any():
            at = float(grid[turns][0])
            raise InputError.single(
                f"the curve is not strictly monotone: it turns near {at:.6g} degC",
                hint="narrow lowest_celsius and highest_celsius, or check the numbers",
            )
