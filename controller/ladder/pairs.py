"""The worst excursions between many pairs of states, worked out together.

The sequence over a plan asks for those between every candidate of a step and every candidate of
the next. Pairs that differ in few relays are judged exactly, over all orders, subset by subset;
those that differ in many by an order that always takes the quietest next relay.
"""

from __future__ import annotations

import functools
import itertools
import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from controller.arrays import FloatArray
from controller.ladder.electrical import (
    StateArray,
    connected_mask,
    rung_masks,
    states_ohms,
)
from controller.ladder.model import Ladder
from controller.ladder.orders import excursions_outside
from controller.ladder.path import (
    best_path,
    bits_of,
    output_relays,
)
from controller.ladder.search import Scale

__all__ = ["CANDIDATES", "Pairs"]

CANDIDATES = 8
"""How many near-equal states a step offers, at most."""

_TABLE_BITS = 18  # values of all states of the rungs are kept when they are no more than this
_EXACT_PAIR = 12  # changed relays up to which a pair of candidates is judged exactly
_ROOM = 1 << 21  # numbers in one block of pairs
_WORK = 60_000_000  # gathers that the search for the least excursion may take, about


class Pairs:
    """Excursions between many pairs of states, worked out together."""

    def __init__(self, ladder: Ladder, scale: Scale) -> None:
        self._ladder = ladder
        self._scale = scale
        self._output = output_relays(ladder)
        self._connected = connected_mask(ladder)
        self._rungs = bits_of(rung_masks(ladder))
        self._table: FloatArray | None = None
        if len(self._rungs) <= _TABLE_BITS:
            index = np.arange(1 << len(self._rungs), dtype=np.uint64)
            self._table = self._judged(self._spread(index))

    def affordable(self, steps: int) -> int:
        """Return how many candidates a step may have for the work to stay bounded."""
        rungs = min(len(self._rungs), 30)
        # The mean work for a pair that differs in each rung by chance.
        work = sum(
            math.comb(rungs, k) / 2**rungs * (k * 2**k if k <= _EXACT_PAIR else k**2)
            for k in range(rungs + 1)
        )
        if self._table is None:
            work *= 10  # values are worked out rather than looked up
        return max(2, min(CANDIDATES, math.isqrt(int(_WORK / (work * max(steps, 1))))))

    def excursions(self, layers: Sequence[StateArray], floor: float) -> list[FloatArray]:
        """Return, for each pair of neighbouring layers, the matrix of excursions.

        What is at most `floor` need not be the least: some transition takes that much anyway.
        """
        before: list[StateArray] = []
        after: list[StateArray] = []
        for first, second in itertools.pairwise(layers):
            before.append(np.repeat(first, second.size))
            after.append(np.tile(second, first.size))
        if not before:
            return []
        starts, ends = np.concatenate(before), np.concatenate(after)
        found = np.zeros(starts.size)
        output, connected = np.uint64(self._output), np.uint64(self._connected)
        plain = (starts & output == connected) & (ends & output == connected)
        for row in np.flatnonzero(~plain):
            found[row] = self._through_output(int(starts[row]), int(ends[row]))
        first_index, second_index = self._packed(starts), self._packed(ends)
        changed = np.bitwise_count(first_index ^ second_index)
        for count in range(2, len(self._rungs) + 1):
            rows = np.flatnonzero(plain & (changed == count))
            if rows.size == 0:
                continue
            found[rows] = self._greedy(first_index[rows], second_index[rows], count)
            rows = rows[found[rows] > floor] if count <= _EXACT_PAIR else rows[:0]
            size = max(1, _ROOM >> count)
            for block in range(0, rows.size, size):
                some = rows[block : block + size]
                found[some] = self._best(first_index[some], second_index[some], count)
        found = np.maximum(found, floor)
        matrices = []
        position = 0
        for first, second in itertools.pairwise(layers):
            area = first.size * second.size
            matrices.append(found[position : position + area].reshape(first.size, second.size))
            position += area
        return matrices

    def _through_output(self, start: int, end: int) -> float:
        """Return the excursion where the isolate or short relay is not set to connect.

        Hidden rungs move unseen; what is left of the path is short.
        """
        if start == end:
            return 0.0
        return best_path(self._ladder, start, end, self._scale, detours=0).excursion

    def _packed(self, states: StateArray) -> StateArray:
        """Return states with the rung relays' bits moved together from bit 0."""
        packed = np.zeros(states.shape, dtype=np.uint64)
        for place, relay in enumerate(self._rungs):
            packed |= (states >> np.uint64(relay) & np.uint64(1)) << np.uint64(place)
        return packed

    def _spread(self, packed: StateArray) -> StateArray:
        """Return connected states of packed rung bits."""
        states = np.full(packed.shape, self._connected, dtype=np.uint64)
        for place, relay in enumerate(self._rungs):
            states |= (packed >> np.uint64(place) & np.uint64(1)) << np.uint64(relay)
        return states

    def _judged(self, states: StateArray) -> FloatArray:
        return self._scale(states_ohms(self._ladder, states))

    def _values(self, packed: StateArray) -> FloatArray:
        if self._table is not None:
            return self._table[packed]
        return self._judged(self._spread(packed))

    def _changed_bits(self, starts: StateArray, ends: StateArray, count: int) -> StateArray:
        """Return the changed bits of each pair as masks, shape (count, pairs)."""
        left = starts ^ ends
        bits = np.empty((count, starts.size), dtype=np.uint64)
        for place in range(count):
            bits[place] = left & (~left + np.uint64(1))
            left = left ^ bits[place]
        return bits

    def _best(self, starts: StateArray, ends: StateArray, count: int) -> FloatArray:
        """Return the least worst excursion over all orders, by levels of the subset lattice."""
        cube = starts[None, :]
        for bit in self._changed_bits(starts, ends, count):
            cube = np.concatenate([cube, cube ^ bit])
        values = self._values(cube)
        worst = excursions_outside(values, values[0], values[-1])
        for level, earlier in _lattice(count):
            least = worst[earlier[0]]
            for column in earlier[1:]:
                np.minimum(least, worst[column], out=least)
            worst[level] = np.maximum(worst[level], least)
        return np.asarray(worst[-1])

    def _greedy(self, starts: StateArray, ends: StateArray, count: int) -> FloatArray:
        """Return the worst excursion of the order that always takes the least next one."""
        bits = self._changed_bits(starts, ends, count)
        here = starts.copy()
        first, last = self._values(starts), self._values(ends)
        worst = np.zeros(starts.size)
        columns = np.arange(starts.size)
        done = np.zeros(bits.shape, dtype=bool)
        for _ in range(count):
            outside = excursions_outside(self._values(here ^ bits), first, last)
            outside[done] = math.inf
            # Ends that are infinite can leave nothing finite: any change not yet made will do.
            pick = np.where(done, 2, np.isinf(outside).astype(int)).argmin(axis=0)
            finite = np.isfinite(outside).any(axis=0)
            pick = np.where(finite, outside.argmin(axis=0), pick)
            worst = np.maximum(worst, outside[pick, columns])
            here = here ^ bits[pick, columns]
            done[pick, columns] = True
        return worst


@functools.cache
def _lattice(
    count: int,
) -> tuple[tuple[npt.NDArray[np.intp], tuple[npt.NDArray[np.intp], ...]], ...]:
    """Return, level by level, the subsets of `count` things and those with one thing less."""
    every = np.arange(1 << count)
    size = np.bitwise_count(every.astype(np.uint64))
    levels = []
    for level in range(1, count + 1):
        subsets = every[size == level]
        left = subsets.copy()
        earlier = []
        for _ in range(level):
            bit = left & -left
            earlier.append(subsets ^ bit)
            left = left ^ bit
        levels.append((subsets, tuple(earlier)))
    return tuple(levels)
