"""Modules for the tests, on a Beta curve of their own (numbers invented)."""

from dataclasses import dataclass

import numpy as np
import pytest

from controller.module.model import Module
from controller.sensors.curve import Sensor


@dataclass(frozen=True, kw_only=True)
class BetaCurve:
    """R = R25 exp(B (1/T - 1/T25)), written out here so that the tests need no other part."""

    lowest_celsius: float = -45.0
    highest_celsius: float = 150.0
    rising: bool = False
    reference_ohms: float = 2800.0
    beta_kelvin: float = 3500.0

    def ohms(self, celsius):
        kelvin = np.asarray(celsius, dtype=float) + 273.15
        return self.reference_ohms * np.exp(self.beta_kelvin * (1 / kelvin - 1 / 298.15))

    def celsius(self, ohms):
        inverse = np.log(np.asarray(ohms) / self.reference_ohms) / self.beta_kelvin + 1 / 298.15
        return 1 / inverse - 273.15

    def slope_ohms_per_kelvin(self, celsius):
        kelvin = np.asarray(celsius, dtype=float) + 273.15
        return -self.beta_kelvin / kelvin**2 * self.ohms(celsius)

    def uncertainty_celsius(self, celsius):
        return np.zeros_like(np.asarray(celsius, dtype=float))


@pytest.fixture(scope="session")
def sensor():
    return Sensor(name="test sensor", kind="ntc-beta", curve=BetaCurve())


@pytest.fixture(scope="session")
def make_module(sensor):
    """Build the module at hand, with some of its values changed."""

    def make(**changes):
        values = {
            "name": "module at hand",
            "sensor": sensor,
            "reference_volts": 5.0,
            "pullup_ohms": 2490.0,
            "open_reports_celsius": -40.0,
            "short_reports_celsius": 130.0,
            "filter_time_constant_s": 0.15,
        }
        return Module(**{**values, **changes})

    return make
