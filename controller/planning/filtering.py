"""What a module's input filter leaves of the values that pass while relays switch.

Knows: the divider, a first-order filter, paths as resistances and hold times.
Must not know: relays, how paths are found.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TypeAlias

import numpy as np

from controller.ladder.search import Scale

__all__ = ["Extremes", "filtered_excursion", "filtered_excursions", "filtered_extremes"]

Extremes: TypeAlias = tuple[float, float, float, float]
"""Resistances: the two ends of a path, then the least and the most of what lies outside them."""


def filtered_extremes(
    ohms: Sequence[float], holds_s: Sequence[float], *, pullup_ohms: float, time_constant_s: float
) -> Extremes | None:
    """Return what a filtered input comes to on a path; None where it stays between its ends.

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
        return None
    low, high, least, most = (
        math.inf if share >= 1.0 else pullup_ohms * share / (1.0 - share)
        for share in (low_share, high_share, min(outside), max(outside))
    )
    return low, high, least, most


def filtered_excursions(extremes: Sequence[Extremes | None], celsius: Scale) -> list[float]:
    """Return how far, in degC, each filtered input strays outside the span of its path's ends."""
    asked = [one for one in extremes if one is not None]
    made = iter(celsius(np.array(asked)).tolist() if asked else ())
    return [0.0 if one is None else _strays(*next(made)) for one in extremes]


def filtered_excursion(
    ohms: Sequence[float],
    holds_s: Sequence[float],
    *,
    pullup_ohms: float,
    time_constant_s: float,
    celsius: Scale,
) -> float:
    """Return how far, in degC, a filtered input strays on one path; as in `filtered_extremes`."""
    extremes = filtered_extremes(
        ohms, holds_s, pullup_ohms=pullup_ohms, time_constant_s=time_constant_s
    )
    return filtered_excursions([extremes], celsius)[0]


def _strays(first: float, last: float, least: float, most: float) -> float:
    low, high = sorted((first, last))
    return max(0.0, low - min(least, most), max(least, most) - high)
