"""From what a search found to points with their intervals, held against their limits."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from controller.measurement.model import DecisionRule, Verdict
from controller.measurement.verdict import guard_band_celsius, worst_verdict
from controller.planning.model import ResolvedPlan, ResolvedStep
from controller.planning.search import Limits, Search, Way
from controller.run.bisection import Bisection
from controller.text import number
from controller.units import COVERAGE_FACTOR

__all__ = ["SwitchingPoint", "points_of", "points_sentence", "points_verdict", "switched_celsius"]

_OF_READINGS = ("report", "settling", "repeatability")
"""Parts of a step's uncertainty that are not in the temperature that is set."""

_NAMES = {Way.THERE: "on", Way.BACK: "off again", Way.HYSTERESIS: "hysteresis"}


@dataclass(frozen=True, kw_only=True)
class SwitchingPoint:
    """A point, or the hysteresis between two, as an interval in degC (in kelvin: hysteresis).

    An end that is not finite was not found. `uncertainty_celsius` (expanded, k = 2) is that of the
    temperatures set at its ends and comes on top of the interval. `verdict` is None without limits.
    """

    way: Way
    low_celsius: float
    high_celsius: float
    uncertainty_celsius: float
    limits: Limits
    verdict: Verdict | None

    @property
    def found(self) -> bool:
        """Whether both ends are known."""
        return math.isfinite(self.low_celsius) and math.isfinite(self.high_celsius)

    def __str__(self) -> str:
        name, unit = _NAMES[self.way], "K" if self.way is Way.HYSTERESIS else "degC"
        low, high = number(self.low_celsius, 2), number(self.high_celsius, 2)
        match math.isfinite(self.low_celsius), math.isfinite(self.high_celsius):
            case True, True:
                said = f"between {low} and {high} {unit} (U {number(self.uncertainty_celsius, 2)})"
            case True, False:
                said = f"not found, above {low} {unit}"
            case False, True:
                said = f"not found, below {high} {unit}"
            case _:
                said = "not found"
        return f"{name} {said}"


def points_of(plan: ResolvedPlan, search: Search, known: Bisection) -> tuple[SwitchingPoint, ...]:
    """Return the point there, the one back and the hysteresis, as far as they were looked for.

    Each interval ends at levels: at the near one what was watched for was still as before, at the
    far one it had changed. The far end is further out by what the relays' way there strays beyond
    the level, after the module's filter where that is known.
    """
    sign = 1 if search.to_celsius > search.from_celsius else -1
    beyond = sign * math.inf
    there = _interval(plan.steps, known.there_off, known.there_on, sign, lacking=(-beyond, beyond))
    found = [_judged(plan, search, Way.THERE, *there)]
    if not search.one_way and known.back_on is not None:
        back = _interval(
            plan.steps, known.back_on, known.back_off, -sign, lacking=(beyond, -beyond)
        )
        found.append(_judged(plan, search, Way.BACK, *back))
        if all(point.found for point in found):
            low = min(sign * (a - b) for a in there[:2] for b in back[:2])
            high = max(sign * (a - b) for a in there[:2] for b in back[:2])
            unsure = math.hypot(there[2], back[2])
            found.append(_judged(plan, search, Way.HYSTERESIS, low, high, unsure))
    return tuple(found)


def points_verdict(search: Search, points: Sequence[SwitchingPoint], *, sound: bool) -> Verdict:
    """Return the verdict of a search; what has limits and was not found is undecided.

    `sound` is False for a search that was not completed, or that contradicted itself.
    """
    wanted = [way for way in Way if search.limits(way).stated]
    have = {point.way: point.verdict for point in points}
    verdict = worst_verdict(have.get(way) or Verdict.UNDECIDED for way in wanted)
    return Verdict.UNDECIDED if verdict is Verdict.PASS and not sound else verdict


def points_sentence(points: Sequence[SwitchingPoint]) -> str:
    """Say in words what was found."""
    return "; ".join(
        f"{point}{'' if point.verdict is None else f', {point.verdict.value}'}" for point in points
    )


def switched_celsius(step: ResolvedStep) -> float:
    """Return the temperature a level stands for. Raises ValueError for open and short."""
    if step.achieved_celsius is None:
        raise ValueError("open and short are no levels")
    return step.achieved_celsius


def _interval(
    steps: Sequence[ResolvedStep],
    near: int | None,
    far: int | None,
    sign: int,
    *,
    lacking: tuple[float, float],
) -> tuple[float, float, float]:
    """Return the interval, its lower end first, and the uncertainty of its ends."""
    ends = [lacking[0], lacking[1]]
    unsure = 0.0
    if near is not None:
        ends[0] = switched_celsius(steps[near])
        unsure = _level_uncertainty(steps[near])
    if far is not None:
        way = range(near + 1, far + 1) if near is not None and near < far else range(far, far + 1)
        if near is not None and far < near:
            way = range(far, near)
        reached = [sign * switched_celsius(steps[level]) + _strays(steps, level) for level in way]
        ends[1] = sign * max(reached)
        unsure = max(unsure, _level_uncertainty(steps[far]))
    return min(ends), max(ends), unsure


def _strays(steps: Sequence[ResolvedStep], level: int) -> float:
    """Return how far either way to a level, from its neighbours, may stray beyond it."""
    ways = [step for step in steps[level : level + 2] if step.index > 0]
    return max(
        (
            step.excursion_celsius or 0.0
            if step.filtered_excursion_celsius is None
            else step.filtered_excursion_celsius
            for step in ways
        ),
        default=0.0,
    )


def _level_uncertainty(step: ResolvedStep) -> float:
    parts = [part.celsius for part in step.budget if part.name not in _OF_READINGS]
    return COVERAGE_FACTOR * math.hypot(*parts)


def _judged(
    plan: ResolvedPlan, search: Search, way: Way, low: float, high: float, unsure: float
) -> SwitchingPoint:
    limits = search.limits(way)
    return SwitchingPoint(
        way=way,
        low_celsius=low,
        high_celsius=high,
        uncertainty_celsius=unsure,
        limits=limits,
        verdict=_verdict(limits, low, high, unsure, plan.decision_rule),
    )


def _verdict(
    limits: Limits, low: float, high: float, unsure: float, rule: DecisionRule
) -> Verdict | None:
    """Judge an interval: all of it inside the limits, all of it outside, or neither."""
    if not limits.stated:
        return None
    guard = guard_band_celsius(rule, unsure)
    if low - guard >= limits.lowest and high + guard <= limits.highest:
        return Verdict.PASS
    if high + guard < limits.lowest or low - guard > limits.highest:
        return Verdict.FAIL
    return Verdict.UNDECIDED
