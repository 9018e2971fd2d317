"""NTC thermistors given by an equation: Beta, Steinhart-Hart, resistance ratio.

T is the absolute temperature in kelvin throughout, T = t + 273.15.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from controller.arrays import FloatArray
from controller.errors import InputError
from controller.sensors.coordinates import NTC
from controller.sensors.error_parts import PUBLISHED_CELSIUS, ErrorPart
from controller.sensors.solve import solve_monotone
from controller.sensors.spanned import SpannedCurve
from controller.units import KELVIN_AT_ZERO_CELSIUS

__all__ = ["BEND_KELVIN2", "BETA_TO_CELSIUS", "BetaCurve", "RatioCurve", "SteinhartHartCurve"]

BETA_TO_CELSIUS = 85.0
"""The other end of most printed B-values, B25/85 (common practice, no source)."""
BEND_KELVIN2 = 3.5e5
"""More than the bend of ln R over 1/T of published thermistors: 2.9e5 K^2 for the Type 1 ratio
curve and for 10K3 at 25 degC, 3.1e5 for one of B25/85 = 3977 K (that one from memory)."""


@dataclass(frozen=True, kw_only=True)
class BetaCurve(SpannedCurve):
    """R = R0 exp(B (1/T - 1/T0)), the B-value definition of IEC 60539-1.

    No thermistor has one B: its ln R bends with 1/T, and the formula holds at the two temperatures
    B was taken between, `reference_celsius` and `beta_to_celsius`. Between and beyond them it is
    off by ``1/2 k (u - u0)(u - u1)`` in ln R, u = 1/T, with k anywhere up to `bend_kelvin2` either
    way; zero says that the formula defines the sensor.
    """

    reference_ohms: float
    reference_celsius: float
    beta_kelvin: float
    beta_to_celsius: float = BETA_TO_CELSIUS
    bend_kelvin2: float = 0.0

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

    def _error_parts(self, celsius: FloatArray) -> tuple[ErrorPart, ...]:
        if self.bend_kelvin2 == 0.0:
            return super()._error_parts(celsius)
        u = NTC.u(celsius)
        others = NTC.u(np.array(self.beta_to_celsius))
        ln = 0.5 * self.bend_kelvin2 * (u - self._inverse_reference) * (u - others)
        # Anywhere up to a limit, either way: rectangular (JCGM 100:2008, 4.3.7).
        bend = ln / (self.beta_kelvin * NTC.du_dcelsius(celsius)) / math.sqrt(3.0)
        modes = np.stack([bend, np.full_like(bend, PUBLISHED_CELSIUS)], axis=-1)
        return (*super()._error_parts(celsius), ErrorPart(name="formula bends", modes=modes))


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
