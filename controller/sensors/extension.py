"""What a resistance beyond the sensor's span amounts to: how far outside, never how exactly.

Knows: how a curve is continued beyond its ends, as far as stated bounds.
Must not know: files, ladders, paths. No value outside the span may pass a judgement.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from controller.arrays import FloatArray
from controller.sensors.coordinates import NTC, STRAIGHT
from controller.sensors.curve import Curve

__all__ = ["extended_celsius"]

LOWEST_CELSIUS = -150.0
HIGHEST_CELSIUS = 500.0
_ROOM_CELSIUS = 50.0
"""The bounds lie at least this far outside the span, so that leaving it always shows."""

_BLOCK = 1 << 14
"""So many resistances at once stay in the processor's cache: a million are worked out five times
as fast in pieces."""


def extended_celsius(
    curve: Curve,
    *,
    lowest_celsius: float = LOWEST_CELSIUS,
    highest_celsius: float = HIGHEST_CELSIUS,
) -> Callable[[FloatArray], FloatArray]:
    """Return ohms -> degC for every resistance from 0 to infinity, any shape.

    Inside the span it is the curve itself. Beyond it the curve goes on with its end slope,
    straight in 1/T against ln R where resistance falls and in degC against ohm where it rises,
    until the bounds, which are moved out to 50 degC beyond the span where that is wider.
    """
    low_end, high_end = curve.lowest_celsius, curve.highest_celsius
    floor = max(min(lowest_celsius, low_end - _ROOM_CELSIUS), -273.0)
    ceiling = max(highest_celsius, high_end + _ROOM_CELSIUS)
    ends = np.array([low_end, high_end])
    end_ohms = curve.ohms(ends)
    least, most = float(end_ohms.min()), float(end_ohms.max())
    coordinates = STRAIGHT if curve.rising else NTC
    end_u, end_v = coordinates.u(ends), coordinates.v(end_ohms)
    dv_dt = curve.slope_ohms_per_kelvin(ends) * coordinates.dv_dohms(end_ohms)
    du_dv = coordinates.du_dcelsius(ends) / dv_dt
    u_bounds = np.sort(coordinates.u(np.array([floor, ceiling])))

    def convert(ohms: FloatArray) -> FloatArray:
        given = np.asarray(ohms, dtype=np.float64)
        if given.size > _BLOCK:
            pieces = np.split(given.ravel(), range(_BLOCK, given.size, _BLOCK))
            parts = [convert(piece) for piece in pieces]
            return np.concatenate(parts).reshape(given.shape)
        inside = (given >= least) & (given <= most)
        cold = given <= least if curve.rising else given >= most
        end = np.where(cold, 0, 1)
        with np.errstate(divide="ignore"):
            v = coordinates.v(np.where(inside, least, given))
        u = np.clip(end_u[end] + (v - end_v[end]) * du_dv[end], *u_bounds)
        beyond = coordinates.celsius(u)
        # Rounding must not put a value beyond the span back inside it.
        beyond = np.where(cold, np.minimum(beyond, low_end), np.maximum(beyond, high_end))
        result = np.array(beyond)
        if inside.any():
            result[inside] = curve.celsius(given[inside])
        return result

    return convert
