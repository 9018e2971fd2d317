"""The order in which relays change between two states, so that the module sees the least of it.

Knows: the values a set of relays can make on the way, and how long a relay takes to settle.
Must not know: sensors (a judged scale comes in as a function), files, links, plans.

Relays commanded together do not move together, so a group change passes through any combination
of the changed relays. Changed one at a time, each held until it has settled, only known values
appear. The *excursion* of a path is how far the values strayed outside the span of its two ends,
on the judged scale. To go to an end that is open or short is no excursion.

The best order is a bottleneck path through a cube of states, one axis for each relay that may
change. It is found exactly by relaxing all states along one axis at a time until nothing gets
better (Bellman's equation with max in place of plus); among the orders with the least excursion
the one with the fewest changes is taken.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from controller.arrays import FloatArray
from controller.ladder.electrical import (
    check_state,
    contact_closed,
    rung_masks,
    states_ohms,
    with_contact,
)
from controller.ladder.model import Ladder
from controller.ladder.search import Scale

__all__ = [
    "DETOUR_GAIN",
    "FAST_MS",
    "LATENESS_MS",
    "MOST_EXACT",
    "TIME_SPREAD",
    "SwitchPath",
    "all_at_once_excursion",
    "best_path",
    "bits_of",
    "excursions_outside",
    "extremes_between",
    "hold_ms",
    "longest_relay_ms",
    "path_through",
    "switches_fast",
]

MOST_EXACT = 16
"""Up to this many relays, changed and detour together, the search is exact: 65536 states."""

TIME_SPREAD = 0.25
"""How much slower than stated a relay may be and still have settled when its hold ends."""

LATENESS_MS = 2
"""How late a device may latch a state (wire protocol, section 7, apply): it shortens a hold."""

DETOUR_GAIN = 0.05
"""The share of its excursion that a path must save for a detour to be worth its operations."""

FAST_MS = 0.1
"""Switches that stop moving within this are fast: solid-state ones are, no moving contact is."""

_BEAM = 2000


@dataclass(frozen=True, kw_only=True)
class SwitchPath:
    """Relay changes, one at a time, from a start state. Empty when there is nothing to change.

    `states` are those after each change, the end state last; `hold_ms` how long each is held.
    `excursion` is on the judged scale, zero or more. `exact` is False when there were too many
    changed relays to prove that no order is better; the excursion stated is still that of this
    path. `passes_extreme` says that a state between two connected ones is open or short.
    """

    start: int
    states: tuple[int, ...]
    hold_ms: tuple[int, ...]
    excursion: float
    exact: bool
    passes_extreme: bool

    @property
    def operations(self) -> int:
        """How many relay operations the path takes."""
        return len(self.states)

    @property
    def duration_ms(self) -> int:
        """How long the path takes, its last hold included."""
        return sum(self.hold_ms)


def hold_ms(ladder: Ladder, relay: int, *, energise: bool) -> int:
    """Return how long to hold after changing one relay: it has moved and stopped bouncing.

    The stated times plus TIME_SPREAD, rounded up to whole milliseconds, plus LATENESS_MS.
    """
    made = ladder.relays[relay]
    moving = made.operate_ms if energise else made.release_ms
    return math.ceil((moving + made.bounce_ms) * (1.0 + TIME_SPREAD)) + LATENESS_MS


def bits_of(mask: int) -> list[int]:
    """Return the indices of the bits set, lowest first."""
    return [index for index in range(mask.bit_length()) if mask >> index & 1]


def excursions_outside(values: FloatArray, first: FloatArray, second: FloatArray) -> FloatArray:
    """Return how far values lie outside the span of two others (which broadcast); 0 inside.

    An infinite value that is itself an end is inside.
    """
    low, high = np.minimum(first, second), np.maximum(first, second)
    with np.errstate(invalid="ignore"):
        outside = np.where(values > high, values - high, np.where(values < low, low - values, 0.0))
    return np.asarray(outside, dtype=np.float64)


def extremes_between(ladder: Ladder, start: int, end: int) -> tuple[int, int]:
    """Return the states of least and of most resistance on the way when all relays move at once.

    Closing a contact never raises the resistance, so among all combinations of the changed relays
    these are all of them closed, and all of them open.
    """
    closed = opened = check_state(ladder, start)
    for relay in bits_of(start ^ check_state(ladder, end)):
        closed = with_contact(ladder, closed, relay, closed=True)
        opened = with_contact(ladder, opened, relay, closed=False)
    return closed, opened


def all_at_once_excursion(ladder: Ladder, start: int, end: int, scale: Scale) -> float:
    """Return the worst excursion when all changed relays are commanded together: exact."""
    values = scale(states_ohms(ladder, [start, end, *extremes_between(ladder, start, end)]))
    return float(excursions_outside(values[2:], values[0], values[1]).max())


def switches_fast(ladder: Ladder) -> bool:
    """Return whether every relay says that it moves and rests within FAST_MS."""
    return all(
        max(relay.operate_ms, relay.release_ms) + relay.bounce_ms <= FAST_MS
        for relay in ladder.relays
    )


def best_path(
    ladder: Ladder,
    start: int,
    end: int,
    scale: Scale,
    *,
    detours: int = MOST_EXACT,
    detour_gain: float = DETOUR_GAIN,
) -> SwitchPath:
    """Return the order of single-relay changes with the least worst excursion.

    `scale` judges resistances (degC through a curve, for example) and must be monotone and
    defined from 0 ohm to math.inf. `detours` is how many relays that need not change may be used
    as well, where that lowers the excursion by more than the share `detour_gain`; together with
    the changed ones at most MOST_EXACT, those nearest in size to the largest changed rung first.
    Isolate and short relays are never detours. With more than MOST_EXACT changed relays a beam of
    2000 partial orders is followed in place of all of them, without detours, and `exact` is False.

    While the ladder is isolated or shorted at one end, rungs are changed there, unseen.

    Raises InputError when a state does not fit the ladder.
    """
    check_state(ladder, start)
    check_state(ladder, end)
    before, middle_start, middle_end, after = _unseen(ladder, start, end)
    changed = bits_of(middle_start ^ middle_end)
    exact = len(changed) <= MOST_EXACT
    if not changed:
        between = []
    elif not exact:
        between = _beam(ladder, middle_start, middle_end, changed, scale)
    else:
        direct = _through_cube(ladder, middle_start, middle_end, changed, scale)
        assert direct is not None  # noqa: S101 - nothing was asked of it
        between, strays = direct
        further = _detour_relays(ladder, start, end, changed)[:detours]
        relays = (changed + further)[:MOST_EXACT]
        if strays > 0 and len(relays) > len(changed):
            wanted = strays * (1.0 - detour_gain)
            around = _through_cube(ladder, middle_start, middle_end, relays, scale, below=wanted)
            between = between if around is None else around[0]
    return path_through(ladder, start, [*before, *between, *after], scale, exact=exact)


def path_through(
    ladder: Ladder, start: int, states: Sequence[int], scale: Scale, *, exact: bool = True
) -> SwitchPath:
    """Return the path through states that differ by one relay each, and what it really strays."""
    holds = []
    previous = start
    for state in states:
        (relay,) = bits_of(previous ^ state)
        holds.append(hold_ms(ladder, relay, energise=bool(state >> relay & 1)))
        previous = state
    excursion, extreme = 0.0, False
    if states:
        ohms = states_ohms(ladder, [start, *states])
        values = scale(ohms)
        excursion = float(excursions_outside(values, values[0], values[-1]).max())
        # Both ends connected: as `output_of` says, of resistances that are there already.
        if np.isfinite(ohms[[0, -1]]).all() and not any(
            _shorted(ladder, end) for end in (start, states[-1])
        ):
            extreme = bool(np.isinf(ohms).any()) or any(_shielded(ladder, s) for s in states)
    return SwitchPath(
        start=start,
        states=tuple(states),
        hold_ms=tuple(holds),
        excursion=excursion,
        exact=exact,
        passes_extreme=extreme,
    )


def _shielded(ladder: Ladder, state: int) -> bool:
    """Return whether the module cannot see the rungs: isolated, or shorted."""
    isolate = ladder.isolate_relay
    apart = isolate is not None and not contact_closed(ladder, state, isolate)
    return apart or _shorted(ladder, state)


def _shorted(ladder: Ladder, state: int) -> bool:
    return ladder.short_relay is not None and contact_closed(ladder, state, ladder.short_relay)


def _unseen(ladder: Ladder, start: int, end: int) -> tuple[list[int], int, int, list[int]]:
    """Split off the changes of rungs (and unused relays) that the module cannot see.

    Return the states before, the two ends of what is left, and the states after.
    """
    output = output_relays(ladder)
    hidden = bits_of((start ^ end) & ~output)
    if _shielded(ladder, start):
        states = _one_by_one(start, hidden)
        return states, states[-1] if states else start, end, []
    if _shielded(ladder, end):
        turned = end
        for relay in hidden:
            turned ^= 1 << relay
        return [], start, turned, _one_by_one(turned, hidden)
    return [], start, end, []


def output_relays(ladder: Ladder) -> int:
    """Return the mask of the isolate and short relays."""
    return sum(
        1 << relay for relay in (ladder.isolate_relay, ladder.short_relay) if relay is not None
    )


def _one_by_one(start: int, relays: Sequence[int]) -> list[int]:
    states = []
    for relay in relays:
        start ^= 1 << relay
        states.append(start)
    return states


def _detour_relays(ladder: Ladder, start: int, end: int, changed: Sequence[int]) -> list[int]:
    """Return rung relays that need not change, those like the largest changed rung first."""
    sizes = {rung.relay: rung.ohms for group in ladder.groups for rung in group.rungs}
    largest = max((sizes[relay] for relay in changed if relay in sizes), default=None)
    if largest is None or (start ^ end) & output_relays(ladder):
        return []
    unchanged = [relay for relay in bits_of(rung_masks(ladder)) if relay not in changed]
    return sorted(unchanged, key=lambda relay: (abs(math.log(sizes[relay] / largest)), relay))


def cube_states(start: int, relays: Sequence[int]) -> npt.NDArray[np.uint64]:
    """Return the 2^k states that k relays make from a start: bit i of the index turns relay i."""
    states = np.array([start], dtype=np.uint64)
    for relay in relays:
        states = np.concatenate([states, states ^ (np.uint64(1) << np.uint64(relay))])
    return states


def _through_cube(
    ladder: Ladder,
    start: int,
    end: int,
    relays: Sequence[int],
    scale: Scale,
    *,
    below: float = math.inf,
) -> tuple[list[int], float] | None:
    """Return the exact bottleneck path with the fewest changes, and its excursion.

    Where that leaves a choice, values near one of the ends are preferred. None where every path
    strays by `below` or more.
    """
    if below < math.inf and _beside(ladder, start, end, relays, scale) >= below:
        return None
    states = cube_states(start, relays)
    values = scale(states_ohms(ladder, states))
    goal = sum(1 << axis for axis, relay in enumerate(relays) if (start ^ end) >> relay & 1)
    outside = excursions_outside(values, values[0], values[goal])
    with np.errstate(invalid="ignore"):
        apart = np.minimum(np.abs(values - values[0]), np.abs(values - values[goal]))
    apart = np.nan_to_num(apart, nan=0.0)
    least = _bottleneck(outside, len(relays), goal)
    if least >= below:
        return None
    distance = _changes_needed(outside <= least, len(relays), goal)
    walked = [goal]
    while walked[-1] != 0:
        here = walked[-1]
        nearer = [
            here ^ (1 << axis)
            for axis in range(len(relays))
            if distance[here ^ (1 << axis)] == distance[here] - 1
        ]
        walked.append(min(nearer, key=lambda index: (outside[index], apart[index], index)))
    return [int(states[index]) for index in reversed(walked[:-1])], least


def _beside(ladder: Ladder, start: int, end: int, relays: Sequence[int], scale: Scale) -> float:
    """Return what every path strays by at least: it passes beside its start and beside its end."""
    beside = [state ^ (1 << relay) for state in (start, end) for relay in relays]
    values = scale(states_ohms(ladder, [start, end, *beside]))
    outside = excursions_outside(values[2:], values[0], values[1]).reshape(2, -1)
    return float(outside.min(axis=1).max())


def _halves(array: npt.NDArray[Any], axis: int) -> tuple[npt.NDArray[Any], npt.NDArray[Any]]:
    """Return views of a cube's two halves along one axis."""
    shaped = array.reshape(-1, 2, 1 << axis)
    return shaped[:, 0, :], shaped[:, 1, :]


