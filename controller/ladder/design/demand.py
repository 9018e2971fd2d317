"""What a ladder has to serve, and what one set of rungs does for it.

Rungs stand in series on top of a fixed resistor, in rising order. What many sets do, in closed form
and less exactly, is worked out in `closed_form`.
"""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from controller.arrays import FloatArray

__all__ = [
    "LISTED",
    "NEAR_TIE_CELSIUS",
    "Demand",
    "allowed_celsius",
    "demand_of",
    "least_rungs",
    "nearest_states_ohms",
    "worst_deviation_celsius",
]

NEAR_TIE_CELSIUS = 0.055
"""How much further off than the nearest state another may be.

Plans allow a tenth of their uncertainty, which where whole degC are reported is 0.577 at least:
the width of a report over the square root of 12 (JCGM 100:2008, 4.3.7), doubled.
"""

LISTED = 10
"""Smallest rungs whose sums are all listed for a deviation: 1024."""

_LISTED_NEAR = 12  # smallest rungs whose sums are all listed to look for the nearest state
_TOPPED = 48  # sums of the others that these are put on top of, at each target
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


def nearest_states_ohms(
    demand: Demand, rungs: FloatArray, base_ohms: float, targets_ohms: FloatArray
) -> FloatArray:
    """Return what the nearest state in degC to each target makes.

    Where more than 17 rungs leave many ways to make about the same, another may be a little nearer:
    only those sums of the larger rungs are tried that leave the smaller ones most choice.
    """
    small = _sums(rungs[:_LISTED_NEAR], 0.0)
    large = _sums(rungs[_LISTED_NEAR:], base_ohms)
    if large.size > _TOPPED:
        middle = np.searchsorted(large, targets_ohms - small[-1] / 2.0)
        first = np.clip(middle - _TOPPED // 2, 0, large.size - _TOPPED)
        topped = large[first[:, None] + np.arange(_TOPPED)]
    else:
        topped = np.broadcast_to(large, (targets_ohms.size, large.size))
    left = targets_ohms[:, None] - topped
    after = np.clip(np.searchsorted(small, left), 1, small.size - 1)
    around = np.concatenate([topped + small[after - 1], topped + small[after]], axis=1)
    off = np.abs(around - targets_ohms[:, None])
    # Nearest in ohm from below and from above: one of them is nearest in degC.
    under = np.where(around <= targets_ohms[:, None], off, np.inf).min(axis=1)
    over = np.where(around >= targets_ohms[:, None], off, np.inf).min(axis=1)
    made = np.stack([np.maximum(targets_ohms - under, 0.0), targets_ohms + over])
    apart = np.abs(demand.celsius(made) - demand.celsius(targets_ohms))
    return np.asarray(np.where(apart[0] <= apart[1], made[0], made[1]))


def _sums(rungs: FloatArray, base_ohms: float) -> FloatArray:
    sums = np.array([base_ohms])
    for ohms in rungs:
        sums = np.concatenate([sums, sums + ohms])
    return np.sort(sums)


def worst_deviation_celsius(demand: Demand, rungs: FloatArray, base_ohms: float) -> float:
    """Return how far, at worst, a target of the span is from the nearest state, about.

    Of the smallest rungs all sums are listed. A gap between neighbours below the next rung is real;
    above it, further rungs only fill in: exact up to the first rung that is not listed, above it an
    upper limit from the gaps that rungs larger than all smaller ones together leave.
    """
    sums = _sums(rungs[:LISTED], base_ohms)
    whole = base_ohms + float(rungs.sum())
    top = base_ohms + float(rungs[LISTED]) if rungs.size > LISTED else whole
    low, top = demand.least_ohms, min(top, demand.most_ohms)
    worst = 0.0
    if low < top:  # else the first rung not listed lies below the span, and what it leaves with it
        first, last = np.searchsorted(sums, [low, top]) + np.array([0, 1])
        states = sums[max(int(first) - 1, 0) : int(last)]
        if rungs.size > LISTED:
            unlisted = base_ohms + float(rungs[LISTED])
            states = np.append(states[states < unlisted], unlisted)
        made, ends = demand.celsius(states), demand.celsius(np.array([low, top]))
        # The worst target between two states is half-way, or where the span ends before that.
        target = np.clip((made[1:] + made[:-1]) / 2.0, ends.min(), ends.max())
        apart = np.minimum(np.abs(target - made[1:]), np.abs(target - made[:-1]))
        worst = max(float(apart.max(initial=0.0)), float(np.abs(made[:2] - ends[0]).min()))
    smaller = base_ohms + np.concatenate([[0.0], np.cumsum(rungs)[:-1]])
    holes = np.clip(np.stack([smaller, base_ohms + rungs]), low, demand.most_ohms)
    open_above = np.flatnonzero(base_ohms + rungs > smaller)
    holes = holes[:, open_above[open_above >= LISTED]]
    if holes.size:
        around = demand.celsius(holes)
        worst = max(worst, float(np.abs(around[1] - around[0]).max()) / 2.0)
    if whole < demand.most_ohms:
        short = demand.celsius(np.array([whole, demand.most_ohms]))
        worst = max(worst, abs(float(short[1] - short[0])))
    return worst
