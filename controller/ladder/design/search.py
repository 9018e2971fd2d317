"""Looking for rungs: exchanges over a catalogue, first judged in closed form, then exactly.

Annealing finds sets that the closed form thinks quiet. Of these, and of sets near the best, the
excursions are then asked of the exact search (`quiet`), in the order of what the closed form
expects of them, until it expects no better of any than what has been found. The exact search is
asked only as far as needed: first whether the set keeps what would make it the best.
"""

from __future__ import annotations

import functools
import heapq
import math
import random
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from controller.arrays import FloatArray
from controller.errors import InputError
from controller.ladder.cubes import Corners
from controller.ladder.design.annealing import annealed, fits
from controller.ladder.design.catalogue import Catalogue, Part
from controller.ladder.design.closed_form import ClosedForm, Places
from controller.ladder.design.demand import (
    Demand,
    allowed_celsius,
    nearest_states_ohms,
    worst_deviation_celsius,
)
from controller.ladder.design.ladders import Build, base_ohms, designed_ladder, steps_ohms
from controller.ladder.quiet import InverseScale, Stop, WalkSearch, least_kept

__all__ = ["Aim", "Found", "search_rungs"]

_GAIN = 0.995  # of the best: what counts as better
_EXPECTED = 0.9  # of the closed form: what the exact search is asked first
_SOFT = 0.05  # how much the mean of all rungs counts beside the worst of them
_ALMOST = 1.01  # of the deviation allowed: what is worth a closer look
_LOOKED_AT = 1001  # targets between which no larger deviation hides, about
_FURTHEST = 3  # places in the catalogue that a rung is moved near the best set
_MOST_AXES = 14
_NO_WAY_CELSIUS = 1000.0
_LEAST_CELSIUS = 0.1  # excursions below this are as good as none
_KIND_SHARE = 0.025  # of an excursion: what another value in the parts list has to gain
_FINALISTS = 2


@dataclass(frozen=True, kw_only=True)
class Aim:
    """What one search is after.

    `steps_celsius` are those whose excursion counts, the cheapest to judge first. With `few_kinds`
    a value has to gain something to stand on the parts list. `rounds` is how long it anneals,
    `tries` how many sets are judged exactly. `plan_deviation_celsius` is that key
    of the plans to come; None: they do not state it.
    """

    steps_celsius: tuple[float, ...]
    deviation_celsius: float
    few_kinds: bool = False
    rounds: int = 1500
    tries: int = 150
    plan_deviation_celsius: float | None = None


@dataclass(frozen=True, kw_only=True)
class Found:
    """A set by rising resistance, and about the excursions it takes for the aim's steps.

    They are those of the worst demand. Empty: the set could not be judged exactly.
    """

    parts: tuple[Part, ...]
    deviation_celsius: float
    excursions_celsius: tuple[float, ...]


def search_rungs(
    catalogue: Catalogue,
    count: int,
    demands: Sequence[Demand],
    aim: Aim,
    *,
    build: Build,
    fixed_ohms: float,
    seed: int,
) -> tuple[Found, ...]:
    """Return the best sets of rungs, the best first; none when none makes every temperature.

    The same arguments give the same sets everywhere. Raises InputError when there are not enough
    parts.
    """
    return _Rungs(catalogue, count, demands, aim, build, fixed_ohms).searched(seed)


