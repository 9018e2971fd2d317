"""A scale that has been told beforehand which resistances it will be asked for.

Knows: that a scale costs much the same for one resistance as for thousands.
Must not know: what the scale stands for.
"""

from __future__ import annotations

import numpy as np

from controller.arrays import FloatArray
from controller.ladder.search import Scale

__all__ = ["KnownScale"]


class KnownScale:
    """Gives what `scale` gives; what it has learned, it looks up."""

    def __init__(self, scale: Scale) -> None:
        self._scale = scale
        self._ohms: FloatArray = np.zeros(0)
        self._values: FloatArray = np.zeros(0)

    def learn(self, ohms: FloatArray) -> None:
        """Work out resistances, all at once, in place of those learned before."""
        self._ohms = np.unique(ohms)
        self._values = self._scale(self._ohms)

    def __call__(self, ohms: FloatArray) -> FloatArray:
        """Return the values of resistances of any shape."""
        if self._ohms.size:
            place = self._ohms.searchsorted(ohms)
            place[place == self._ohms.size] = 0
            if (self._ohms[place] == ohms).all():
                return np.asarray(self._values[place])
        return self._scale(ohms)
