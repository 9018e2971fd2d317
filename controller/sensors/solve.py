"""Solving value(x) = target for many targets at once, never leaving a bracket.

Knows: a strictly monotone function, its slope, and the bracket its solutions lie in.
Must not know: temperatures, resistances, sensors.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from controller.arrays import FloatArray

__all__ = ["solve_monotone"]

_MOST_ROUNDS = 200

_TOGETHER = 4096
"""Targets solved together: what a round keeps of more of them leaves the processor's cache."""


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
    beyond the values at the ends gives that end. No element's solution depends on the others.
    """
    ends = [float(v) for v in value(np.array([low, high]))]
    if target.size <= _TOGETHER:
        return _solved(value, slope, target, (low, high), ends)
    flat = target.reshape(-1)
    solved = np.empty(flat.shape)
    for first in range(0, flat.size, _TOGETHER):
        some = slice(first, first + _TOGETHER)
        solved[some] = _solved(value, slope, flat[some], (low, high), ends)
    return solved.reshape(target.shape)


def _solved(
    value: Callable[[FloatArray], FloatArray],
    slope: Callable[[FloatArray], FloatArray],
    target: FloatArray,
    bracket: tuple[float, float],
    ends: Sequence[float],
) -> FloatArray:
    """Return the solutions, given the values at the ends of the bracket."""
    (low, high), (at_low, at_high) = bracket, ends
    sign = 1.0 if at_high > at_low else -1.0
    tolerance = 2.0 * float(np.finfo(np.float64).eps) * max(abs(low), abs(high))
    share = np.minimum(np.maximum((target - at_low) / (at_high - at_low), 0.0), 1.0)
    x = low + share * (high - low)
    left, right = np.full(x.shape, low), np.full(x.shape, high)
    last_step = np.full(x.shape, high - low)
    done = np.zeros(x.shape, dtype=bool)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        for _ in range(_MOST_ROUNDS):
            error = value(x) - target
            step = np.where(error == 0.0, 0.0, error / slope(x))
            size = np.abs(step)
            beyond = sign * error
            left = np.where(beyond <= 0.0, x, left)
            right = np.where(beyond >= 0.0, x, right)
            following = x - step
            small = size <= tolerance
            good = (size <= 0.5 * last_step) & (following >= left) & (following <= right)
            good |= small
            middle = 0.5 * (left + right)
            held = np.minimum(np.maximum(following, left), right)
            x = np.where(done, x, np.where(good, held, middle))
            last_step = np.where(good, size, right - left)
            done |= small | (right - left <= tolerance)
            if done.all():
                break
    return np.asarray(x)
