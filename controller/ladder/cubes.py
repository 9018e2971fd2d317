"""The states that a span of resistances may hold, as corners of a cube that is small enough.

One axis for each rung that matters there. A series rung larger than the span's upper end is out of
circuit all over the span. Rungs so small that all of them together hardly count are left open: a
corner then stands for each of their combinations, and makes anything from its value to `loose_ohms`
more. So every walk of states inside the span is a walk of corners that are inside it. The other way
round, a walk of corners strays at most `loose_ohms` further when their small rungs are set.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from controller.arrays import FloatArray
from controller.ladder.electrical import (
    StateArray,
    connected_mask,
    contact_closed,
    parallel_ohms,
    states_ohms,
    with_contact,
)
from controller.ladder.lattice import corners_of, packed
from controller.ladder.model import GroupKind, Ladder, Rung

__all__ = ["MOST_FILLING", "MOST_PARALLEL", "Corners", "Cube", "StateArray"]

MOST_PARALLEL = 16
"""Rungs of parallel groups that a cube may have; each of them is always an axis."""

_TIE = 1e-9  # of a value: what rounding leaves between sums that are the same
MOST_FILLING = 12
"""Open rungs that are tried in all combinations, the largest of them; smaller ones stay out."""


@dataclass(frozen=True, kw_only=True)
class Cube:
    """Axes: all parallel rungs, then the series rungs from `first` up to but without `last`.

    The `own` corners are those with every series rung out of circuit, `weights` what each of these
    adds that is an axis.
    """

    first: int
    last: int
    axes: int
    own: FloatArray
    weights: FloatArray
    loose_ohms: float

    @functools.cached_property
    def values(self) -> FloatArray:
        """What each of the 2^axes corners makes in ohm with the open rungs out of circuit."""
        values = self.own
        for weight in self.weights:
            values = np.concatenate([values, values + weight])
        return values

    def values_at(self, corners: npt.NDArray[np.intp]) -> FloatArray:
        """Return the values of some corners; those of all are not worked out for that."""
        if "values" in self.__dict__:
            return self.values[corners]
        made = self.own[corners & (self.own.size - 1)]
        between = corners >> (self.own.size.bit_length() - 1)
        for place, weight in enumerate(self.weights):  # in the order of `values`, the same to a bit
            made = np.where(between >> place & 1, made + weight, made)
        return np.asarray(made)

    def inside(self, low_ohms: float, high_ohms: float) -> npt.NDArray[np.bool_]:
        """Return which corners may make something from `low_ohms` to `high_ohms`, both included."""
        low, high = low_ohms * (1.0 - _TIE), high_ohms * (1.0 + _TIE)
        return np.asarray((self.values >= low - self.loose_ohms) & (self.values <= high))


class Corners:
    """One ladder's rungs in the order of the axes, and the cubes made of them.

    A *mask* is a state in that order: bit i is set when the i-th rung is in circuit.
    """

    def __init__(self, ladder: Ladder) -> None:
        self.ladder = ladder
        series: list[tuple[float, Rung]] = []
        parallel: list[Rung] = []
        for group in ladder.groups:
            for rung in group.rungs:
                if group.kind is GroupKind.SERIES:
                    contact = ladder.relays[rung.relay].contact_ohms
                    series.append((rung.ohms - parallel_ohms(rung.ohms, contact), rung))
                else:
                    parallel.append(rung)
        series.sort(key=lambda one: (one[0], one[1].relay))
        self._parallel = len(parallel)
        self._relays = [*(rung.relay for rung in parallel), *(rung.relay for _, rung in series)]
        self._weights = np.array([weight for weight, _ in series])
        self._sums = np.concatenate([[0.0], np.cumsum(self._weights)])
        self._cubes: dict[tuple[int, int], Cube] = {}
        self._filled: dict[tuple[int, int], tuple[FloatArray, npt.NDArray[np.intp]]] = {}
        # All rungs out of circuit; the bits of a mask turn relays from there.
        self._without = connected_mask(ladder)
        for index, relay in enumerate(self._relays):
            closed = index >= self._parallel
            self._without = with_contact(ladder, self._without, relay, closed=closed)

    @property
    def searchable(self) -> bool:
        """Whether the parallel groups are small enough."""
        return self._parallel <= MOST_PARALLEL

    def cubes(self, high_ohms: FloatArray, fine_ohms: FloatArray, most_axes: int) -> list[Cube]:
        """Return the cubes for spans up to `high_ohms`.

        The open rungs make up to `fine_ohms` together, and more only where a cube would otherwise
        have more than `most_axes`.
        """
        # A span's corners are of a ladder with everything else bypassed.
        room = high_ohms * (1.0 + _TIE) - self._least_ohms
        last = self._weights.searchsorted(room, side="right")
        first = self._sums.searchsorted(fine_ohms, side="right") - 1
        first = np.maximum(first, self._parallel + last - most_axes)
        first = np.minimum(np.maximum(first, 0), last)
        return [self._made(*one) for one in zip(first.tolist(), last.tolist(), strict=True)]

    def union(self, one: Cube, other: Cube) -> Cube:
        """Return the cube with the axes of both."""
        return self._made(min(one.first, other.first), max(one.last, other.last))

    def carried(self, corners: int, before: Cube, after: Cube) -> int:
        """Return the corners of another cube that share a state with those of a set."""
        if (before.first, before.last) == (after.first, after.last):
            return corners
        members: npt.NDArray[Any] = corners_of(corners, before.axes).reshape(
            -1, 1 << self._parallel
        )
        # Rungs that are left open in the cube after: one combination is enough.
        merged = min(after.first, before.last) - before.first
        if merged > 0:
            members = np.any(members.reshape(-1, 1 << merged, members.shape[1]), axis=1)
        first, last = max(before.first, after.first), max(before.last, after.first)
        # Rungs that are too large there are out of circuit.
        if last > after.last:
            first, last = min(first, after.last), after.last
            members = members[: 1 << (last - first)]
        if first > after.first:
            members = np.repeat(members, 1 << (first - after.first), axis=0)
        # Those left open before may stand either way; those too large before were out of circuit.
        if after.last > last:
            grown = np.zeros((members.shape[0] << (after.last - last), members.shape[1]), bool)
            grown[: members.shape[0]] = members
            members = grown
        return packed(members.ravel())

    def mask(self, state: int) -> int:
        """Return the mask of a state."""
        found = 0
        for index, relay in enumerate(self._relays):
            closed = contact_closed(self.ladder, state, relay)
            found |= (closed == (index < self._parallel)) << index
        return found

    def state(self, mask: int) -> int:
        """Return the connected state of a mask; relays that belong to nothing are at rest."""
        state, left = self._without, mask
        while left:
            state ^= 1 << self._relays[(left & -left).bit_length() - 1]
            left &= left - 1
        return state

    def within(self, cube: Cube, mask: int) -> bool:
        """Return whether a cube has a mask: no rung is in circuit that is too large for it."""
        return mask >> (self._parallel + cube.last) == 0

    def corner(self, cube: Cube, mask: int) -> int:
        """Return the corner that stands for a mask which is `within` the cube."""
        own = (1 << self._parallel) - 1
        between = mask >> (self._parallel + cube.first) & ((1 << (cube.last - cube.first)) - 1)
        return between << self._parallel | mask & own

    def mask_at(self, cube: Cube, corner: int, small: int) -> int:
        """Return the mask of a corner with its open rungs set as in the mask `small`."""
        own = (1 << self._parallel) - 1
        below = (1 << cube.first) - 1 << self._parallel
        return (
            (corner >> self._parallel) << (self._parallel + cube.first)
            | corner & own
            | (small & below)
        )

    def masks_at(self, cube: Cube, corners: npt.NDArray[np.intp]) -> StateArray:
        """Return `mask_at` of many corners, with their open rungs out of circuit."""
        numbers, own = corners.astype(np.uint64), np.uint64((1 << self._parallel) - 1)
        shift = np.uint64(self._parallel)
        return numbers >> shift << shift + np.uint64(cube.first) | numbers & own

    def filled(
        self, cube: Cube, corners: npt.NDArray[np.intp], span_ohms: tuple[float, float, float]
    ) -> tuple[npt.NDArray[np.bool_], FloatArray, StateArray]:
        """Return of each corner whether its open rungs bring it into a span, and how.

        `span_ohms` is lowest, best and highest. Then what it makes, and the mask of its open rungs,
        as near to the best as they get inside the span.
        """
        lowest = max(0, cube.first - MOST_FILLING)
        sums, order = self._fillings(lowest, cube.first)
        made = cube.values_at(corners)
        low, aim, high = (ohms - made for ohms in span_ohms)
        least = np.searchsorted(sums, low - _TIE * span_ohms[0])
        most = np.searchsorted(sums, high + _TIE * span_ohms[2], side="right") - 1
        above = np.minimum(np.searchsorted(sums, aim), sums.size - 1)
        below = np.maximum(above - 1, 0)
        pick = np.where(np.abs(sums[below] - aim) < np.abs(sums[above] - aim), below, above)
        pick = np.clip(np.minimum(np.maximum(pick, least), most), 0, sums.size - 1)
        small = order[pick].astype(np.uint64) << np.uint64(self._parallel + lowest)
        return least <= most, made + sums[pick], small

    def _fillings(self, lowest: int, first: int) -> tuple[FloatArray, npt.NDArray[np.intp]]:
        """Return what combinations of open rungs make, rising, and which ones these are."""
        if (lowest, first) not in self._filled:
            sums = np.zeros(1)
            for weight in self._weights[lowest:first]:
                sums = np.concatenate([sums, sums + weight])
            order = np.argsort(sums, kind="stable")
            self._filled[lowest, first] = sums[order], order
        return self._filled[lowest, first]

    @functools.cached_property
    def _least_ohms(self) -> float:
        """The least that the parallel groups make with every series rung bypassed."""
        return float(self._own_values.min())

    def _made(self, first: int, last: int) -> Cube:
        if (first, last) not in self._cubes:
            self._cubes[first, last] = Cube(
                first=first,
                last=last,
                axes=self._parallel + last - first,
                own=self._own_values,
                weights=self._weights[first:last],
                loose_ohms=float(self._sums[first]),
            )
        return self._cubes[first, last]

    @functools.cached_property
    def _own_values(self) -> FloatArray:
        """What the combinations of the parallel rungs make with every series rung bypassed."""
        states = np.array([self.state(0)], dtype=np.uint64)
        for relay in self._relays[: self._parallel]:
            states = np.concatenate([states, states ^ np.uint64(1 << relay)])
        return states_ohms(self.ladder, states)
