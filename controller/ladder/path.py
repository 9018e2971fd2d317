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

import functools
import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from controller.ladder.electrical import (
    check_state,
    connected_mask,
    contact_closed,
    rung_masks,
    states_ohms,
    with_contact,
)
from controller.ladder.model import Ladder
from controller.ladder.orders import Change, excursions_outside, quietest_orders
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
    "direct_paths",
    "extremes_between",
    "hold_ms",
    "longest_relay_ms",
    "path_through",
    "paths_through",
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
    unseen = _unseen(ladder, start, end)
    [path] = direct_paths(ladder, [(start, end)], scale)
    changed = bits_of(unseen.start ^ unseen.end)
    further = _detour_relays(ladder, start, end, changed)[:detours] if path.exact else []
    relays = (*changed, *further)[:MOST_EXACT]
    if path.excursion <= 0 or len(relays) <= len(changed):
        return path
    change = Change(unseen.start, unseen.end, relays)
    [around] = quietest_orders(ladder, [change], scale)
    if around.excursion >= path.excursion * (1.0 - detour_gain):
        return path
    return path_through(ladder, start, unseen.whole(around.states), scale)


def direct_paths(
    ladder: Ladder, pairs: Sequence[tuple[int, int]], scale: Scale
) -> list[SwitchPath]:
    """Return `best_path` without detours of each pair, start and end; worked out together.

    Raises InputError when a state does not fit the ladder.
    """
    unseen = [_unseen(ladder, *pair) for pair in pairs]
    changed = [tuple(bits_of(one.start ^ one.end)) for one in unseen]
    few = [index for index, relays in enumerate(changed) if 0 < len(relays) <= MOST_EXACT]
    changes = [Change(unseen[i].start, unseen[i].end, changed[i]) for i in few]
    orders = quietest_orders(ladder, changes, scale)
    between = {index: order.states for index, order in zip(few, orders, strict=True)}
    for index, relays in enumerate(changed):
        if len(relays) > MOST_EXACT:
            one = unseen[index]
            between[index] = tuple(_beam(ladder, one.start, one.end, relays, scale))
    ways = [
        (start, one.whole(between.get(index, ())))
        for index, ((start, _), one) in enumerate(zip(pairs, unseen, strict=True))
    ]
    paths = paths_through(ladder, ways, scale)
    return [
        replace(path, exact=False) if len(relays) > MOST_EXACT else path
        for path, relays in zip(paths, changed, strict=True)
    ]


def path_through(ladder: Ladder, start: int, states: Sequence[int], scale: Scale) -> SwitchPath:
    """Return the path through states that differ by one relay each, and what it really strays."""
    [path] = paths_through(ladder, [(start, states)], scale)
    return path


def paths_through(
    ladder: Ladder, ways: Sequence[tuple[int, Sequence[int]]], scale: Scale
) -> list[SwitchPath]:
    """Return `path_through` of each way, a start and the states after it; worked out together."""
    passed = [state for start, states in ways for state in (start, *states)]
    ohms = states_ohms(ladder, np.array(passed, dtype=np.uint64))
    values = scale(ohms).tolist() if passed else []
    opened = np.isinf(ohms).tolist()
    held = functools.cache(functools.partial(hold_ms, ladder))
    output, connected = output_relays(ladder), connected_mask(ladder)
    paths: list[SwitchPath] = []
    at = 0
    for start, states in ways:
        span = slice(at, at + 1 + len(states))
        at = span.stop
        turned = [before ^ after for before, after in itertools.pairwise((start, *states))]
        if any(one.bit_count() != 1 for one in turned):
            raise ValueError("a path changes one relay at a time")
        extreme = False
        ends = (start, *states[-1:])
        # Both ends connected: as `output_of` says, of resistances that are there already.
        if not (opened[span][0] or opened[span][-1] or any(_shorted(ladder, end) for end in ends)):
            shielded = any(state & output != connected & output for state in states)
            extreme = shielded or any(opened[span])
        paths.append(
            SwitchPath(
                start=start,
                states=tuple(states),
                hold_ms=tuple(
                    held(one.bit_length() - 1, energise=bool(state & one))
                    for one, state in zip(turned, states, strict=True)
                ),
                excursion=_strays(values[span]),
                exact=True,
                passes_extreme=extreme,
            )
        )
    return paths


def _strays(values: Sequence[float]) -> float:
    """Return how far a line of values lies outside the span of its two ends."""
    low, high = sorted((values[0], values[-1]))
    least, most = min(values), max(values)
    return max(most - high if most > high else 0.0, low - least if least < low else 0.0)


def _shielded(ladder: Ladder, state: int) -> bool:
    """Return whether the module cannot see the rungs: isolated, or shorted."""
    isolate = ladder.isolate_relay
    apart = isolate is not None and not contact_closed(ladder, state, isolate)
    return apart or _shorted(ladder, state)


def _shorted(ladder: Ladder, state: int) -> bool:
    return ladder.short_relay is not None and contact_closed(ladder, state, ladder.short_relay)


@dataclass(frozen=True)
class _Unseen:
    """A change without what the module cannot see of it: the states before, its ends, and after."""

    before: tuple[int, ...]
    start: int
    end: int
    after: tuple[int, ...]

    def whole(self, between: Sequence[int]) -> tuple[int, ...]:
        """Return all states of the way, from those of the part that is seen."""
        return (*self.before, *between, *self.after)


def _unseen(ladder: Ladder, start: int, end: int) -> _Unseen:
    """Split off the changes of rungs (and unused relays) that the module cannot see.

    Raises InputError when a state does not fit the ladder.
    """
    check_state(ladder, start)
    check_state(ladder, end)
    output = output_relays(ladder)
    if _shielded(ladder, start):
        states = _one_by_one(start, bits_of((start ^ end) & ~output))
        return _Unseen(states, states[-1] if states else start, end, ())
    if _shielded(ladder, end):
        hidden = bits_of((start ^ end) & ~output)
        turned = end
        for relay in hidden:
            turned ^= 1 << relay
        return _Unseen((), start, turned, _one_by_one(turned, hidden))
    return _Unseen((), start, end, ())


def output_relays(ladder: Ladder) -> int:
    """Return the mask of the isolate and short relays."""
    return sum(
        1 << relay for relay in (ladder.isolate_relay, ladder.short_relay) if relay is not None
    )


def _one_by_one(start: int, relays: Sequence[int]) -> tuple[int, ...]:
    states = []
    for relay in relays:
        start ^= 1 << relay
        states.append(start)
    return tuple(states)


def _detour_relays(ladder: Ladder, start: int, end: int, changed: Sequence[int]) -> list[int]:
    """Return rung relays that need not change, those like the largest changed rung first."""
    sizes = {rung.relay: rung.ohms for group in ladder.groups for rung in group.rungs}
    largest = max((sizes[relay] for relay in changed if relay in sizes), default=None)
    if largest is None or (start ^ end) & output_relays(ladder):
        return []
    unchanged = [relay for relay in bits_of(rung_masks(ladder)) if relay not in changed]
    return sorted(unchanged, key=lambda relay: (abs(math.log(sizes[relay] / largest)), relay))


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
