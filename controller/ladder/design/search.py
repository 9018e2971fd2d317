"""Looking for rungs: exchanges over a catalogue, first judged in closed form, then exactly.

A set of rungs in closed form costs some ten microseconds (`demand`), so that annealing finds its
way to where every rung moves the temperature by little. What excursion such a set really has is
asked of the exact search (`quiet`), and only as far as needed: whether it keeps the best limits
so far. By threshold accepting (Dueck and Scheuer, Journal of Computational Physics 90(1), 1990) a
little worse is let pass at first, and less and less.
"""

from __future__ import annotations

import functools
import math
import random
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from controller.arrays import FloatArray
from controller.errors import InputError
from controller.ladder.cubes import Corners
from controller.ladder.design.catalogue import Catalogue, Part
from controller.ladder.design.demand import (
    Demand,
    allowed_celsius,
    drops_celsius,
    nearest_deviations_celsius,
    worst_deviation_celsius,
)
from controller.ladder.design.ladders import Build, base_ohms, designed_ladder
from controller.ladder.quiet import InverseScale, Stop, WalkSearch, least_kept

__all__ = ["Aim", "Found", "search_rungs"]

_ANNEALED = 4000
_HOTTEST_CELSIUS, _COLDEST_CELSIUS = 2.0, 0.01  # of the annealing: how much worse is let pass
_TOLERANCE = 0.08  # how much worse, as a share, the exact part lets pass at first
_GAIN = 0.99
_FURTHEST = 3  # places in the catalogue that a rung moves at once
_MOST_AXES = 14
_NO_WAY_CELSIUS = 1000.0
_PENALTY = 50.0  # degC for a degC of deviation too many
_KIND_CELSIUS = 0.15  # what another value in the parts list has to gain


@dataclass(frozen=True, kw_only=True)
class Aim:
    """What one search is after.

    `steps_celsius` are those whose excursion counts. With `few_kinds` a value has to gain
    something to stand on the parts list. `tries` is how many exchanges are judged exactly.
    `plan_deviation_celsius` is that key of the plans to come; None: they do not state it.
    """

    steps_celsius: tuple[float, ...]
    deviation_celsius: float
    few_kinds: bool = False
    tries: int = 500
    plan_deviation_celsius: float | None = None


@dataclass(frozen=True, kw_only=True)
class Found:
    """The best set of a search, by rising resistance."""

    parts: tuple[Part, ...]
    deviation_celsius: float


def search_rungs(
    catalogue: Catalogue,
    count: int,
    demands: Sequence[Demand],
    aim: Aim,
    *,
    build: Build,
    fixed_ohms: float,
    seed: int,
) -> Found | None:
    """Return a good set of rungs; None when none was found that makes every temperature.

    The same arguments give the same set everywhere. Raises InputError when there are not enough
    parts.
    """
    search = _Rungs(catalogue, count, demands, aim, build, fixed_ohms, random.Random(seed))  # noqa: S311
    places = search.tightened(search.annealed())
    deviation = search.deviation(places)
    if deviation > aim.deviation_celsius:
        return None
    return Found(parts=search.parts_at(places), deviation_celsius=deviation)


