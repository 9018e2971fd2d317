"""What the readings of a run have in common: curve and rungs may be off for all of them."""

from __future__ import annotations

import numpy as np

from controller.arrays import FloatArray
from controller.diagnosis.readings import Readings
from controller.sensors.curve import Curve

__all__ = ["shared_celsius2"]


def shared_celsius2(readings: Readings, curve: Curve) -> FloatArray:
    """Return the covariance in degC^2 (n, n) of the temperatures the resistances stand for.

    Curve and ladder are independent of each other. A resistance's covariance becomes one of
    temperature through the slope of the curve (JCGM 100:2008, 5.2.2). Beyond its span the curve
    counts as known as well as at its end.
    """
    ends = np.sort(curve.ohms(np.array([curve.lowest_celsius, curve.highest_celsius])))
    celsius = curve.celsius(np.clip(readings.ohms, *ends))
    found = _curve_celsius2(curve, celsius)
    if readings.covariance_ohms2 is not None:
        per_ohm = 1.0 / curve.slope_ohms_per_kelvin(celsius)
        found = found + readings.covariance_ohms2 * per_ohm[:, None] * per_ohm
    return np.asarray(found)


def _curve_celsius2(curve: Curve, celsius: FloatArray) -> FloatArray:
    joint = getattr(curve, "covariance_celsius2", None)
    if joint is not None:
        return np.asarray(joint(celsius))
    own = curve.uncertainty_celsius(celsius)
    return np.asarray(own[:, None] * own)
