"""Even values from one end to the other, and how many of them a run may have."""

from __future__ import annotations

import math

__all__ = ["MOST_STEPS", "range_values"]

MOST_STEPS = 100_000


def range_values(first: float, last: float, step: float) -> list[float]:
    """Return `first`, then every `step` towards `last`, then `last` itself.

    `step` is above zero; a last stretch shorter than a thousandth of a step is not a step of its
    own. Values are counted, not summed up, so that rounding does not add up.
    """
    way = math.copysign(step, last - first)
    whole = math.floor(abs(last - first) / step + 1e-3)
    values = [round(first + way * index, 9) for index in range(whole + 1)]
    if abs(last - values[-1]) <= 1e-3 * step:
        values[-1] = last
    else:
        values.append(last)
    return values
