"""Resistances from values of a judged scale, which itself only goes the other way.

Knows: that a scale is monotone.
Must not know: what the scale stands for.
"""

from __future__ import annotations

import math

import numpy as np

from controller.arrays import FloatArray
from controller.ladder.search import Scale

__all__ = ["InverseScale"]

_TABLE = 1 << 13


class InverseScale:
    """Resistances from values of the judged scale, by a table from 1 mohm to 1 Gohm."""

    def __init__(self, scale: Scale) -> None:
        self.scale = scale
        table = np.geomspace(1e-3, 1e9, _TABLE)
        values = scale(table)
        self.rising = bool(values[-1] >= values[0])
        if not self.rising:
            values, table = values[::-1], table[::-1]
        kept = np.concatenate([[True], np.diff(values) > 0])
        self._table = values[kept], np.log(table[kept])

    def ohms(self, values: FloatArray) -> FloatArray:
        """Return the resistances of many values of the scale, about; 0 or math.inf beyond it."""
        known, logs = self._table
        found = np.exp(np.interp(values, known, logs))
        bottom, top = (0.0, math.inf) if self.rising else (math.inf, 0.0)
        return np.where(values <= known[0], bottom, np.where(values >= known[-1], top, found))