class _Rungs:
    """A set is a sorted list of places in the catalogue."""

    def __init__(
        self,
        catalogue: Catalogue,
        count: int,
        demands: Sequence[Demand],
        aim: Aim,
        build: Build,
        fixed_ohms: float,
        source: random.Random,
    ) -> None:
        # A rung larger than all that is asked for would never come into circuit.
        most = max(demand.most_ohms for demand in demands) - fixed_ohms
        self._parts = tuple(part for part in catalogue.parts if part.ohms <= most)
        self._ohms = np.array([part.ohms for part in self._parts])
        self._counts = [math.inf if p.count is None else p.count for p in self._parts]
        if sum(self._counts) < count:
            raise InputError.single(
                f"{count} rungs are wanted, and {sum(self._counts)} parts are there",
                where=catalogue.name,
            )
        self._count = count
        self._demands = demands
        self._aim = aim
        self._build = build
        self._fixed_ohms = fixed_ohms
        self._base_ohms = base_ohms(build, count, fixed_ohms)
        self._source = source
        self._scales = [InverseScale(demand.celsius) for demand in demands]
        self._sweeps = [
            _sweep(number, demand, step)
            for step in aim.steps_celsius
            for number, demand in enumerate(demands)
        ]

    def parts_at(self, places: Sequence[int]) -> tuple[Part, ...]:
        """Return the parts of a set."""
        return tuple(self._parts[place] for place in places)

    def deviation(self, places: Sequence[int]) -> float:
        """Return the worst deviation for any of the demands."""
        rungs = self._ohms[list(places)]
        return max(worst_deviation_celsius(d, rungs, self._base_ohms) for d in self._demands)

    def annealed(self) -> list[int]:
        """Return the set with the least drop of temperature at any rung that deviates little."""
        places = self._started()
        cost = best_cost = self._cost(places)
        best = places
        for number in range(_ANNEALED):
            left = (1.0 - number / _ANNEALED) ** 2
            heat = _HOTTEST_CELSIUS * left + _COLDEST_CELSIUS
            other = self._exchanged(places, 1)
            if other is None:
                continue
            other_cost = self._cost(other)
            worse = other_cost - cost
            if worse <= 0 or self._source.random() < math.exp(-worse / heat):
                places, cost = other, other_cost
                if cost < best_cost:
                    best, best_cost = places, cost
        return best

    def tightened(self, places: list[int]) -> list[int]:
        """Return a set near by with less excursion, judged exactly."""
        if self.deviation(places) > self._aim.deviation_celsius:
            return places
        limits = self._limits(places, [0.0] * len(self._sweeps))
        if max(limits) > _NO_WAY_CELSIUS:
            return places  # not to be judged: some stop has no state that the closed form counts on
        best, cost = places, self._kinds(places)
        for number in range(self._aim.tries):
            slack = 1.0 + _TOLERANCE * (1.0 - number / self._aim.tries)
            other = self._exchanged(places, 1 + int(self._source.random() * 2))
            if other is None or self.deviation(other) > self._aim.deviation_celsius:
                continue
            share = 1.0 + (cost - self._kinds(other))
            if not self._keeps(other, [limit * slack * share for limit in limits]):
                continue
            places = other
            if self._keeps(other, [limit * _GAIN * share for limit in limits]):
                limits = self._limits(other, [0.7 * limit for limit in limits])
                best, cost = other, self._kinds(other)
        return best

    def _started(self) -> list[int]:
        """Return rungs at even ratios from the smallest that matters to half of the whole."""
        least = min(abs(d.ohms(d.low_celsius) - d.ohms(d.high_celsius)) for d in self._demands)
        for demand in self._demands:
            end = demand.low_celsius if demand.rising else demand.high_celsius
            width = 2.0 * self._aim.deviation_celsius
            inner = end + width if demand.rising else end - width
            least = min(least, abs(demand.ohms(inner) - demand.ohms(end)))
        most = max(demand.most_ohms for demand in self._demands) * 0.6
        taken: Counter[int] = Counter()
        for ohms in np.geomspace(max(least, self._ohms[0]), most, self._count):
            for place in np.argsort(np.abs(np.log(self._ohms / ohms)), kind="stable"):
                if taken[int(place)] < self._counts[int(place)]:
                    taken[int(place)] += 1
                    break
        return sorted(taken.elements())

    def _exchanged(self, places: Sequence[int], how_many: int) -> list[int] | None:
        """Return the set with some rungs moved in the catalogue; None when that cannot be had."""
        changed = list(places)
        for _ in range(how_many):
            first = int(self._source.random() * self._count)
            far = 1 + int(self._source.random() * _FURTHEST)
            far = far if self._source.random() < 0.5 else -far
            # One rung as often as not, else a run of neighbours: they often have to move together.
            run = 1 if self._source.random() < 0.5 else 2 + int(self._source.random() * 4)
            for which in range(first, min(first + run, self._count)):
                changed[which] = min(max(changed[which] + far, 0), len(self._parts) - 1)
        changed.sort()
        taken = Counter(changed)
        if changed == list(places) or any(taken[p] > self._counts[p] for p in taken):
            return None
        return changed

    def _cost(self, places: Sequence[int]) -> float:
        rungs = self._ohms[list(places)]
        drop, deviation = 0.0, 0.0
        for demand in self._demands:
            drop = max(drop, float(drops_celsius(demand, rungs, self._base_ohms).max()))
            deviation = max(deviation, worst_deviation_celsius(demand, rungs, self._base_ohms))
        cost = drop + _PENALTY * max(0.0, deviation - self._aim.deviation_celsius)
        return cost + (_KIND_CELSIUS * len(set(places)) if self._aim.few_kinds else 0.0)

    def _kinds(self, places: Sequence[int]) -> float:
        """Return the share of an excursion that the parts list counts for."""
        return 0.02 * len(set(places)) if self._aim.few_kinds else 0.0

    def _asked(self, places: Sequence[int]) -> Iterator[Callable[[float], bool]]:
        """Yield, for each sweep, the question whether the set keeps an excursion in it."""
        parts = self.parts_at(places)
        fixed = Part(ohms=self._fixed_ohms, tolerance_percent=0.0)
        corners = Corners(designed_ladder("", self._build, parts, fixed))
        searches = [
            WalkSearch(corners, scale, _MOST_AXES, exact_stops=False) for scale in self._scales
        ]
        rungs = self._ohms[list(places)]
        for sweep in self._sweeps:
            demand = self._demands[sweep.number]
            near = nearest_deviations_celsius(demand, rungs, self._base_ohms, sweep.ohms)
            half = allowed_celsius(near, self._aim.plan_deviation_celsius)
            stops = _stops(sweep, demand, half)
            yield functools.partial(searches[sweep.number].possible, stops)

    def _keeps(self, places: Sequence[int], limits: Sequence[float]) -> bool:
        asked = zip(self._asked(places), limits, strict=True)
        return all(possible(limit) for possible, limit in asked)

    def _limits(self, places: Sequence[int], lowest: Sequence[float]) -> list[float]:
        """Return the least excursions that the sweeps can keep, above some lower ones."""
        asked = zip(self._asked(places), lowest, strict=True)
        return [least_kept(possible, low)[0] for possible, low in asked]


@dataclass(frozen=True)
class _Sweep:
    """The targets of a sweep through a demand's span, one way."""

    number: int
    celsius: FloatArray
    ohms: FloatArray


def _sweep(number: int, demand: Demand, step_celsius: float) -> _Sweep:
    count = max(1, round((demand.high_celsius - demand.low_celsius) / step_celsius))
    celsius = np.linspace(demand.low_celsius, demand.high_celsius, count + 1)
    return _Sweep(number, celsius, np.array([demand.ohms(float(one)) for one in celsius]))


def _stops(sweep: _Sweep, demand: Demand, half: FloatArray) -> list[Stop]:
    """Return where the sweep has to be: no further than `half` degC off each target."""
    lows, highs = np.sort(
        [demand.many_ohms(sweep.celsius - half), demand.many_ohms(sweep.celsius + half)], axis=0
    )
    return [
        Stop(low_ohms=low, high_ohms=high, aim_ohms=aim)
        for low, high, aim in zip(lows.tolist(), highs.tolist(), sweep.ohms.tolist(), strict=True)
    ]