class _Rungs:
    """Sets of rungs as rising places in the catalogue."""

    def __init__(
        self,
        catalogue: Catalogue,
        count: int,
        demands: Sequence[Demand],
        aim: Aim,
        build: Build,
        fixed_ohms: float,
    ) -> None:
        # A rung larger than all that is asked for would never come into circuit.
        most = max(demand.most_ohms for demand in demands) - fixed_ohms
        self._parts = tuple(part for part in catalogue.parts if part.ohms <= most)
        self._ohms = steps_ohms(build, np.array([part.ohms for part in self._parts]))
        self._counts = np.array([math.inf if p.count is None else p.count for p in self._parts])
        if self._counts.sum() < count:
            raise InputError.single(
                f"{count} rungs are wanted, and {self._counts.sum():g} parts are there",
                where=catalogue.name,
            )
        self._count = count
        self._demands = demands
        self._aim = aim
        self._build = build
        self._fixed_ohms = fixed_ohms
        self._base_ohms = base_ohms(build, count, fixed_ohms)
        self._scales = [InverseScale(demand.celsius) for demand in demands]
        self._form = ClosedForm(
            demands,
            aim.steps_celsius,
            self._ohms,
            self._base_ohms,
            state_celsius=float(allowed_celsius(np.zeros(1), aim.plan_deviation_celsius)[0]),
            deviation=aim.deviation_celsius,
        )

    def searched(self, seed: int) -> tuple[Found, ...]:
        """Return what `search_rungs` returns."""
        source = random.Random(seed)  # noqa: S311
        start = np.array([self._started()], dtype=np.intp)
        sets, _ = annealed(self._form, self._cost, start, self._counts, source, self._aim.rounds)
        best = self._judged_in_turn(sets)
        if not best:  # not to be judged, or not asked for
            fitting = [tuple(one) for one in sets.tolist() if self._makes_all(one)]
            best = [(places, ()) for places in fitting[:1]]
        return tuple(
            Found(
                parts=tuple(self._parts[place] for place in places),
                deviation_celsius=self._deviation(places),
                excursions_celsius=excursions,
            )
            for places, excursions in best[:_FINALISTS]
        )

    def excursions(
        self, places: Sequence[int], expected: Sequence[float], best: float = math.inf
    ) -> tuple[float, ...] | None:
        """Return about the least excursion for each step size; None when that is no better.

        Better than `best` as `_score` counts. `expected` is what the closed form says.
        """
        known = list(expected)
        for number, possible in enumerate(self._asked(places)):
            others = self._score([*known[:number], 1.0, *known[number + 1 :]], places)
            room = min((best * _GAIN / others) ** len(known), _NO_WAY_CELSIUS)
            if not possible(room):
                return None
            known[number] = least_kept(possible, min(_EXPECTED * expected[number], room))[0]
        return tuple(known)

    def _judged_in_turn(self, sets: Places) -> list[tuple[tuple[int, ...], tuple[float, ...]]]:
        """Return sets judged exactly, each better than the one after it."""
        found: list[tuple[tuple[int, ...], tuple[float, ...]]] = []
        best = math.inf
        seen: set[tuple[int, ...]] = set()
        waiting: list[tuple[float, tuple[int, ...], tuple[float, ...]]] = []
        # First what the closed form thinks best, so that nothing is found that is worse.
        fitting = np.array([self._makes_all(one) for one in sets.tolist()])
        self._line_up(sets[np.flatnonzero(fitting)[:1]], waiting, seen)
        tries = 0
        while waiting and tries < self._aim.tries:
            hoped, places, expected = heapq.heappop(waiting)
            if hoped >= best:
                break
            if not self._makes_all(places):
                continue
            tries += 1
            excursions = self.excursions(places, expected, best)
            if excursions is not None and self._deviation(places) > self._aim.deviation_celsius:
                excursions = None
            if excursions is not None:
                found.insert(0, (places, excursions))
                best = self._score(excursions, places)
            if tries == 1:
                self._line_up(sets[fitting], waiting, seen)
            if excursions is not None or tries == 1:
                self._line_up(self._near(places), waiting, seen)
        return found

    def _line_up(
        self,
        sets: Places,
        waiting: list[tuple[float, tuple[int, ...], tuple[float, ...]]],
        seen: set[tuple[int, ...]],
    ) -> None:
        """Add sets that have not been seen to those that wait, by what is hoped of them."""
        sets = sets[fits(sets, self._counts)]
        sets = sets[np.maximum(self._form.below(sets), self._form.above(sets)) <= _ALMOST]
        worst = self._form.of_each(sets).max(axis=2)
        for places, expected in zip(
            map(tuple, sets.tolist()), map(tuple, worst.T.tolist()), strict=True
        ):
            if places not in seen:
                seen.add(places)
                hoped = round(self._score(expected, places), 6)
                heapq.heappush(waiting, (hoped, places, expected))

    def _near(self, places: Sequence[int]) -> Places:
        """Return sets with one rung moved a little, or two rungs by one place each."""
        here, every = np.array(places), np.eye(self._count, dtype=np.intp)
        moves = [far * every for step in range(1, _FURTHEST + 1) for far in (step, -step)]
        first, second = np.triu_indices(self._count, 1)
        moves += [a * every[first] + b * every[second] for a in (1, -1) for b in (1, -1)]
        changed = np.clip(here + np.concatenate(moves), 0, len(self._parts) - 1)
        return np.asarray(np.sort(changed, axis=1), dtype=np.intp)

    def _makes_all(self, places: Sequence[int]) -> bool:
        """Return whether a set makes every temperature, as far as the smallest rungs tell."""
        rungs = self._ohms[list(places)]
        worst = max(worst_deviation_celsius(d, rungs, self._base_ohms) for d in self._demands)
        return worst <= self._aim.deviation_celsius

    def _deviation(self, places: Sequence[int]) -> float:
        """Return the worst deviation for any of the demands, in the middle of the span too."""
        rungs = self._ohms[list(places)]
        worst = max(worst_deviation_celsius(d, rungs, self._base_ohms) for d in self._demands)
        for demand in self._demands:
            celsius = np.linspace(demand.low_celsius, demand.high_celsius, _LOOKED_AT)
            targets = demand.many_ohms(celsius)
            made = nearest_states_ohms(demand, rungs, self._base_ohms, targets)
            worst = max(worst, float(np.abs(demand.celsius(made) - celsius).max()))
        return worst

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

    def _cost(self, excursions: FloatArray, places: Places) -> FloatArray:
        """Return what annealing makes small, of excursions by step size, set and rung."""
        # The sum of a large and a small step's excursions falls with their product, about.
        worst = excursions.max(axis=2) + _SOFT * excursions.mean(axis=2)
        cost = np.asarray(worst.mean(axis=0))
        if self._aim.few_kinds:
            cost = cost * (1.0 + _KIND_SHARE * (1 + (np.diff(places, axis=1) > 0).sum(axis=1)))
        return cost

    def _score(self, excursions: Sequence[float], places: Sequence[int]) -> float:
        """Return what makes one set better than another: less is."""
        product = math.prod(max(one, _LEAST_CELSIUS) for one in excursions)
        score = math.pow(product, 1.0 / len(excursions))
        return score * (1.0 + _KIND_SHARE * len(set(places)) if self._aim.few_kinds else 1.0)

    def _asked(self, places: Sequence[int]) -> Iterator[Callable[[float], bool]]:
        """Yield, for each step size, the question whether a set keeps an excursion in it."""
        fixed = Part(ohms=self._fixed_ohms, tolerance_percent=0.0)
        parts = [self._parts[place] for place in places]
        corners = Corners(designed_ladder("", self._build, parts, fixed))
        searches = [
            WalkSearch(corners, scale, _MOST_AXES, exact_stops=False) for scale in self._scales
        ]
        rungs = self._ohms[list(places)]
        alive = []  # what a search knows of stops, it knows by identity
        for step in self._aim.steps_celsius:
            lines = [self._stops(demand, step, rungs) for demand in self._demands]
            alive.append(lines)
            yield functools.partial(_all_possible, searches, lines)

    def _stops(self, demand: Demand, step_celsius: float, rungs: FloatArray) -> list[Stop]:
        """Return where a sweep has to be: as near to each target as plans take states."""
        celsius, ohms = _targets(demand, step_celsius)
        nearest = nearest_states_ohms(demand, rungs, self._base_ohms, ohms)
        off = np.abs(demand.celsius(nearest) - celsius)
        half = allowed_celsius(off, self._aim.plan_deviation_celsius)
        lows, highs = np.sort(
            [demand.many_ohms(celsius - half), demand.many_ohms(celsius + half)], axis=0
        )
        return [
            Stop(low_ohms=low, high_ohms=high, aim_ohms=aim)
            for low, high, aim in zip(lows.tolist(), highs.tolist(), nearest.tolist(), strict=True)
        ]


def _all_possible(
    searches: Sequence[WalkSearch], lines: Sequence[Sequence[Stop]], limit: float
) -> bool:
    return all(one.possible(line, limit) for one, line in zip(searches, lines, strict=True))


def _targets(demand: Demand, step_celsius: float) -> tuple[FloatArray, FloatArray]:
    """Return the targets of a sweep through a demand's span, one way, in degC and in ohm."""
    count = max(1, round((demand.high_celsius - demand.low_celsius) / step_celsius))
    celsius = np.linspace(demand.low_celsius, demand.high_celsius, count + 1)
    return celsius, demand.many_ohms(celsius)
