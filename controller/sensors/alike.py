"""Whether two curves are of one sensor."""

from __future__ import annotations

import numpy as np

from controller.sensors.curve import Curve
from controller.units import COVERAGE_FACTOR

__all__ = ["same_curve"]

_PLACES = 25


def same_curve(one: Curve, other: Curve) -> bool:
    """Return whether two curves agree within their expanded uncertainties over their common span.

    Curves without a common span do not. What floating point does on another machine counts as
    nothing: 1e-6 degC.
    """
    low = max(one.lowest_celsius, other.lowest_celsius)
    high = min(one.highest_celsius, other.highest_celsius)
    if low >= high:
        return False
    at = np.linspace(low, high, _PLACES)
    apart_ohms = np.abs(one.ohms(at) - other.ohms(at))
    apart_celsius = apart_ohms / np.abs(one.slope_ohms_per_kelvin(at))
    allowed = np.hypot(one.uncertainty_celsius(at), other.uncertainty_celsius(at))
    return bool(np.all(apart_celsius <= COVERAGE_FACTOR * allowed + 1e-6))
