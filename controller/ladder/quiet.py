"""The quietest way through a line of stops over all states and all orders, and the proof of it.

A stop is a span of resistances (or some states), any of which would do. A walk changes one relay at
a time and may take every detour. Its excursion is how far it strays, on the judged scale, outside
the span of the two stops that it is between.

Whether some walk keeps an excursion is decided by spreading: everything that can be reached inside
the first leg's span without leaving it, of that what lies at the second stop, and so on. When
nothing is left, no states and no order can keep it. So the largest excursion found impossible is a
proven lower bound; the least found possible gives, followed backwards, states and paths.

The bound forgives what a stop's span is wide, at both ends of a leg, and what rungs too small to
matter make together (`cubes`): it is lower than the truth by about that, never higher.
"""

from __future__ import annotations

import functools
import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from controller.ladder.cubes import MOST_FILLING, Corners, Cube
from controller.ladder.electrical import states_ohms
from controller.ladder.inverse_scale import InverseScale
from controller.ladder.lattice import corners_of, packed, shortest_walk, spread
from controller.ladder.model import Ladder
from controller.ladder.search import Scale

__all__ = [
    "InverseScale",
    "QuietWalk",
    "Stop",
    "WalkSearch",
    "least_kept",
    "quiet_walks",
    "stop_at_states",
]

FINE = 0.005
"""The share of a leg's span, on the scale, that rungs left open may make together."""

PRECISION = 0.01
"""How near, as a share, what is found possible and what is proven impossible have to come."""

_LEAST = 1e-4  # excursions closer than this, on the scale, are not told apart
_MOST = 1e9  # no excursion is larger: there is no way at all
_MOST_AXES, _FEWEST_AXES = 18, 10
_WORK = 1 << 22  # corners of all legs together, about; fewer axes bring it down


@dataclass(frozen=True, kw_only=True)
class Stop:
    """Any state that makes `low_ohms` to `high_ohms`, best `aim_ohms`; or one of `states`."""

    low_ohms: float
    high_ohms: float
    aim_ohms: float
    states: tuple[int, ...] = ()

    @property
    def span_ohms(self) -> tuple[float, float, float]:
        """Lowest, best and highest resistance."""
        return self.low_ohms, self.aim_ohms, self.high_ohms


def stop_at_states(ladder: Ladder, states: Sequence[int]) -> Stop:
    """Return the stop at some connected states; the first is the one to aim at."""
    ohms = states_ohms(ladder, np.array(states, dtype=np.uint64))
    return Stop(
        low_ohms=float(ohms.min()),
        high_ohms=float(ohms.max()),
        aim_ohms=float(ohms[0]),
        states=tuple(states),
    )


@dataclass(frozen=True, kw_only=True)
class QuietWalk:
    """A state for each stop, and for each leg the states after each relay change."""

    states: tuple[int, ...]
    legs: tuple[tuple[int, ...], ...]


def quiet_walks(
    ladder: Ladder, lines: Sequence[Sequence[Stop]], scale: Scale
) -> tuple[float, list[QuietWalk | None]] | None:
    """Return the excursion that no way through all lines can keep below, and a quiet way each.

    The lines do not hang together. A way is None where the bound is all that was found. Returns
    None for ladders whose parallel groups are too large to search (`cubes`).
    """
    corners = Corners(ladder)
    if not corners.searchable:
        return None
    legs = sum(max(len(line) - 1, 0) for line in lines)
    axes = int(math.log2(_WORK / max(legs, 1)))
    search = WalkSearch(corners, InverseScale(scale), max(_FEWEST_AXES, min(axes, _MOST_AXES)))
    bound = max((search.least_of_legs(line) for line in lines), default=0.0)
    _, bound = least_kept(
        lambda limit: all(search.possible(line, limit, wide=True) for line in lines), bound
    )
    walks = [
        search.walk(line, least_kept(functools.partial(search.possible, line), bound)[0])
        for line in lines
    ]
    return bound, walks


def least_kept(possible: Callable[[float], bool], low: float) -> tuple[float, float]:
    """Return about the least excursion that is possible, and one at or below it that is proven.

    Nothing below `low` is possible.
    """
    step = max(low * PRECISION, 10 * _LEAST)
    high = low + step
    while not possible(high) and high < _MOST:
        low, step = high, step * 2
        high = low + step
    while high - low > max(low * PRECISION, 10 * _LEAST):
        middle = (low + high) / 2
        if possible(middle):
            high = middle
        else:
            low = middle
    return high, low


@dataclass(frozen=True)
class _Span:
    """What an excursion leaves a leg: resistances, lowest and highest, and the cube for them."""

    cube: Cube
    low_ohms: float
    high_ohms: float


@dataclass(frozen=True)
class _Leg:
    """A leg as it was spread over: what was inside its span, and what it set out from."""

    cube: Cube
    allowed: int
    origin: int
    arrived: int


