"""The state whose resistance is nearest to a target, exactly; and all states inside a window.

Knows: that series resistances and parallel conductances are subset sums.
Must not know: sensors (a judged scale comes in as a function), how a state is reached.

The rungs are split in two halves; the sums of the large one are sorted once, and each sum of the
small one asks it by binary search for what is missing (Horowitz and Sahni, Journal of the ACM
21(2), 1974).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

from controller.arrays import FloatArray
from controller.errors import InputError
from controller.ladder.electrical import (
    StateArray,
    connected_mask,
    parallel_ohms,
    state_ohms,
    states_ohms,
)
from controller.ladder.halves import split
from controller.ladder.model import GroupKind, Ladder
from controller.ladder.search_blocks import ENOUGH, Blocks

__all__ = ["Candidate", "NearestSearch", "Scale", "Window"]

Scale: TypeAlias = Callable[[FloatArray], FloatArray]
"""A strictly monotone map from ohm to the judged quantity, defined from 0 ohm to math.inf."""

_NEEDLES_AT_ONCE = 1 << 17
_MOST_LISTED = 1 << 20
_FEWEST_ROWS = 4  # with fewer, one target alone fills a block


@dataclass(frozen=True, kw_only=True)
class Candidate:
    """A state and what it makes. `error_ohms` is achieved minus target."""

    state: int
    ohms: float
    error_ohms: float


@dataclass(frozen=True, kw_only=True)
class Window:
    """States inside an interval, by rising resistance.

    `total` counts all states inside; when that is more than was asked for, `truncated` is True
    and the candidates are those nearest to the middle. `error_ohms` is against the middle.
    """

    candidates: tuple[Candidate, ...]
    total: int
    truncated: bool


class NearestSearch:
    """The exact search over one ladder's states that connect it to the output.

    Building costs one sort; each question afterwards a binary search for each sum of the small
    half. Isolate and short relays are set to connect; relays that belong to nothing stay at rest.

    The smallest error wins; of equal ones the state with fewer energised relays, then the one with
    the lower number. Equal means closer than about `tie_ohms`, a nano-ohm on usual ladders: what
    rounding leaves between sums that are the same.

    Raises InputError when the ladder is too large: either half may have at most 2^22 sums, so 44
    rungs when they split evenly; a parallel group can only be split when every other rung fits
    into the small half together with what is left of the group.
    """

    def __init__(self, ladder: Ladder) -> None:
        self.ladder = ladder
        self._base = connected_mask(ladder)
        fixed = ladder.lead_ohms + ladder.fixed_ohms
        if ladder.isolate_relay is not None:
            fixed += ladder.relays[ladder.isolate_relay].contact_ohms
        self._fixed_ohms = fixed
        self._halves = split(ladder)
        self.least_ohms, self.most_ohms = _reach(ladder, fixed)
        self.tie_ohms = max(1e-9, 4e-15 * self.most_ohms)
        resolution = 0.0 if self._halves.by_conductance else self.tie_ohms
        self._large = self._halves.large.without_repeats(resolution, 1e-14)
        self._blocks = Blocks(
            ladder, self._halves, self._large, self._base, self._fixed_ohms, self.tie_ohms
        )

    # Questions

    def nearest(self, target_ohms: float) -> Candidate:
        """Return the state nearest to a target in ohm; beyond reach, the end and its deviation.

        Raises InputError when the target is not a finite resistance of zero or more.
        """
        _check_target(target_ohms)
        below, above = self.neighbours(target_ohms)
        return self._pick(target_ohms, (below, above), _as_is, self.tie_ohms)

    def nearest_many(self, targets_ohms: npt.ArrayLike) -> list[Candidate]:
        """Return `nearest` of each target; faster than one by one.

        Raises InputError when any target is not a finite resistance of zero or more.
        """
        targets = np.asarray(targets_ohms, dtype=np.float64).ravel()
        for target in targets:
            _check_target(float(target))
        found: list[Candidate] = []
        for block in self._in_blocks(targets):
            if block.size == 1:
                found.append(self.nearest(float(block[0])))
                continue
            near = self._blocks.nearest(block)
            found += map(_candidate, near.states.tolist(), near.ohms.tolist(), block.tolist())
        return found

    def nearest_by(self, target_ohms: float, scale: Scale) -> Candidate:
        """Return the state nearest to a target as judged on a monotone scale, degC for example.

        The nearest on any monotone scale is one of the two neighbours in ohm. States equal in
        ohm tie; on the scale itself only exactly equal deviations do.
        """
        _check_target(target_ohms)
        return self._nearer(target_ohms, self.neighbours(target_ohms), scale)

    def nearest_each_by(self, targets_ohms: Sequence[float], scale: Scale) -> list[Candidate]:
        """Return `nearest_by` of each target, the scale being asked once for all of them."""
        for target in targets_ohms:
            _check_target(target)
        around = self._neighbours_of_each(targets_ohms)
        made = {one.ohms for both in around for one in both if one is not None}
        asked = sorted({*made, *targets_ohms})
        values = dict(zip(asked, scale(np.array(asked)).tolist(), strict=True)) if asked else {}

        def known(ohms: FloatArray) -> FloatArray:
            return np.array([values[one] for one in ohms.tolist()])

        return [
            self._nearer(target, both, known)
            for target, both in zip(targets_ohms, around, strict=True)
        ]

    def neighbours(self, target_ohms: float) -> tuple[Candidate | None, Candidate | None]:
        """Return the highest state at or below a target, and the lowest above; None beyond reach.

        Among equal resistances each is the one with fewest energised relays, then the lowest
        state number.
        """
        below: Candidate | None = None
        above: Candidate | None = None
        large = self._large
        for needles, small in self._needles(target_ohms):
            after = np.searchsorted(large.values, needles, side="right")
            for picked, inside in ((after - 1, after > 0), (after, after < large.size)):
                if not inside.any():
                    continue
                rows = np.minimum(np.maximum(picked, 0), large.size - 1)
                ohms = self._halves.ohms(large.values[rows], small) + self._fixed_ohms
                ohms = np.where(inside, ohms, math.inf)
                deviation = ohms - target_ohms
                low = self._best(np.where(deviation <= 0, -deviation, math.inf), rows, small)
                high = self._best(np.where(deviation > 0, deviation, math.inf), rows, small)
                below = self._closer(target_ohms, below, low)
                above = self._closer(target_ohms, above, high)
        return below, above

    def window(self, low_ohms: float, high_ohms: float, limit: int = 1000) -> Window:
        """Return all states from `low_ohms` to `high_ohms`, both included, at most `limit`.

        Ends count as inside to within `tie_ohms`.
        """
        middle = (low_ohms + high_ohms) / 2
        half = (high_ohms - low_ohms) / 2
        _check_window(low_ohms, high_ohms, limit)
        half += self.tie_ohms
        total = self._count(middle, half)
        truncated = total > limit
        if truncated:
            half = self._half_width(middle, limit, half, total)
        chosen = self._listed(middle, half, limit)
        return Window(
            candidates=tuple(sorted(chosen, key=lambda c: (c.ohms, c.state))),
            total=total,
            truncated=truncated,
        )

    def windows(self, spans_ohms: Sequence[tuple[float, float]], limit: int = 1000) -> list[Window]:
        """Return `window` of each pair of resistances; faster than one by one."""
        found: list[Window] = []
        ends = np.array(spans_ohms, dtype=np.float64).reshape(-1, 2)
        for block in self._in_blocks(ends):
            if len(block) == 1:
                found.append(self.window(float(block[0, 0]), float(block[0, 1]), limit))
                continue
            for low, high in block.tolist():
                _check_window(low, high, limit)
            middles, halves = (block[:, 0] + block[:, 1]) / 2, (block[:, 1] - block[:, 0]) / 2
            totals, inside = self._blocks.inside(middles, halves + self.tie_ohms, limit)
            for total, middle, states in zip(
                totals.tolist(), middles.tolist(), inside.of_each(len(block)), strict=True
            ):
                near = tuple(_candidate(state, ohms, middle) for state, ohms in states)
                found.append(Window(candidates=near, total=total, truncated=total > limit))
        return found

    # How they are answered

    def _needles(self, ohms: float) -> Iterator[tuple[FloatArray, slice]]:
        """Yield, in pieces, the large half's key that each sum of the small half asks for."""
        size = self._halves.small_size
        for start in range(0, size, _NEEDLES_AT_ONCE):
            small = slice(start, min(start + _NEEDLES_AT_ONCE, size))
            yield self._halves.keys(ohms - self._fixed_ohms, small), small

    def _in_blocks(self, rows: FloatArray) -> Iterator[FloatArray]:
        """Yield so many rows as are best asked together; one alone is asked for itself."""
        at_once = self._blocks.at_once if self._blocks.at_once >= _FEWEST_ROWS else 1
        for start in range(0, len(rows), at_once):
            yield rows[start : start + at_once]

    def _neighbours_of_each(
        self, targets_ohms: Sequence[float]
    ) -> list[tuple[Candidate | None, Candidate | None]]:
        """Return `neighbours` of each target."""
        found: list[tuple[Candidate | None, Candidate | None]] = []
        for block in self._in_blocks(np.array(targets_ohms, dtype=np.float64)):
            if block.size == 1:
                found.append(self.neighbours(float(block[0])))
                continue
            both = [side.of_each(block.size) for side in self._blocks.neighbours(block)]
            for below, above in zip(*both, strict=True):
                near = [
                    Candidate(state=one[0][0], ohms=one[0][1], error_ohms=0.0) if one else None
                    for one in (below, above)
                ]
                found.append((near[0], near[1]))
        return found

    def _best(
        self, distance: FloatArray, rows: npt.NDArray[np.intp], small: slice
    ) -> Candidate | None:
        """Return the nearest of one piece, ties broken."""
        least = float(distance.min())
        if math.isinf(least):
            return None
        tied = np.flatnonzero(distance <= least + self.tie_ohms)
        states = self._large.states[rows[tied]] | self._halves.small_states[small][tied]
        relays = np.bitwise_count(states)
        chosen = int(states[relays == relays.min()].min()) | self._base
        return Candidate(state=chosen, ohms=state_ohms(self.ladder, chosen), error_ohms=0.0)

    def _nearer(
        self, target: float, around: tuple[Candidate | None, Candidate | None], scale: Scale
    ) -> Candidate:
        below, above = around
        if below and above and above.ohms - below.ohms <= 2 * self.tie_ohms:
            return self._pick(target, around, _as_is, self.tie_ohms)
        return self._pick(target, around, scale, 0.0)

    def _closer(
        self, target: float, first: Candidate | None, second: Candidate | None
    ) -> Candidate | None:
        if first is None or second is None:
            return first or second
        return self._pick(target, (first, second), _as_is, self.tie_ohms)

    def _pick(
        self, target: float, offered: Sequence[Candidate | None], scale: Scale, tie: float
    ) -> Candidate:
        """Return the candidate with the least deviation on a scale, ties broken."""
        found = [candidate for candidate in offered if candidate is not None]
        judged = scale(np.array([target, *(candidate.ohms for candidate in found)]))
        distance = [abs(float(value) - float(judged[0])) for value in judged[1:]]
        least = min(distance)
        best = min(
            (c for c, d in zip(found, distance, strict=True) if d <= least + tie),
            key=lambda c: (c.state.bit_count(), c.state),
        )
        return Candidate(state=best.state, ohms=best.ohms, error_ohms=best.ohms - target)

    def _ranges(
        self, middle: float, half: float
    ) -> Iterator[tuple[npt.NDArray[np.intp], npt.NDArray[np.intp], slice]]:
        """Yield, in pieces, where in the large half the interval starts and ends."""
        values = self._halves.large.values
        low = self._needles(middle - half)
        high = self._needles(middle + half)
        for (low_keys, small), (high_keys, _) in zip(low, high, strict=True):
            if self._halves.by_conductance:
                low_keys, high_keys = high_keys, low_keys  # falls where resistance rises
            start = np.searchsorted(values, low_keys, side="left")
            end = np.searchsorted(values, high_keys, side="right")
            yield start, np.maximum(start, end), small

    def _count(self, middle: float, half: float) -> int:
        return sum(int((end - start).sum()) for start, end, _ in self._ranges(middle, half))

    def _half_width(self, middle: float, count: int, wide: float, total: int) -> float:
        """Return a half width that holds at least `count` states, and not many more.

        `total` is how many are within `wide`.
        """
        narrow = 0.0
        share = count * ENOUGH / total / 2  # were they spread evenly, half as many as may be
        for _ in range(80):
            if total <= count * ENOUGH or wide - narrow <= self.tie_ohms / 2:
                break
            half = narrow + (wide - narrow) * min(share, 0.5)
            inside = self._count(middle, half)
            if inside >= count:
                wide, total = half, inside
                share = count * ENOUGH / total / 2
            else:
                narrow, share = half, 0.5
        return wide + self.tie_ohms

    def _listed(self, middle: float, half: float, count: int) -> list[Candidate]:
        """Return the best `count` states of an interval, best first."""
        states: list[StateArray] = []
        room = _MOST_LISTED
        for start, end, small in self._ranges(middle, half):
            counts = end - start
            counts = np.minimum(counts, np.maximum(room - (np.cumsum(counts) - counts), 0))
            total = int(counts.sum())
            if total == 0:
                continue
            room -= total
            owner = np.repeat(np.arange(counts.size), counts)
            offset = np.arange(total) - np.repeat(np.cumsum(counts) - counts, counts)
            picked = self._halves.large.states[start[owner] + offset]
            states.append(picked | self._halves.small_states[small][owner])
        if not states:
            return []
        every = np.concatenate(states) | np.uint64(self._base)
        ohms = states_ohms(self.ladder, every)
        steps = np.rint(np.abs(ohms - middle) / self.tie_ohms)
        order = np.lexsort((every, np.bitwise_count(every), steps))[:count]
        return [
            Candidate(state=int(state), ohms=float(value), error_ohms=float(value) - middle)
            for state, value in zip(every[order], ohms[order], strict=True)
        ]


