"""Which of its near-equal states each step of a plan takes, so that the whole plan is quiet.

First the quietest way over all states and all orders is looked for, and a bound proven that none
can keep (`quiet`). Its states then stand beside those nearest to each target. Two passes of dynamic
programming over the steps, both exact over these candidates: the first finds the least worst
excursion that any choice of states can keep; the second, among the choices that keep it, the fewest
relay operations. Where those are equal, relays with fewer operations so far are preferred.
"""

from __future__ import annotations

import functools
import itertools
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

from controller.arrays import FloatArray
from controller.ladder.electrical import (
    Output,
    StateArray,
    open_state,
    output_of,
    short_state,
)
from controller.ladder.model import Ladder
from controller.ladder.pairs import CANDIDATES, Pairs, least_worst
from controller.ladder.path import (
    SwitchPath,
    best_path,
    bits_of,
    direct_paths,
    paths_through,
)
from controller.ladder.quiet import PRECISION, Stop, quiet_walks, stop_at_states
from controller.ladder.search import Candidate, NearestSearch, Scale, Window

__all__ = [
    "CANDIDATES",
    "SequencePlan",
    "StepChoice",
    "connected_choice",
    "plan_sequence",
]

_DETOURED = 12  # worst transitions that are tried again with detours


@dataclass(frozen=True, kw_only=True)
class StepChoice:
    """The states one step may take. Open and short steps need none: they follow from the ladder.

    With `span_ohms`, lowest and highest, any other state in it would do as well.
    """

    output: Output
    states: tuple[int, ...] = ()
    span_ohms: tuple[float, float] | None = None

    def __post_init__(self) -> None:
        if self.output is Output.CONNECTED and not self.states:
            raise ValueError("a connected step needs at least one state")


@dataclass(frozen=True, kw_only=True)
class SequencePlan:
    """One state and one path for each step, and what they cost together.

    `operations_per_relay` has one count for each relay of the ladder. `least_excursion` is what any
    choice among the candidates has to take without further detours; detours may have brought
    `worst_excursion` below it. `lower_bound` is proven: no states in the steps' spans, no order and
    no detours keep the worst excursion below it. None when nothing is proven (`quiet`).
    """

    states: tuple[int, ...]
    paths: tuple[SwitchPath, ...]
    worst_excursion: float
    least_excursion: float
    relay_operations: int
    operations_per_relay: tuple[int, ...]
    lower_bound: float | None = None


def connected_choice(
    search: NearestSearch,
    target_ohms: float,
    low_ohms: float,
    high_ohms: float,
    scale: Scale,
    *,
    limit: int = CANDIDATES,
    nearest: Candidate | None = None,
    window: Window | None = None,
) -> StepChoice:
    """Return the step's nearest state and its near-equals between two resistances, in any order.

    At most `limit`; those nearest to the middle of the interval, and always the nearest as judged.
    With a limit of one, no other state would do. `nearest` and `window`, of at least `limit`
    states, save looking for them again.
    """
    nearest = nearest or search.nearest_by(target_ohms, scale)
    states = [nearest.state]
    span = None
    if limit > 1:
        window = window or search.window(min(low_ohms, high_ohms), max(low_ohms, high_ohms), limit)
        order = sorted(window.candidates, key=lambda c: (abs(c.ohms - target_ohms), c.state))
        states += [c.state for c in order if c.state != nearest.state]
        span = (min(low_ohms, high_ohms, nearest.ohms), max(low_ohms, high_ohms, nearest.ohms))
    return StepChoice(output=Output.CONNECTED, states=tuple(states[:limit]), span_ohms=span)


def plan_sequence(
    ladder: Ladder,
    start: int,
    steps: Sequence[StepChoice],
    scale: Scale,
    *,
    prior_operations: Sequence[int] | None = None,
    detours: bool = True,
) -> SequencePlan:
    """Return the states and paths of a whole plan with the least worst excursion.

    Then with the fewest relay operations, then spread over the relays (`prior_operations`: what
    each has behind it). `scale` as in `best_path`. Transitions between candidates that change
    more than 12 relays are judged by a greedy order in place of the best one, so the choice is
    exact up to there; with ladders of more than 16 rungs fewer candidates are kept, so that the
    work stays bounded. The worst transitions (at most 12) are then tried with detours.

    Raises InputError when an open or short step cannot be made by this ladder.
    """
    walked, bound = _quiet_ways(ladder, start, steps, scale)
    if not detours:
        walked = {}
    pairs = Pairs(ladder, scale)
    layers = _layers(ladder, start, steps, pairs.affordable(len(steps)), walked)
    costs = pairs.excursions(layers, bound or 0.0)
    usage = np.zeros(ladder.relay_count)
    if prior_operations is not None:
        usage[:] = prior_operations

    directly = _Directly(ladder, scale)

    @functools.cache
    def around(before: int, after: int) -> SwitchPath:
        return best_path(ladder, before, after, scale)

    plans = [
        _planned(ladder, layers, costs, ways, usage, directly, around if detours else None)
        for ways in ((walked, {}) if walked else ({},))
    ]
    least = min(plan.worst_excursion for plan in plans) * (1.0 + PRECISION)
    chosen = min(
        (plan for plan in plans if plan.worst_excursion <= least),
        key=lambda plan: (plan.relay_operations, plan.worst_excursion),
    )
    return chosen if bound is None else replace(chosen, lower_bound=bound)