class WalkSearch:
    """Asks one ladder which excursions are possible. Cubes have at most `most_axes` axes.

    Without `exact_stops` open rungs are taken to make every value between their ends at a stop.
    Lines of stops must be kept alive as long as the search.
    """

    def __init__(
        self,
        corners: Corners,
        inverse: InverseScale,
        most_axes: int,
        *,
        exact_stops: bool = True,
    ) -> None:
        self._corners = corners
        self._inverse = inverse
        self._most_axes = most_axes
        self._exact_stops = exact_stops
        # Stops by identity: the lines that hold them outlive the search.
        self._values: dict[int, tuple[float, float, float]] = {}
        self._stops: dict[tuple[int, int, int], int] = {}

    def least_of_legs(self, line: Sequence[Stop]) -> float:
        """Return an excursion that some leg alone cannot keep below; 0 when there is none."""
        self._scale_all(line)
        by_stops = {frozenset((id(a), id(b))): (a, b) for a, b in itertools.pairwise(line)}
        legs = list(by_stops.values())
        least = 0.0
        while legs:
            spans = self._spans(legs, least, wide=True)
            hard = next((i for i, leg in enumerate(legs) if not self._alone(*leg, spans[i])), None)
            if hard is None:
                break
            alone = functools.partial(self.possible, legs[hard], wide=True)
            _, least = least_kept(alone, least)
            legs = legs[hard + 1 :]
        return least

    def _alone(self, first: Stop, second: Stop, span: _Span) -> bool:
        """Return whether a leg by itself gets from one stop to the other inside a span."""
        cube = span.cube
        allowed = packed(cube.inside(span.low_ohms, span.high_ohms))
        return bool(spread(self._at(first, cube), allowed, cube.axes) & self._at(second, cube))

    def possible(self, line: Sequence[Stop], limit: float, *, wide: bool = False) -> bool:
        """Return whether some way keeps an excursion; `wide` as in `reached`."""
        return len(line) < 2 or self.reached(line, limit, wide=wide) is not None

    def reached(self, line: Sequence[Stop], limit: float, *, wide: bool) -> list[_Leg] | None:
        """Return what can be reached leg by leg inside an excursion; None when a stop cannot.

        With `wide` a leg's span is that of all that its stops allow, which proves; without, that
        of what its stops aim at, which is near what real states will make.
        """
        self._scale_all(line)
        legs: list[_Leg] = []
        known: dict[tuple[int, int], tuple[Cube, int]] = {}  # sweeps go the same way many times
        pairs = list(itertools.pairwise(line))
        for (first, second), span in zip(pairs, self._spans(pairs, limit, wide=wide), strict=True):
            leg = id(first), id(second)
            if leg not in known:
                known[leg] = span.cube, packed(span.cube.inside(span.low_ohms, span.high_ohms))
            cube, allowed = known[leg]
            origin = self._at(first, cube)
            if legs:
                origin &= self._corners.carried(legs[-1].arrived, legs[-1].cube, cube)
            arrived = spread(origin, allowed, cube.axes) & self._at(second, cube)
            if not arrived:
                return None
            legs.append(_Leg(cube, allowed, origin, arrived))
        return legs

    def walk(self, line: Sequence[Stop], limit: float) -> QuietWalk | None:
        """Return states and paths that keep an excursion which is possible."""
        legs = self.reached(line, limit, wide=False)
        if not legs:
            return None
        masks = self._masks(line, legs)
        if masks is None:
            return None
        paths = []
        for leg, start, goal in zip(legs, masks, masks[1:], strict=False):
            path = self._path(leg, start, goal)
            if path is None:
                return None
            paths.append(tuple(self._corners.state(mask) for mask in path))
        return QuietWalk(states=tuple(map(self._corners.state, masks)), legs=tuple(paths))

    def _scale_all(self, line: Sequence[Stop]) -> None:
        """Work out the stops of a line on the scale, all at once."""
        fresh = [stop for stop in line if id(stop) not in self._values]
        if fresh:
            scaled = self._inverse.scale(np.array([stop.span_ohms for stop in fresh]))
            for stop, (one, aim, other) in zip(fresh, scaled.tolist(), strict=True):
                self._values[id(stop)] = (min(one, other), max(one, other), aim)

    def _spans(self, legs: Sequence[tuple[Stop, Stop]], limit: float, *, wide: bool) -> list[_Span]:
        """Return the cube of each leg, and the resistances that an excursion leaves it."""
        scaled = [[self._values[id(stop)] for stop in leg] for leg in legs]
        ends = np.array(scaled).reshape(-1, 2, 3)
        bottom = ends[:, :, 0 if wide else 2].min(axis=1) - limit - _LEAST
        top = ends[:, :, 1 if wide else 2].max(axis=1) + limit + _LEAST
        # Open rungs matter most at the end of low resistance.
        share = FINE * (top - bottom)
        inner = bottom + share if self._inverse.rising else top - share
        outer = bottom if self._inverse.rising else top
        low, high, inside, end = self._inverse.ohms(np.stack([bottom, top, inner, outer]))
        low, high = np.minimum(low, high), np.maximum(low, high)
        cubes = self._corners.cubes(high, np.abs(inside - end), self._most_axes)
        return list(map(_Span, cubes, low.tolist(), high.tolist()))

    def _at(self, stop: Stop, cube: Cube) -> int:
        """Return the corners that may be at a stop."""
        key = id(stop), cube.first, cube.last
        if key not in self._stops:
            self._stops[key] = self._found_at(stop, cube)
        return self._stops[key]

    def _found_at(self, stop: Stop, cube: Cube) -> int:
        if stop.states:
            masks = [self._corners.mask(state) for state in stop.states]
            corners = {
                self._corners.corner(cube, m) for m in masks if self._corners.within(cube, m)
            }
            return sum(1 << corner for corner in corners)
        near = cube.inside(stop.low_ohms, stop.high_ohms)
        if self._exact_stops and cube.first <= MOST_FILLING:
            # Of some, no combination of the open rungs really comes to lie in the span.
            found = np.flatnonzero(near)
            near[found] = self._corners.filled(cube, found, stop.span_ohms)[0]
        return packed(near)

    def _masks(self, line: Sequence[Stop], legs: Sequence[_Leg]) -> list[int] | None:
        """Return a mask for each stop, found from the last to the first."""
        last = legs[-1]
        goal = self._pick(line[-1], last.cube, last.arrived, None)
        masks: list[int] = []
        for index in range(len(legs) - 1, -1, -1):
            if goal is None:
                return None
            masks.append(goal)
            leg = legs[index]
            seed = 1 << self._corners.corner(leg.cube, goal)
            cube, back = leg.cube, spread(seed, leg.allowed, leg.cube.axes) & leg.origin
            if index:
                before = legs[index - 1]
                cube = self._corners.union(leg.cube, before.cube)
                back = self._corners.carried(back, leg.cube, cube)
                back &= self._corners.carried(before.arrived, before.cube, cube)
            goal = self._pick(line[index], cube, back, goal)
        if goal is None:
            return None
        return [goal, *masks[::-1]]

    def _pick(self, stop: Stop, cube: Cube, members: int, near: int | None) -> int | None:
        """Return the mask at a stop with the fewest changes to another, then nearest to the aim."""
        if stop.states:
            offered = [self._corners.mask(state) for state in stop.states]
            there = [
                mask
                for mask in offered
                if self._corners.within(cube, mask)
                and members >> self._corners.corner(cube, mask) & 1
            ]
            return min(there, key=lambda m: (m ^ (near or m)).bit_count(), default=None)
        found = np.flatnonzero(corners_of(members, cube.axes))
        inside, ohms, small = self._corners.filled(cube, found, stop.span_ohms)
        masks = self._corners.masks_at(cube, found) | small
        off = np.abs(ohms - stop.aim_ohms) / max(stop.high_ohms - stop.low_ohms, 1e-9)
        cost = np.where(inside, off, math.inf)
        if near is not None:
            large = self._corners.masks_at(cube, found) ^ self._corners.masks_at(
                cube, np.array([self._corners.corner(cube, near)])
            )
            cost = cost + np.bitwise_count(large)
        best = int(cost.argmin()) if cost.size else 0
        return int(masks[best]) if cost.size and math.isfinite(cost[best]) else None

    def _path(self, leg: _Leg, start: int, goal: int) -> list[int] | None:
        """Return the masks after each change of a leg: its open rungs first, or last.

        Whichever end has the lower resistance sets what they may do to the value; changed at the
        other end they matter less.
        """
        corners, cube = self._corners, leg.cube
        ends = corners.corner(cube, start), corners.corner(cube, goal)
        low, high = sorted(float(cube.values[end]) for end in ends)
        outside = np.maximum(np.maximum(low - cube.values, cube.values - high), 0.0)
        walk = shortest_walk(*ends, leg.allowed, cube.axes, outside)
        if walk is None:
            return None
        if cube.values[ends[0]] > cube.values[ends[1]]:
            path = _one_by_one(start, corners.mask_at(cube, ends[0], goal))
            return path + [corners.mask_at(cube, corner, goal) for corner in walk]
        path = [corners.mask_at(cube, corner, start) for corner in walk]
        return path + _one_by_one(path[-1] if path else start, goal)


def _one_by_one(start: int, goal: int) -> list[int]:
    """Return the masks on the way, what comes into circuit after what leaves it."""
    masks = []
    for turned in (start & ~goal, goal & ~start):
        while turned:
            bit = turned & -turned
            start ^= bit
            turned ^= bit
            masks.append(start)
    return masks
