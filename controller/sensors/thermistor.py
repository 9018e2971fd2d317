"""NTC thermistors given by an equation: Beta, Steinhart-Hart, resistance ratio.

Knows: the three equations and their inverses.
Must not know: files, points, other kinds.

T is the absolute temperature in kelvin throughout, T = t + 273.15.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from controller.arrays import FloatArray
from controller.errors import InputError
from controller.sensors.coordinates import NTC
from controller.sensors.solve import solve_monotone
from controller.sensors.spanned import SpannedCurve
from controller.units import KELVIN_AT_ZERO_CELSIUS

__all__ = ["BetaCurve", "RatioCurve", "SteinhartHartCurve"]


@dataclass(frozen=True, kw_only=True)
class BetaCurve(SpannedCurve):
    """R = R0 exp(B (1/T - 1/T0)), the B-value definition of IEC 60539-1."""

    reference_ohms: float
    reference_celsius: float
    beta_kelvin: float

    def __post_init__(self) -> None:
        for key in ("reference_ohms", "beta_kelvin"):
            if not getattr(self, key) > 0.0:
                raise InputError.single("must be more than 0", key=key)
        super().__post_init__()

    @property
    def _inverse_reference(self) -> float:
        return 1.0 / (self.reference_celsius + KELVIN_AT_ZERO_CELSIUS)

    def _ohms(self, celsius: FloatArray) -> FloatArray:
        exponent = self.beta_kelvin * (NTC.u(celsius) - self._inverse_reference)
        return np.asarray(self.reference_ohms * np.exp(exponent))

    def _celsius(self, ohms: FloatArray) -> FloatArray:
        ratio = np.log(ohms / self.reference_ohms)
        return NTC.celsius(self._inverse_reference + ratio / self.beta_kelvin)

    def _slope(self, celsius: FloatArray) -> FloatArray:
        return self._ohms(celsius) * self.beta_kelvin * NTC.du_dcelsius(celsius)


@dataclass(frozen=True, kw_only=True)
class SteinhartHartCurve(SpannedCurve):
    """1/T = a + b ln R + c ln^3 R (Steinhart & Hart, Deep-Sea Research 15, 1968, 497-503).

    The way from temperature to resistance is the real root of a cubic in ln R, in closed form:
    with a sinh where c is positive, with a sine (the middle one of three roots, the only branch
    that falls) where c is negative.
    """

    a: float
    b: float
    c: float

    def __post_init__(self) -> None:
        if not self.b > 0.0:
            raise InputError.single(
                f"must be more than 0, is {self.b:g}",
                key="b",
                hint="without it resistance does not fall over the whole span",
            )
        super().__post_init__()

    def _ln_ohms(self, celsius: FloatArray) -> FloatArray:
        inverse = NTC.u(celsius)
        if self.c == 0.0:
            return np.asarray((inverse - self.a) / self.b)
        p = self.b / self.c
        q = (self.a - inverse) / self.c
        k = 2.0 * math.sqrt(abs(p) / 3.0)
        if self.c > 0.0:
            return np.asarray(k * np.sinh(np.arcsinh(-4.0 * q / k**3) / 3.0))
        return np.asarray(k * np.sin(np.arcsin(4.0 * q / k**3) / 3.0))

    def _ohms(self, celsius: FloatArray) -> FloatArray:
        return np.asarray(np.exp(self._ln_ohms(celsius)))

    def _celsius(self, ohms: FloatArray) -> FloatArray:
        ln = np.log(ohms)
        return NTC.celsius(self.a + ln * (self.b + self.c * ln**2))

    def _slope(self, celsius: FloatArray) -> FloatArray:
        ln = self._ln_ohms(celsius)
        return np.asarray(np.exp(ln) * NTC.du_dcelsius(celsius) / (self.b + 3.0 * self.c * ln**2))


@dataclass(frozen=True, kw_only=True)
class RatioCurve(SpannedCurve):
    """R = R0 exp(a + b/T + c/T^2 + d/T^3), the form NTC ratio tables are published in.

    `reference_ohms` is the resistance where the table's ratio is 1, usually at 25 degC. The
    inverse solves this same equation, so that round trips close; the separate polynomial for
    1/T that is printed beside such tables differs from it by some hundredths of a kelvin.
    """

    reference_ohms: float
    a: float
    b: float
    c: float
    d: float

    def __post_init__(self) -> None:
        if not self.reference_ohms > 0.0:
            raise InputError.single("must be more than 0", key="reference_ohms")
        super().__post_init__()

    def _ln_ratio(self, u: FloatArray) -> FloatArray:
        return self.a + u * (self.b + u * (self.c + u * self.d))

    def _ln_ratio_slope(self, u: FloatArray) -> FloatArray:
        return self.b + u * (2.0 * self.c + u * 3.0 * self.d)

    def _ohms(self, celsius: FloatArray) -> FloatArray:
        return np.asarray(self.reference_ohms * np.exp(self._ln_ratio(NTC.u(celsius))))

    def _celsius(self, ohms: FloatArray) -> FloatArray:
        low, high = NTC.u(np.array([self.highest_celsius, self.lowest_celsius]))
        target = np.asarray(np.log(ohms / self.reference_ohms))
        u = solve_monotone(self._ln_ratio, self._ln_ratio_slope, target, float(low), float(high))
        return NTC.celsius(u)

    def _slope(self, celsius: FloatArray) -> FloatArray:
        gradient = self._ln_ratio_slope(NTC.u(celsius))
        return self._ohms(celsius) * gradient * NTC.du_dcelsius(celsius)
