"""Solving value(x) = target for many targets at once, never leaving a bracket.

Knows: a strictly monotone function, its slope, and the bracket its solutions lie in.
Must not know: temperatures, resistances, sensors.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from controller.sensors.curve import FloatArray

__all__ = ["solve_monotone"]

_MOST_ROUNDS = 200


def solve_monotone(
    value: Callable[[FloatArray], FloatArray],
    slope: Callable[[FloatArray], FloatArray],
    target: FloatArray,
    low: float,
    high: float,
) -> FloatArray:
    """Return x in [low, high] with value(x) = target, element by element, to the last few bits.

    Newton's method, with a halving of the bracket wherever a Newton step would leave it or
    converges too slowly (the safe method of Press et al., Numerical Recipes, 9.4). A target
    beyond the values at the ends gives that end.
    """
    shape = target.shape
    wanted = np.atleast_1d(target).astype(np.float64).ravel()
    at_low, at_high = (float(v) for v in value(np.array([low, high])))
    sign = 1.0 if at_high > at_low else -1.0
    left = np.full(wanted.shape, low)
    right = np.full(wanted.shape, high)
    share = np.clip((wanted - at_low) / (at_high - at_low), 0.0, 1.0)
    x = low + share * (high - low)
    tolerance = 2.0 * np.finfo(np.float64).eps * max(abs(low), abs(high))
    last_step = np.full(wanted.shape, high - low)
    active = np.ones(wanted.shape, dtype=bool)
    for _ in range(_MOST_ROUNDS):
        here = x[active]
        error = sign * (value(here) - wanted[active])
        gradient = sign * slope(here)
        left[active] = np.where(error <= 0.0, here, left[active])
        right[active] = np.where(error >= 0.0, here, right[active])
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            newton = np.where(error == 0.0, 0.0, error / gradient)
        lower, upper = left[active], right[active]
        following = here - newton
        slow = ~(np.abs(newton) <= 0.5 * np.abs(last_step[active]))
        outside = ~((following >= lower) & (following <= upper))
        small = np.abs(newton) <= tolerance
        halve = (slow | outside) & ~small
        following = np.where(halve, 0.5 * (lower + upper), np.clip(following, lower, upper))
        last_step[active] = np.where(halve, upper - lower, newton)
        x[active] = following
        still = ~(small | (upper - lower <= tolerance))
        active[active] = still
        if not active.any():
            break
    return x.reshape(shape)