_Ways: TypeAlias = Mapping[int, SwitchPath]
"""Paths that were found beforehand, by the index of the step they lead to."""

_Find: TypeAlias = Callable[[int, int], SwitchPath]


class _Directly:
    """Paths without detours, found many at a time and kept."""

    def __init__(self, ladder: Ladder, scale: Scale) -> None:
        self._ladder = ladder
        self._scale = scale
        self._known: dict[tuple[int, int], SwitchPath] = {}

    def __call__(self, pairs: Sequence[tuple[int, int]]) -> list[SwitchPath]:
        """Return the path between the two states of each pair."""
        fresh = [pair for pair in dict.fromkeys(pairs) if pair not in self._known]
        found = direct_paths(self._ladder, fresh, self._scale)
        self._known.update(zip(fresh, found, strict=True))
        return [self._known[pair] for pair in pairs]


def _quiet_ways(
    ladder: Ladder, start: int, steps: Sequence[StepChoice], scale: Scale
) -> tuple[_Ways, float | None]:
    """Return the paths of the quietest way between connected steps, and the proven bound."""
    lines: list[tuple[int, list[Stop]]] = []
    connected = False
    # A target that comes again is the same stop: what is known of it is known by identity.
    stops = {step: _stop(ladder, step) for step in dict.fromkeys(steps)}
    if output_of(ladder, start) is Output.CONNECTED:
        lines.append((-1, [stop_at_states(ladder, [start])]))
        connected = True
    for index, step in enumerate(steps):
        stop = stops[step]
        if stop is not None:
            if not connected:
                lines.append((index, []))
            lines[-1][1].append(stop)
        connected = stop is not None
    found = quiet_walks(ladder, [line for _, line in lines], scale)
    if found is None:
        return {}, None
    bound, walks = found
    legs = [
        (first + place + 1, walk.states[place], leg)
        for (first, _), walk in zip(lines, walks, strict=True)
        if walk is not None
        for place, leg in enumerate(walk.legs)
    ]
    paths = paths_through(ladder, [(state, leg) for _, state, leg in legs], scale)
    ways = {
        step: replace(path, exact=False) for (step, _, _), path in zip(legs, paths, strict=True)
    }
    return ways, bound


def _stop(ladder: Ladder, step: StepChoice) -> Stop | None:
    """Return where a step has to be; None where it or one of its states is open, or shorted."""
    if step.output is not Output.CONNECTED:
        return None
    at_states = stop_at_states(ladder, step.states)
    if math.isinf(at_states.high_ohms):
        return None
    if step.span_ohms is None:
        return at_states
    low, high = step.span_ohms
    return Stop(low_ohms=low, high_ohms=high, aim_ohms=at_states.aim_ohms)


def _planned(
    ladder: Ladder,
    layers: Sequence[StateArray],
    costs: Sequence[FloatArray],
    ways: _Ways,
    usage: FloatArray,
    directly: _Directly,
    around: _Find | None,
) -> SequencePlan:
    """Return the best plan over the candidates, given what each transition costs at most.

    `directly` and `around` find the paths between two states without and with detours.
    """
    start = int(layers[0][0])
    ways, costs = _with_ways(layers, costs, ways)
    least = least_worst(costs)
    chosen = _fewest_operations(layers, costs, least, usage)
    best_counts = _counts(ladder, start, chosen)
    for _ in range(2):  # spread: prefer, at equal cost, relays that the first choice used little
        other = _fewest_operations(layers, costs, least, usage + best_counts)
        counts = _counts(ladder, start, other)
        if (usage + counts).max() < (usage + best_counts).max():
            chosen, best_counts = other, counts
    ends = list(itertools.pairwise([start, *chosen]))
    fitting = {
        index: way
        for index, way in ways.items()
        if index < len(ends) and (way.start, _end(way)) == ends[index]
    }
    # Of ways below the bound it is only known that they are: an order alone may be quieter still.
    paths = [_quieter(direct, fitting.get(index)) for index, direct in enumerate(directly(ends))]
    if around is not None:
        _try_detours(paths, around)
    counts = np.zeros(ladder.relay_count, dtype=np.int64)
    for path in paths:
        counts += _counts(ladder, path.start, path.states)
    return SequencePlan(
        states=tuple(chosen),
        paths=tuple(paths),
        worst_excursion=max((path.excursion for path in paths), default=0.0),
        least_excursion=least,
        relay_operations=int(counts.sum()),
        operations_per_relay=tuple(int(count) for count in counts),
    )