def _bottleneck(outside: FloatArray, axes: int, goal: int) -> float:
    """Return the least worst excursion of any walk from index 0 to the goal."""
    reached = np.full(outside.shape, math.inf)
    reached[0] = outside[0]
    while True:
        earlier = reached.copy()
        for axis in range(axes):
            here, there = _halves(reached, axis)
            out_here, out_there = _halves(outside, axis)
            np.minimum(there, np.maximum(out_there, here), out=there)
            np.minimum(here, np.maximum(out_here, there), out=here)
        if np.array_equal(earlier, reached):
            return float(reached[goal])


def _changes_needed(allowed: npt.NDArray[np.bool_], axes: int, goal: int) -> npt.NDArray[np.int16]:
    """Return the fewest changes from index 0 to each allowed index, as far as to the goal."""
    distance = np.full(allowed.shape, -2, dtype=np.int16)
    front = np.zeros(allowed.shape, dtype=bool)
    front[0] = True
    steps = 0
    while True:
        distance[front] = steps
        if distance[goal] >= 0:
            return distance
        steps += 1
        fresh = np.zeros_like(front)
        for axis in range(axes):
            here, there = _halves(front, axis)
            new_here, new_there = _halves(fresh, axis)
            new_here |= there
            new_there |= here
        front = fresh & allowed & (distance < 0)


