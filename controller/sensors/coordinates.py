"""The coordinates in which a kind of sensor is nearly a straight line.

Knows: 1/T against ln R for a thermistor that falls, degC against ohm for everything that rises.
Must not know: points, fits, files.
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