def _candidate(state: int, ohms: float, target_ohms: float) -> Candidate:
    return Candidate(state=state, ohms=ohms, error_ohms=ohms - target_ohms)


def _as_is(ohms: FloatArray) -> FloatArray:
    return ohms


def _check_window(low_ohms: float, high_ohms: float, limit: int) -> None:
    half = (high_ohms - low_ohms) / 2
    if not math.isfinite(half) or half < 0 or limit < 1:
        raise InputError.single(
            f"no window runs from {low_ohms:g} ohm to {high_ohms:g} ohm for {limit} states"
        )


def _check_target(target_ohms: float) -> None:
    if not math.isfinite(target_ohms) or target_ohms < 0:
        raise InputError.single(
            f"{target_ohms} is not a resistance of zero or more that a state can be near to",
            hint="open and short are targets of their own",
        )


def _reach(ladder: Ladder, fixed: float) -> tuple[float, float]:
    """Return the least and the most finite resistance a connected ladder makes."""
    least = most = fixed
    for group in ladder.groups:
        if group.kind is GroupKind.SERIES:
            for rung in group.rungs:
                contact = ladder.relays[rung.relay].contact_ohms
                least += parallel_ohms(rung.ohms, contact)
                most += rung.ohms
        else:
            branches = [r.ohms + ladder.relays[r.relay].contact_ohms for r in group.rungs]
            least += 1.0 / sum(1.0 / ohms for ohms in branches)
            most += max(branches)
    return least, most