def _beam(ladder: Ladder, start: int, end: int, changed: Sequence[int], scale: Scale) -> list[int]:
    """Return the best of the orders that a beam of partial orders keeps."""
    ends = scale(states_ohms(ladder, [start, end]))
    bits = np.array([1 << relay for relay in changed], dtype=np.uint64)
    states = np.array([start], dtype=np.uint64)
    worst = np.zeros(1)
    history: list[tuple[npt.NDArray[np.uint64], npt.NDArray[np.intp]]] = []
    for _ in changed:
        todo = ((states[:, None] ^ np.uint64(end)) & bits[None, :]) != 0
        parent, which = np.nonzero(todo)
        moved = states[parent] ^ bits[which]
        values = scale(states_ohms(ladder, moved))
        outside = np.maximum(worst[parent], excursions_outside(values, ends[0], ends[1]))
        order = np.lexsort((moved, outside))
        _, first = np.unique(moved[order], return_index=True)
        kept = order[np.sort(first)][:_BEAM]
        states, worst = moved[kept], outside[kept]
        history.append((states, parent[kept]))
    at = int(np.flatnonzero(states == np.uint64(end))[0])
    walked = []
    for level_states, level_parents in reversed(history):
        walked.append(int(level_states[at]))
        at = int(level_parents[at])
    return walked[::-1]


def longest_relay_ms(ladder: Ladder) -> int:
    """Return how long any relay of a ladder may take to move and come to rest, rounded up."""
    return max(
        1,
        *(math.ceil(max(r.operate_ms, r.release_ms) + r.bounce_ms) for r in ladder.relays),
    )
