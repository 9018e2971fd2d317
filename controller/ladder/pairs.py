"""The worst excursions between many pairs of states, worked out together.

The sequence over a plan asks for those between every candidate of a step and every candidate of
the next. Pairs that differ in few relays are judged exactly, over all orders, subset by subset;
those that differ in many by an order that always takes the quietest next relay.

Where the values of all states are too many for a table, those of a pair are worked out in ohm, and
only they are judged that can matter: what strays no further than some transition does anyway, and
what strays further than a whole plan need to, is told in ohm.
"""

from __future__ import annotations

import functools
import itertools
import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from controller.arrays import FloatArray
from controller.ladder.cube_ohms import CubeOhms
from controller.ladder.electrical import (
    StateArray,
    connected_mask,
    rung_masks,
    states_ohms,
)
from controller.ladder.inverse_scale import InverseScale
from controller.ladder.model import Ladder
from controller.ladder.orders import excursions_outside
from controller.ladder.path import (
    best_path,
    bits_of,
    output_relays,
)
from controller.ladder.search import Scale

__all__ = ["CANDIDATES", "Pairs", "least_worst"]

CANDIDATES = 8
"""How many near-equal states a step offers, at most."""

_TABLE_BITS = 18  # values of all states of the rungs are kept when they are no more than this
_EXACT_PAIR = 12  # changed relays up to which a pair of candidates is judged exactly
_ROOM = 1 << 17  # numbers in one block of pairs
_MARGIN = 1e-3  # how much further out, or in, is looked for what a share of it then has to be
_SURE = 1e-6
_WORK = 60_000_000  # gathers that the search for the least excursion may take, about


class Pairs:
    """Excursions between many pairs of states, worked out together."""

    def __init__(self, ladder: Ladder, scale: Scale) -> None:
        self._ladder = ladder
        self._scale = scale
        self._output = output_relays(ladder)
        self._connected = connected_mask(ladder)
        self._rungs = bits_of(rung_masks(ladder))
        self._ohms = CubeOhms(ladder)
        self._inverse = InverseScale(scale)
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

        What is at most `floor` need not be the least: some transition takes that much anyway. Nor
        what is more than the least worst of all ways through the layers.
        """
        before: list[StateArray] = []
        after: list[StateArray] = []
        for first, second in itertools.pairwise(layers):
            before.append(np.repeat(first, second.size))
            after.append(np.tile(second, first.size))
        if not before:
            return []
        asked = np.column_stack([np.concatenate(before), np.concatenate(after)])
        distinct, place = np.unique(asked, axis=0, return_inverse=True)
        starts, ends = distinct.T.copy()
        found = np.zeros(starts.size)
        output, connected = np.uint64(self._output), np.uint64(self._connected)
        plain = (starts & output == connected) & (ends & output == connected)
        for row in np.flatnonzero(~plain):
            found[row] = self._through_output(int(starts[row]), int(ends[row]))
        first_index, second_index = self._packed(starts), self._packed(ends)
        changed = np.bitwise_count(first_index ^ second_index)
        by_count = {
            count: np.flatnonzero(plain & (changed == count))
            for count in range(2, len(self._rungs) + 1)
        }
        for count, rows in by_count.items():
            if rows.size:
                found[rows] = self._greedy(first_index[rows], second_index[rows], count)
        most = least_worst(_matrices(np.maximum(found, floor)[place], layers))
        for count, rows in by_count.items():
            if count > _EXACT_PAIR:
                break
            rows = rows[found[rows] > floor]
            size = max(1, _ROOM >> count)
            for block in range(0, rows.size, size):
                some = rows[block : block + size]
                if self._table is not None:
                    cube = self._looked_up(first_index[some], second_index[some], count)
                else:
                    cube = self._worked_out(starts[some], ends[some], floor, most)
                found[some] = np.minimum(found[some], _least_of_orders(cube, count))
        return _matrices(np.maximum(found, floor)[place], layers)

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

    def _looked_up(self, starts: StateArray, ends: StateArray, count: int) -> FloatArray:
        """Return how far all states between strays, (2^count, pairs), of packed states."""
        cube = starts[None, :]
        for bit in self._changed_bits(starts, ends, count):
            cube = np.concatenate([cube, cube ^ bit])
        values = self._values(cube)
        return excursions_outside(values, values[0], values[-1])

    def _worked_out(
        self, starts: StateArray, ends: StateArray, floor: float, most: float
    ) -> FloatArray:
        """Return the same of states: up to `floor` as nothing, more than `most` as infinite."""
        ohms = np.array(
            [
                self._ohms(start, bits_of(start ^ end))
                for start, end in zip(starts.tolist(), ends.tolist(), strict=True)
            ]
        )
        first, last = ohms[:, :1], ohms[:, -1:]
        values = self._scale(np.concatenate([first, last], axis=1))
        ends = np.sort(np.concatenate([first, last], axis=1), axis=1)
        kept, strays = self._straying(values, floor * (1.0 - _MARGIN))
        kept = np.where(strays <= floor * (1.0 - _SURE), kept, ends)
        far, strays = self._straying(values, most * (1.0 + _MARGIN))
        far = np.where(strays > most * (1.0 + _SURE), far, [0.0, math.inf])
        beyond = (ohms < far[:, :1]) | (ohms > far[:, 1:])
        outside = np.where(beyond, math.inf, 0.0)
        judged = ((ohms < kept[:, :1]) | (ohms > kept[:, 1:])) & ~beyond
        pair = np.nonzero(judged)[0]
        outside[judged] = excursions_outside(
            self._scale(ohms[judged]), values[pair, 0], values[pair, 1]
        )
        return outside.T

    def _straying(self, values: FloatArray, limit: float) -> tuple[FloatArray, FloatArray]:
        """Return resistances, lowest and highest, that stray about so far from pairs of values.

        And how far they really do.
        """
        around = np.sort(values, axis=1) + np.array([-limit, limit])
        ohms = np.sort(self._inverse.ohms(around), axis=1)
        return ohms, excursions_outside(self._scale(ohms), values[:, :1], values[:, 1:])

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


def least_worst(costs: Sequence[FloatArray]) -> float:
    """Return the least worst excursion of any way through layers, given those between them."""
    worst = np.zeros(1)
    for cost in costs:
        worst = np.maximum(worst[:, None], cost).min(axis=0)
    return float(worst.min())


def _matrices(found: FloatArray, layers: Sequence[StateArray]) -> list[FloatArray]:
    """Return a line of pairs as one matrix for each two neighbouring layers: (before, after)."""
    matrices = []
    position = 0
    for first, second in itertools.pairwise(layers):
        area = first.size * second.size
        matrices.append(found[position : position + area].reshape(first.size, second.size))
        position += area
    return matrices


def _least_of_orders(outside: FloatArray, count: int) -> FloatArray:
    """Return the least worst excursion over all orders, by levels of the subset lattice.

    `outside` is (2^count, pairs), how far each subset of the changes strays, and is used up.
    """
    for level, earlier in _lattice(count):
        least = outside[earlier[0]]
        for column in earlier[1:]:
            np.minimum(least, outside[column], out=least)
        outside[level] = np.maximum(outside[level], least)
    return np.asarray(outside[-1])


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
