"""What a ladder has to serve, and what a set of rungs does for it in closed form.

Rungs in series on top of a fixed resistor, in rising order: stacked one on the other they pass
from the hot end of a thermistor (the end of low resistance) to the cold one. What the value does
when a rung goes is read off that stack:

*Lower bound.* Look at each rung's last switch-off on the way to the end of low resistance. After
it, only rungs whose last switch-off comes later are left, with those still on at the end. So the
value after it is at most theirs together; it is best when they are all the smaller ones. If the
value drops from T(v + r) to T(v) within a step of d degC and an excursion e at either side, then
``e >= (|T(v + r) - T(v)| - d) / 2``; rungs are needed until they reach the other end. It holds for
every order and every detour.

*Deviation.* Of the smallest rungs all sums are listed. A gap between neighbours below the next
rung is real; above it, further rungs only fill in.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from controller.arrays import FloatArray

__all__ = [
    "NEAR_TIE_CELSIUS",
    "Demand",
    "allowed_celsius",
    "demand_of",
    "drops_celsius",
    "least_rungs",
    "lower_bound_celsius",
    "nearest_deviations_celsius",
    "worst_deviation_celsius",
]

NEAR_TIE_CELSIUS = 0.1
"""How much further off than the nearest state another may be: about what plans allow."""

_LISTED = 10  # smallest rungs whose sums are all listed: 1024
_LISTED_RISING = 14  # where resistance rises with temperature, an ohm is as many degC everywhere
_TABLE = 4096
_ROOM_CELSIUS = 60.0
_MOST_RUNGS = 64


@dataclass(frozen=True, kw_only=True)
class Demand:
    """A sensor to be simulated from one temperature to another.

    `table_ohms` rises; `table_celsius` has its temperatures, rising or falling, well beyond the
    span at either side. Both are tuples so that a demand can be sent to another process.
    """

    name: str
    low_celsius: float
    high_celsius: float
    least_ohms: float
    most_ohms: float
    table_ohms: tuple[float, ...]
    table_celsius: tuple[float, ...]

    @property
    def rising(self) -> bool:
        """Whether resistance grows with temperature."""
        return self.table_celsius[-1] > self.table_celsius[0]

    def celsius(self, ohms: FloatArray) -> FloatArray:
        """Return temperatures of resistances of any shape, from 0 ohm to math.inf."""
        logs, celsius = self._table
        with np.errstate(divide="ignore"):
            wanted = np.log(np.asarray(ohms, dtype=np.float64))
        return np.asarray(np.interp(wanted, logs, celsius))

    def ohms(self, celsius: float) -> float:
        """Return the resistance of a temperature of the span, or a little outside."""
        return float(self.many_ohms(np.array([celsius]))[0])

    def many_ohms(self, celsius: FloatArray) -> FloatArray:
        """Return `ohms` of many temperatures, in the same shape."""
        logs, values = self._table
        if not self.rising:
            logs, values = logs[::-1], values[::-1]
        return np.asarray(np.exp(np.interp(celsius, values, logs)))

    @functools.cached_property
    def _table(self) -> tuple[FloatArray, FloatArray]:
        return np.log(self.table_ohms), np.array(self.table_celsius)


def allowed_celsius(nearest: FloatArray, plan_deviation: float | None) -> FloatArray:
    """Return how far from its target a plan takes states, by how far off the nearest one is.

    `plan_deviation` is what the plan states (its key `deviation_celsius`), None for nothing.
    """
    return np.maximum(nearest + NEAR_TIE_CELSIUS, plan_deviation or 0.0)


def demand_of(
    name: str,
    ohms_at: Callable[[float], float],
    scale: Callable[[FloatArray], FloatArray],
    low_celsius: float,
    high_celsius: float,
) -> Demand:
    """Return the demand of a sensor; `scale` is ohm -> degC, defined from 0 ohm to infinity."""
    ends = sorted((ohms_at(low_celsius), ohms_at(high_celsius)))
    table = np.geomspace(ends[0] / 30.0, ends[1] * 30.0, _TABLE)
    celsius = scale(table)
    # Strictly monotone: far outside, scales are held at their bounds.
    inside = (celsius > low_celsius - _ROOM_CELSIUS) & (celsius < high_celsius + _ROOM_CELSIUS)
    return Demand(
        name=name,
        low_celsius=low_celsius,
        high_celsius=high_celsius,
        least_ohms=ends[0],
        most_ohms=ends[1],
        table_ohms=tuple(table[inside].tolist()),
        table_celsius=tuple(celsius[inside].tolist()),
    )


def drops_celsius(demand: Demand, rungs: FloatArray, base_ohms: float) -> FloatArray:
    """Return how far the temperature moves with each rung of the stack, inside the span.

    `rungs` rise; `base_ohms` is what is left with all of them out of circuit.
    """
    stack = base_ohms + np.concatenate([[0.0], np.cumsum(rungs)])
    passed = demand.celsius(np.clip(stack, demand.least_ohms, demand.most_ohms))
    return np.asarray(np.abs(np.diff(passed)))


def lower_bound_celsius(
    demand: Demand, rungs: FloatArray, base_ohms: float, step_celsius: float, deviation: float
) -> float:
    """Return an excursion that no order and no detour can keep below; math.inf out of reach.

    For a sweep through the whole span in steps, each made to within `deviation` degC. Which rungs
    are on at the end of low resistance is not known: they count there, and again as still to come.
    For curves whose slope only falls or only rises with resistance.
    """
    inward = deviation if demand.rising else -deviation
    low_end, high_end = demand.low_celsius, demand.high_celsius
    if not demand.rising:
        low_end, high_end = high_end, low_end
    start = max(base_ohms, demand.ohms(low_end + inward))
    goal = demand.ohms(high_end - inward)
    value, bound = start, 0.0
    for ohms in np.sort(rungs):
        if value >= goal:
            break
        ends = np.array([start, start + ohms, value, value + ohms])
        passed = demand.celsius(ends)
        drop = min(abs(passed[1] - passed[0]), abs(passed[3] - passed[2]))
        bound = max(bound, (float(drop) - step_celsius - 2.0 * deviation) / 2.0)
        value += float(ohms)
    return bound if value >= goal else math.inf


def least_rungs(demand: Demand, base_ohms: float, deviation: float) -> int:
    """Return how many rungs it takes at least, of whatever values; more are not counted than 64.

    Above all that the smaller rungs make together the next state is the next rung alone. So that
    rung reaches no further than two deviations beyond, and the stack is highest when each does.
    For curves whose slope only falls or only rises with resistance.
    """
    inward = deviation if demand.rising else -deviation
    low_end, high_end = demand.low_celsius, demand.high_celsius
    if not demand.rising:
        low_end, high_end = high_end, low_end
    goal = demand.ohms(high_end - inward)
    value, count = base_ohms, 0
    while value < goal and count < _MOST_RUNGS:
        here = float(demand.celsius(np.array([value]))[0])
        reached = low_end + inward if value < demand.least_ohms else here + 2.0 * inward
        value += demand.ohms(reached) - base_ohms
        count += 1
    return count


def nearest_deviations_celsius(
    demand: Demand, rungs: FloatArray, base_ohms: float, targets_ohms: FloatArray
) -> FloatArray:
    """Return how far the nearest state is from each target; 0 above what the sums list."""
    listed = _LISTED_RISING if demand.rising else _LISTED
    sums = _listed_sums(rungs, base_ohms, listed)
    top = math.inf
    if rungs.size > listed:
        top = base_ohms + float(rungs[listed])
        sums = np.sort(np.append(sums, top))
    after = np.clip(np.searchsorted(sums, targets_ohms), 1, sums.size - 1)
    around = demand.celsius(np.stack([sums[after - 1], sums[after]]))
    off = np.abs(around - demand.celsius(targets_ohms)).min(axis=0)
    return np.asarray(np.where(targets_ohms < top, off, 0.0))


def _listed_sums(rungs: FloatArray, base_ohms: float, listed: int = _LISTED) -> FloatArray:
    sums = np.array([base_ohms])
    for ohms in rungs[:listed]:
        sums = np.concatenate([sums, sums + ohms])
    return np.sort(sums)


def worst_deviation_celsius(demand: Demand, rungs: FloatArray, base_ohms: float) -> float:
    """Return how far, at worst, a target of the span is from the nearest state, about.

    Exact up to the first rung that is not listed; above, an upper limit from the gaps that rungs
    larger than all smaller ones together leave.
    """
    sums = _listed_sums(rungs, base_ohms)
    whole = base_ohms + float(rungs.sum())
    top = base_ohms + float(rungs[_LISTED]) if rungs.size > _LISTED else whole
    low, top = demand.least_ohms, min(top, demand.most_ohms)
    first, last = np.searchsorted(sums, [low, top]) + np.array([0, 1])
    states = sums[max(int(first) - 1, 0) : int(last)]
    if rungs.size > _LISTED:
        states = np.append(states[states < base_ohms + rungs[_LISTED]], base_ohms + rungs[_LISTED])
    made, ends = demand.celsius(states), demand.celsius(np.array([low, top]))
    # The worst target between two states is half-way, or where the span ends before that.
    target = np.clip((made[1:] + made[:-1]) / 2.0, ends.min(), ends.max())
    apart = np.minimum(np.abs(target - made[1:]), np.abs(target - made[:-1]))
    worst = max(float(apart.max(initial=0.0)), float(np.abs(made[:2] - ends[0]).min()))
    smaller = base_ohms + np.concatenate([[0.0], np.cumsum(rungs)[:-1]])
    holes = np.clip(np.stack([smaller, base_ohms + rungs]), low, demand.most_ohms)
    open_above = np.flatnonzero(base_ohms + rungs > smaller)
    holes = holes[:, open_above[open_above >= _LISTED]]
    if holes.size:
        around = demand.celsius(holes)
        worst = max(worst, float(np.abs(around[1] - around[0]).max()) / 2.0)
    if whole < demand.most_ohms:
        short = demand.celsius(np.array([whole, demand.most_ohms]))
        worst = max(worst, abs(float(short[1] - short[0])))
    return worst
