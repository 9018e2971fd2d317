"""How well the ohms of a ladder under test are seen, and what is too small to be seen.

Knows: what a measurement's own uncertainty hides in each rung.
Must not know: what measures, which faults are tried, links.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

__all__ = ["LIMIT", "OPEN_OHMS", "RungSight", "Sight"]

OPEN_OHMS = 50e6
"""More than this, or overrange, counts as an open circuit: meters and boards leak."""

LIMIT = 2.5
"""So many standard uncertainties off is beyond tolerance: a rectangular one ends at 1.7."""


@dataclass(frozen=True, kw_only=True)
class Sight:
    """How well whatever measures the ohms sees them. All uncertainties are standard (k = 1).

    `doubt_ohms` is that of one reading of so many ohms, `scale` the share by which all readings may
    be off together: it is found from the ladder itself, so nothing is said of what all rungs have
    in common. More than `open_ohms` counts as an open circuit.
    """

    doubt_ohms: Callable[[float], float]
    scale: float = 0.0
    open_ohms: float = OPEN_OHMS

    @classmethod
    def of_meter(cls, *, relative: float, ohms: float) -> Sight:
        """Return that of a meter: a share of the reading, and a fixed part."""
        return cls(doubt_ohms=lambda reading: math.hypot(relative * reading, ohms))


@dataclass(frozen=True, kw_only=True)
class RungSight:
    """How well one rung is seen: its change has to be larger than `resolution_ohms` (k = 2)."""

    relay: int
    ohms: float
    tolerance_ohms: float
    resolution_ohms: float

    @property
    def hidden(self) -> bool:
        """Whether even a rung that is missing may not be seen."""
        return self.resolution_ohms > self.ohms

    @property
    def coarse(self) -> bool:
        """Whether it is seen, but not down to its tolerance."""
        return not self.hidden and self.resolution_ohms > self.tolerance_ohms
