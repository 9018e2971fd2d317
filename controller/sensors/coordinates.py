"""The coordinates in which a kind of sensor is nearly a straight line, and how nearly.

1/T against ln R for a thermistor that falls, degC against ohm for everything that rises.
"""

from __future__ import annotations

from abc import ABC, abstractmethod

import numpy as np

from controller.arrays import FloatArray
from controller.units import KELVIN_AT_ZERO_CELSIUS

__all__ = ["NTC", "STRAIGHT", "Coordinates"]


class Coordinates(ABC):
    """A pair of strictly monotone maps: temperature to `u`, resistance to `v`, and back."""

    name: str
    bends: tuple[float, ...]
    """How far sensors are from straight: standard deviations about zero of the coefficients of
    powers 2, 3, ... over the linear one, when u is written as a polynomial of v, with v in its
    natural unit. The same serve for v as a polynomial of u."""

    @abstractmethod
    def natural(self, v: FloatArray) -> float:
        """Return the unit of `v` in which the bends are given: 1 in ln R, the mean R in ohm."""

    def bends_over(self, v: FloatArray) -> tuple[float, ...]:
        """Return the bends for points spread over a range scaled to -1 to 1, over the slope."""
        scale = float(np.ptp(v)) / 2.0 / self.natural(v)
        return tuple(bend * scale**power for power, bend in enumerate(self.bends, start=1))

    @abstractmethod
    def u(self, celsius: FloatArray) -> FloatArray:
        """Return the coordinate of a temperature in degC."""

    @abstractmethod
    def celsius(self, u: FloatArray) -> FloatArray:
        """Return the temperature in degC of a coordinate."""

    @abstractmethod
    def du_dcelsius(self, celsius: FloatArray) -> FloatArray:
        """Return the slope of `u`."""

    @abstractmethod
    def v(self, ohms: FloatArray) -> FloatArray:
        """Return the coordinate of a resistance in ohm."""

    @abstractmethod
    def ohms(self, v: FloatArray) -> FloatArray:
        """Return the resistance in ohm of a coordinate."""

    @abstractmethod
    def dv_dohms(self, ohms: FloatArray) -> FloatArray:
        """Return the slope of `v`."""


class _Ntc(Coordinates):
    name = "1/T against ln R"
    # Fitted over -40 to 120 degC, five published curves (the Type 1 ratio curve, 10K3, others) have
    # 0.009 to 0.010, 2.5e-4 to 4.3e-4, and up to 1.7e-5.
    bends = (0.0125, 5e-4, 3e-5)

    def natural(self, v: FloatArray) -> float:  # noqa: ARG002
        return 1.0

    def u(self, celsius: FloatArray) -> FloatArray:
        return 1.0 / (celsius + KELVIN_AT_ZERO_CELSIUS)

    def celsius(self, u: FloatArray) -> FloatArray:
        return 1.0 / u - KELVIN_AT_ZERO_CELSIUS

    def du_dcelsius(self, celsius: FloatArray) -> FloatArray:
        return -1.0 / (celsius + KELVIN_AT_ZERO_CELSIUS) ** 2

    def v(self, ohms: FloatArray) -> FloatArray:
        return np.log(ohms)

    def ohms(self, v: FloatArray) -> FloatArray:
        return np.exp(v)

    def dv_dohms(self, ohms: FloatArray) -> FloatArray:
        return 1.0 / ohms


class _Straight(Coordinates):
    name = "degC against ohm"
    # Silicon PTC, nickel, copper and platinum have up to 0.25, 0.12, 0.11 and, where a silicon
    # curve changes its equation at 100 degC, 0.24.
    bends = (0.35, 0.15, 0.12, 0.25)

    def natural(self, v: FloatArray) -> float:
        return float(v.mean())

    def u(self, celsius: FloatArray) -> FloatArray:
        return celsius

    def celsius(self, u: FloatArray) -> FloatArray:
        return u

    def du_dcelsius(self, celsius: FloatArray) -> FloatArray:
        return np.ones_like(celsius)

    def v(self, ohms: FloatArray) -> FloatArray:
        return ohms

    def ohms(self, v: FloatArray) -> FloatArray:
        return v

    def dv_dohms(self, ohms: FloatArray) -> FloatArray:
        return np.ones_like(ohms)


NTC: Coordinates = _Ntc()
STRAIGHT: Coordinates = _Straight()