def _quieter(direct: SwitchPath, way: SwitchPath | None) -> SwitchPath:
    """Return the quieter one; of equal ones that without detours."""
    return direct if way is None or direct.excursion <= way.excursion else way


def _end(path: SwitchPath) -> int:
    return path.states[-1] if path.states else path.start


def _with_ways(
    layers: Sequence[StateArray], costs: Sequence[FloatArray], ways: _Ways
) -> tuple[_Ways, list[FloatArray]]:
    """Return the ways that are quieter than the orders without detours, and costs with them."""
    quieter: dict[int, SwitchPath] = {}
    lowered = list(costs)
    for index, way in ways.items():
        pair = np.ix_(layers[index] == way.start, layers[index + 1] == _end(way))
        if (costs[index][pair] > way.excursion).any():
            lowered[index] = costs[index].copy()
            lowered[index][pair] = way.excursion
            quieter[index] = way
    return quieter, lowered


def _try_detours(paths: list[SwitchPath], around: _Find) -> None:
    """Lower the worst excursions by detours, worst first, as long as that lowers the worst."""
    for _ in range(_DETOURED):
        worst = max(range(len(paths)), key=lambda i: paths[i].excursion, default=None)
        if worst is None or paths[worst].excursion <= 0:
            return
        path = paths[worst]
        better = around(path.start, path.states[-1])
        if better.excursion >= path.excursion:
            return
        paths[worst] = better


def _counts(ladder: Ladder, start: int, states: Sequence[int]) -> npt.NDArray[np.int64]:
    """Return how often each relay changes along a line of states."""
    counts = np.zeros(ladder.relay_count, dtype=np.int64)
    for state in states:
        for relay in bits_of(start ^ state):
            counts[relay] += 1
        start = state
    return counts


def _layers(
    ladder: Ladder, start: int, steps: Sequence[StepChoice], limit: int, ways: _Ways
) -> list[StateArray]:
    """Return the candidate states of the start and of each step, with those of ways through them.

    An open or short step keeps the rungs of the step before, so it has a candidate for each.
    """
    layers = [np.array([start], dtype=np.uint64)]
    for index, step in enumerate(steps):
        if step.output is Output.CONNECTED:
            states = list(step.states[:limit])
            states += [_end(ways[index])] if index in ways else []
            states += [ways[index + 1].start] if index + 1 in ways else []
            states = list(dict.fromkeys(states))
        else:
            make = open_state if step.output is Output.OPEN else short_state
            states = list(dict.fromkeys(make(ladder, base=int(base)) for base in layers[-1]))
        layers.append(np.array(states, dtype=np.uint64))
    return layers


def _fewest_operations(
    layers: Sequence[StateArray], costs: Sequence[FloatArray], bound: float, usage: FloatArray
) -> list[int]:
    """Return the way with the fewest operations that keeps the bound; ties by least-used relays."""
    share = usage / (usage.sum() * len(layers) + 1.0)  # adds up to less than one operation
    total = np.zeros(1)
    came_from: list[npt.NDArray[np.intp]] = []
    for operations, cost in zip(_operations(layers, share), costs, strict=True):
        ways = np.where(cost <= bound, total[:, None] + operations, math.inf)
        came_from.append(ways.argmin(axis=0))
        total = ways.min(axis=0)
    at = int(total.argmin())
    chosen = []
    for layer, origin in zip(reversed(layers[1:]), reversed(came_from), strict=True):
        chosen.append(int(layer[at]))
        at = int(origin[at])
    return chosen[::-1]


def _operations(layers: Sequence[StateArray], share: FloatArray) -> list[FloatArray]:
    """Return, for each pair of neighbouring layers, what each change costs: (before, after).

    Each relay counts one and its `share`. Pairs of one shape are worked out together.
    """
    changed = [before[:, None] ^ after[None, :] for before, after in itertools.pairwise(layers)]
    by_shape: dict[tuple[int, ...], list[int]] = {}
    for index, one in enumerate(changed):
        by_shape.setdefault(one.shape, []).append(index)
    found: list[FloatArray] = [np.zeros(0)] * len(changed)
    for indices in by_shape.values():
        stacked = np.stack([changed[index] for index in indices])
        operations = np.bitwise_count(stacked).astype(np.float64)
        for relay in np.flatnonzero(share):
            operations += share[relay] * (stacked >> np.uint64(relay) & np.uint64(1))
        for index, one in zip(indices, operations, strict=True):
            found[index] = one
    return found
