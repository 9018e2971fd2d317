"""What a module's input filter leaves of the values that pass while relays switch.

Knows: the divider, a first-order filter, paths as resistances and hold times.
Must not know: relays, how paths are found.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from controller.ladder.search import Scale

__all__ = ["filtered_excursion"]


def filtered_excursion(
    ohms: Sequence[float],
    holds_s: Sequence[float],
    *,
    pullup_ohms: float,
    time_constant_s: float,
    celsius: Scale,
) -> float:
    """Return how far, in degC, a filtered input strays outside the span of a path's two ends.

    `ohms` has the resistance before the path, which the filter has settled on, and then that of
    each state; `holds_s` how long each of those is held. The filter sees the divider's share
    R/(R + Rp) and follows it with one time constant: within a hold it moves one way, so its
    extremes are at the ends of the holds. Contacts move some milliseconds after the latch, which
    shifts the holds but hardly changes them.
    """
    shares = [1.0 if math.isinf(r) else r / (r + pullup_ohms) for r in ohms]
    seen = [shares[0]]
    for share, hold_s in zip(shares[1:], holds_s, strict=True):
        left = math.exp(-hold_s / time_constant_s) if time_constant_s > 0 else 0.0
        seen.append(share + (seen[-1] - share) * left)
    # A value that the filter has hardly left is seen as what it is: rounding must not stray.
    low_share, high_share = sorted((shares[0], shares[-1]))
    outside = [s for s in seen if not low_share <= s <= high_share]
    if not outside:
        return 0.0
    values = np.array([low_share, high_share, min(outside), max(outside)])
    with np.errstate(divide="ignore"):
        made = celsius(np.where(values >= 1.0, math.inf, pullup_ohms * values / (1.0 - values)))
    low, high = sorted((float(made[0]), float(made[1])))
    return max(0.0, low - float(made[2:].min()), float(made[2:].max()) - high)
