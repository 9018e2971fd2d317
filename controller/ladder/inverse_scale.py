"""Resistances from values of a judged scale, which itself only goes the other way.

Knows: that a scale is monotone.
Must not know: what the scale stands for.
"""

from __future__ import annotations

import bisect
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
        # Lists: one value at a time is asked for, and bisect beats numpy at that by ten times.
        self._values: list[float] = self._table[0].tolist()
        self._logs: list[float] = self._table[1].tolist()

    def span(self, low: float, high: float) -> tuple[float, float]:
        """Return the resistances between two values of the scale, the lower one first."""
        ends = [self._ohms(low), self._ohms(high)]
        return min(ends), max(ends)

    def ohms(self, values: FloatArray) -> FloatArray:
        """Return the resistances of many values of the scale, about; 0 or math.inf beyond it."""
        known, logs = self._table
        found = np.exp(np.interp(values, known, logs))
        bottom, top = (0.0, math.inf) if self.rising else (math.inf, 0.0)
        return np.where(values <= known[0], bottom, np.where(values >= known[-1], top, found))

    def _ohms(self, value: float) -> float:
        if value <= self._values[0]:
            return 0.0 if self.rising else math.inf
        if value >= self._values[-1]:
            return math.inf if self.rising else 0.0
        after = bisect.bisect_right(self._values, value)
        before = self._values[after - 1]
        share = (value - before) / (self._values[after] - before)
        return math.exp(self._logs[after - 1] * (1.0 - share) + self._logs[after] * share)
