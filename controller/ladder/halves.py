"""The ladder's combinations, divided into two halves for the exact search.

Knows: what each relay's two positions make, and how to share rungs out so that few sums ask many.
Must not know: targets, ties between states, how a state is reached.

In ohm, groups add: a half holds sums of series rungs and of whole parallel groups. Where one
parallel group is too large for that, the large half holds conductances of its rungs, and all the
rest goes to the small half.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from controller.arrays import FloatArray
from controller.errors import InputError
from controller.ladder.electrical import StateArray, parallel_ohms
from controller.ladder.model import Contacts, GroupKind, Ladder, Rung

__all__ = ["ConductanceHalves", "OhmHalves", "Values", "split"]

_LARGE_BITS = 16  # 0.5 MB of sums stays in the processor's cache
_MOST_BITS = 22  # 4 million sums, 64 MB with their states, in either half


@dataclass(frozen=True)
class Values:
    """Parallel arrays: a number (ohm or siemens) for each combination of some relays."""

    values: FloatArray
    states: StateArray

    @property
    def size(self) -> int:
        """How many combinations there are."""
        return int(self.values.size)

    def joined(self, other: Values) -> Values:
        """Return all pairs: values add, states combine."""
        return Values(
            (self.values[:, None] + other.values[None, :]).ravel(),
            (self.states[:, None] | other.states[None, :]).ravel(),
        )

    def ordered(self) -> Values:
        """Return the same by rising value."""
        order = np.argsort(self.values, kind="stable")
        return Values(self.values[order], self.states[order])

    def without_repeats(self, resolution: float, relative: float) -> Values:
        """Return an ordered list with one entry for each value: fewest relays, lowest state.

        Values closer than `resolution`, or than `relative` of themselves, count as equal.
        """
        near = np.diff(self.values) <= np.maximum(resolution, relative * np.abs(self.values[1:]))
        if not near.any():
            return self
        cluster = np.concatenate(([0], np.cumsum(~near)))
        order = np.lexsort((self.states, np.bitwise_count(self.states), cluster))
        first = np.concatenate(([True], ~near))
        chosen = order[first]
        return Values(self.values[chosen], self.states[chosen])


def _nothing() -> Values:
    return Values(np.zeros(1), np.zeros(1, dtype=np.uint64))


def _joined(parts: Sequence[Values]) -> Values:
    whole = _nothing()
    for part in parts:
        whole = whole.joined(part)
    return whole


class OhmHalves:
    """Large and small half both in ohm: the key asked for is what is missing."""

    by_conductance = False

    def __init__(self, large: Values, small: Values) -> None:
        self.large = large.ordered()
        self._small = small.ordered()
        self.small_states = self._small.states
        self.small_size = self._small.size

    def keys(self, ohms: float | FloatArray, small: slice) -> FloatArray:
        """Return the large half's value that each of some small sums needs to make a resistance."""
        return np.asarray(ohms - self._small.values[small])

    def ohms(self, keys: FloatArray, small: slice) -> FloatArray:
        """Return what pairs of large values and small sums make, in ohm."""
        return keys + self._small.values[small]


class ConductanceHalves:
    """The large half: conductances of rungs of one parallel group. The small: all the rest.

    An entry of the small half has the ohm of everything else and the siemens of the rest of the
    group; falling resistance means rising keys.
    """

    by_conductance = True

    def __init__(self, large: Values, others_ohms: Values, rest_siemens: Values) -> None:
        self.large = large.ordered()
        self._others = np.repeat(others_ohms.values, rest_siemens.size)
        self._rest = np.tile(rest_siemens.values, others_ohms.size)
        self.small_states = (others_ohms.states[:, None] | rest_siemens.states[None, :]).ravel()
        self.small_size = int(self.small_states.size)

    def keys(self, ohms: float | FloatArray, small: slice) -> FloatArray:
        """Return the large half's value that each of some small sums needs to make a resistance."""
        missing = ohms - self._others[small]
        with np.errstate(divide="ignore"):
            whole = np.where(missing > 0, 1.0 / missing, math.inf)
        return np.asarray(whole - self._rest[small])

    def ohms(self, keys: FloatArray, small: slice) -> FloatArray:
        """Return what pairs of large values and small sums make, in ohm."""
        with np.errstate(divide="ignore"):
            return np.asarray(self._others[small] + 1.0 / (keys + self._rest[small]))


