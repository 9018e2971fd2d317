"""A module's table from ADC code to temperature and report.

Knows: that a module computes from the code alone, so that 2^n values say all it can ever say.
Must not know: time, faults, fault limits.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from controller.module.divider import adc_volts, divider_ohms
from controller.module.encoding import quantise
from controller.module.model import Module
from controller.sensors.curve import Curve

__all__ = ["Conversion"]


@dataclass(frozen=True, kw_only=True, eq=False)
class Conversion:
    """For each code: the voltage it stands for, the temperature, and the report made of it.

    All of shape (2^bits,). Resistances beyond the curve's span give the temperature at its end.
    """

    pullup_ohms: float
    volts: npt.NDArray[np.float64]
    celsius: npt.NDArray[np.float64]
    reported_celsius: npt.NDArray[np.float64]

    @classmethod
    def of(
        cls, module: Module, pullup_ohms: float, curve: Curve, offset_kelvin: float = 0.0
    ) -> Conversion:
        """Build the table for one pull-up."""
        code = np.arange(2**module.adc_bits)
        volts = adc_volts(code, module.adc_bits, module.adc_convention, module.reference_volts)
        ohms = divider_ohms(module.reference_volts, pullup_ohms, volts)
        ends = np.array([curve.lowest_celsius, curve.highest_celsius])
        (low_ohms, at_low), (high_ohms, at_high) = sorted(
            zip(curve.ohms(ends).tolist(), ends.tolist(), strict=True)
        )
        celsius = np.where(ohms <= low_ohms, at_low, at_high)
        inside = (ohms > low_ohms) & (ohms < high_ohms)
        celsius[inside] = curve.celsius(ohms[inside])
        celsius = celsius + offset_kelvin
        reported = quantise(
            celsius,
            resolution_celsius=module.resolution_celsius,
            rounding=module.rounding,
            lowest_celsius=module.lowest_report_celsius,
            highest_celsius=module.highest_report_celsius,
        )
        return cls(pullup_ohms=pullup_ohms, volts=volts, celsius=celsius, reported_celsius=reported)
