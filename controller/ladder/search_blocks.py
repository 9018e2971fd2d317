"""Questions to a ladder's two halves for many targets at once: a row of needles for each.

Knows: the sums of both halves, what ties are.
Must not know: sensors, how a state is reached.

Asked one by one, a target costs mostly the asking. Every answer is the one that `search` gives.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from controller.arrays import FloatArray
from controller.ladder.electrical import StateArray, states_ohms
from controller.ladder.halves import ConductanceHalves, OhmHalves, Values
from controller.ladder.model import Ladder

__all__ = ["ENOUGH", "Blocks", "Found"]

ENOUGH = 8
"""So many times as many states as are asked for may be listed to choose from."""

_BLOCK = 1 << 15  # needles of several targets asked together, few enough to stay in the cache
_MOST_ROUNDS = 80


@dataclass(frozen=True)
class Found:
    """States of several rows, and what they make; `rows` says which one each is for, rising."""

    rows: npt.NDArray[np.intp]
    states: StateArray
    ohms: FloatArray

    def of_each(self, count: int) -> list[list[tuple[int, float]]]:
        """Return the states and ohms of each of so many rows."""
        ends = np.searchsorted(self.rows, np.arange(count + 1)).tolist()
        pairs = list(zip(self.states.tolist(), self.ohms.tolist(), strict=True))
        return [pairs[begin:end] for begin, end in itertools.pairwise(ends)]


@dataclass(frozen=True)
class Blocks:
    """One ladder's halves. `large` has no repeats; `fixed_ohms` stands in series with the rungs.

    `base` is the state of the relays that are no rung's, `tie_ohms` what counts as equal.
    """

    ladder: Ladder
    halves: OhmHalves | ConductanceHalves
    large: Values
    base: int
    fixed_ohms: float
    tie_ohms: float

    @property
    def at_once(self) -> int:
        """How many targets fit into a block; one by one is as good where they are few."""
        return _BLOCK // self.halves.small_size

    def nearest(self, targets: FloatArray) -> Found:
        """Return the state nearest to each target in ohm."""
        needles = self._needles(targets)
        after = np.searchsorted(self.large.values, needles.ravel()).reshape(needles.shape)
        picks = np.stack([np.maximum(after - 1, 0), np.minimum(after, self.large.size - 1)])
        distance = np.abs(self._made(picks) - targets[:, None])
        return self._best(distance, picks)

    def neighbours(self, targets: FloatArray) -> tuple[Found, Found]:
        """Return the highest states at or below the targets, and the lowest above them.

        Where there is none for a target, it has no row.
        """
        needles = self._needles(targets)
        after = np.searchsorted(self.large.values, needles.ravel(), side="right")
        after = after.reshape(needles.shape)
        picks = np.stack([np.maximum(after - 1, 0), np.minimum(after, self.large.size - 1)])
        there = np.stack([after > 0, after < self.large.size])
        deviation = self._made(picks) - targets[:, None]
        below = np.where(there & (deviation <= 0), -deviation, math.inf)
        above = np.where(there & (deviation > 0), deviation, math.inf)
        return self._best(below, picks), self._best(above, picks)

    def inside(
        self, middles: FloatArray, halves: FloatArray, count: int
    ) -> tuple[npt.NDArray[np.intp], Found]:
        """Return how many states lie within half widths of middles, and up to `count` of each.

        Those are the nearest to the middle, by rising resistance.
        """
        within = halves.copy()
        start, end = self._ranges(middles, within)
        totals = (end - start).sum(axis=1)
        inside = totals.copy()
        narrow = np.zeros(middles.size)
        share = 0.5 * np.minimum(count * ENOUGH / np.maximum(inside, 1), 1.0)
        for _ in range(_MOST_ROUNDS):
            wide = np.flatnonzero((inside > count * ENOUGH) & (within - narrow > self.tie_ohms / 2))
            if not wide.size:
                break
            tried = narrow[wide] + (within[wide] - narrow[wide]) * share[wide]
            first, last = self._ranges(middles[wide], tried)
            found = (last - first).sum(axis=1)
            enough = found >= count
            within[wide] = np.where(enough, tried, within[wide])
            inside[wide] = np.where(enough, found, inside[wide])
            narrow[wide] = np.where(enough, narrow[wide], tried)
            closer = 0.5 * np.minimum(count * ENOUGH / np.maximum(found, 1), 1.0)
            share[wide] = np.where(enough, closer, 0.5)
        shrunk = inside < totals
        within[shrunk] += self.tie_ohms
        start[shrunk], end[shrunk] = self._ranges(middles[shrunk], within[shrunk])
        return totals, self._listed(middles, start, end, count)

    def _needles(self, ohms: FloatArray) -> FloatArray:
        """Return the keys that each target asks the large half for: (targets, small half)."""
        everything = slice(0, self.halves.small_size)
        return self.halves.keys((ohms - self.fixed_ohms)[:, None], everything)

    def _made(self, picks: npt.NDArray[np.intp]) -> FloatArray:
        everything = slice(0, self.halves.small_size)
        return self.halves.ohms(self.large.values[picks], everything) + self.fixed_ohms

    def _best(self, distance: FloatArray, picks: npt.NDArray[np.intp]) -> Found:
        """Return the nearest of each row, ties broken: both arrays are (2, rows, small half)."""
        least = distance.min(axis=(0, 2))
        tied = distance <= (least + self.tie_ohms)[:, None]
        side, row, small = np.nonzero(tied & np.isfinite(least)[:, None])
        states = self.large.states[picks[side, row, small]] | self.halves.small_states[small]
        order = np.lexsort((states, np.bitwise_count(states), row))
        rows, first = np.unique(row[order], return_index=True)
        chosen = states[order[first]] | np.uint64(self.base)
        return Found(rows, chosen, states_ohms(self.ladder, chosen))

    def _ranges(
        self, middles: FloatArray, halves: FloatArray
    ) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
        """Return where in the large half the intervals start and end: (rows, small half) each."""
        low, high = self._needles(middles - halves), self._needles(middles + halves)
        if self.halves.by_conductance:
            low, high = high, low  # falls where resistance rises
        values = self.halves.large.values
        start = np.searchsorted(values, low.ravel(), side="left").reshape(low.shape)
        end = np.searchsorted(values, high.ravel(), side="right").reshape(high.shape)
        return start, np.maximum(start, end)

    def _listed(
        self,
        middles: FloatArray,
        start: npt.NDArray[np.intp],
        end: npt.NDArray[np.intp],
        count: int,
    ) -> Found:
        counts = (end - start).ravel()
        owner = np.repeat(np.arange(counts.size), counts)
        offset = np.arange(owner.size) - np.repeat(np.cumsum(counts) - counts, counts)
        row, small = np.divmod(owner, self.halves.small_size)
        states = self.halves.large.states[start.ravel()[owner] + offset]
        states = states | self.halves.small_states[small] | np.uint64(self.base)
        ohms = states_ohms(self.ladder, states)
        steps = np.rint(np.abs(ohms - middles[row]) / self.tie_ohms)
        order = np.lexsort((states, np.bitwise_count(states), steps, row))
        rank = np.arange(order.size) - np.searchsorted(row, row)  # rows stay where they were
        kept = order[rank < count]
        kept = kept[np.lexsort((states[kept], ohms[kept], row[kept]))]
        return Found(row[kept], states[kept], ohms[kept])