def _bit(relay: int) -> np.uint64:
    return np.uint64(1) << np.uint64(relay)


def _two(ladder: Ladder, rung: Rung, opened: float, closed: float) -> Values:
    """Return what a relay chooses between, by the sense of its contact."""
    rest, energised = opened, closed
    if ladder.relays[rung.relay].contacts is Contacts.NORMALLY_CLOSED:
        rest, energised = closed, opened
    return Values(np.array([rest, energised]), np.array([0, _bit(rung.relay)], dtype=np.uint64))


def _series(ladder: Ladder, rung: Rung) -> Values:
    contact = ladder.relays[rung.relay].contact_ohms
    return _two(ladder, rung, rung.ohms, parallel_ohms(rung.ohms, contact))


def _siemens(ladder: Ladder, rung: Rung) -> Values:
    contact = ladder.relays[rung.relay].contact_ohms
    return _two(ladder, rung, 0.0, 1.0 / (rung.ohms + contact))


def _parallel(ladder: Ladder, rungs: Sequence[Rung]) -> Values:
    """Return a parallel group's resistances, the open one left out."""
    siemens = _joined([_siemens(ladder, rung) for rung in rungs])
    made = siemens.values > 0
    return Values(1.0 / siemens.values[made], siemens.states[made])


def split(ladder: Ladder) -> OhmHalves | ConductanceHalves:
    """Divide the rungs between a large and a small half."""
    singles = [
        rung for group in ladder.groups if group.kind is GroupKind.SERIES for rung in group.rungs
    ]
    sets = [group.rungs for group in ladder.groups if group.kind is GroupKind.PARALLEL]
    sets.sort(key=len, reverse=True)
    bits = len(singles) + sum(len(rungs) for rungs in sets)
    aim = max(_LARGE_BITS, -(-bits // 2))
    if sets and len(sets[0]) > aim and bits - aim <= _MOST_BITS:
        return _split_conductance(ladder, singles, sets, aim)
    large_sets: list[Sequence[Rung]] = []
    small_sets: list[Sequence[Rung]] = []
    room = aim
    for rungs in sets:
        if len(rungs) <= room:
            large_sets.append(rungs)
            room -= len(rungs)
        else:
            small_sets.append(rungs)
    # The larger rungs go into the large half: then the needles lie close together.
    by_size = sorted(singles, key=lambda rung: rung.ohms)
    cut = len(singles) - min(room, len(singles))
    small_singles, large_singles = by_size[:cut], by_size[cut:]
    for sets_of, rest in ((large_sets, large_singles), (small_sets, small_singles)):
        _check_size(ladder, sum(len(rungs) for rungs in sets_of) + len(rest))

    def half(sets_of: Sequence[Sequence[Rung]], rest: Sequence[Rung]) -> Values:
        return _joined(
            [_parallel(ladder, rungs) for rungs in sets_of]
            + [_series(ladder, rung) for rung in rest]
        )

    return OhmHalves(half(large_sets, large_singles), half(small_sets, small_singles))


def _split_conductance(
    ladder: Ladder, singles: Sequence[Rung], sets: Sequence[Sequence[Rung]], aim: int
) -> ConductanceHalves:
    big = sorted(sets[0], key=lambda rung: rung.ohms)
    others = _joined(
        [_parallel(ladder, rungs) for rungs in sets[1:]]
        + [_series(ladder, rung) for rung in singles]
    )
    _check_size(ladder, aim)
    return ConductanceHalves(
        large=_joined([_siemens(ladder, rung) for rung in big[:aim]]),
        others_ohms=others,
        rest_siemens=_joined([_siemens(ladder, rung) for rung in big[aim:]]),
    )


def _check_size(ladder: Ladder, bits: int) -> None:
    if bits > _MOST_BITS:
        raise InputError.single(
            f"too large to search exactly: {bits} rungs would stand in one half of the search, "
            f"and 2^{_MOST_BITS} sums are the most",
            where=ladder.name,
            hint="split the largest parallel group, or describe fewer rungs",
        )
