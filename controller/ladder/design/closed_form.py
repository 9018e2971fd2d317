"""What many sets of rungs do for a demand, in closed form and all at once.

Rungs in series on top of a fixed resistor, in rising order: what the value does when a rung goes is
read off that stack. A set is a row of rising places in a list of resistances. `height` is the
temperature turned so that it rises with resistance.

*Excursion.* Look at each rung's last switch-off on the way to the end of low resistance. From then
on only rungs whose last switch-off comes later are left, with those still on at the end: together
`v` at most, which is best when they are all the smaller ones. The next stop is made of them, so it
lies no higher than `v`. The value before the switch-off is that after it and the rung; both are
within the step that ends at that stop, its deviations, and an excursion at either side. So the rung
is no larger than that window, and the quietest of the steps that end at or below `v` says what
excursion it takes at least. It holds for every order and every detour; what plans really come to is
little more.

*Deviation.* Of the smallest rungs all sums are listed. A gap between neighbours below the next rung
is real; above it, further rungs only fill in.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from controller.arrays import FloatArray
from controller.ladder.design.demand import LISTED, Demand

__all__ = ["ClosedForm", "Coverage", "LeastExcursions", "Places"]

Places = npt.NDArray[np.intp]
"""Sets of rungs, one a row: rising places in a list of resistances."""

_EXCURSIONS = np.arange(0.0, 60.0, 0.05)
_NO_WAY = 1000.0
_PLACES_OF_GAPS = 1 << 15


class LeastExcursions:
    """Excursions that no order and no detour can keep below, in a sweep through all of a demand.

    `ohms` rises; `base_ohms` is left with all rungs out of circuit. Each stop of the sweep is made
    to within `deviation` degC.
    """

    def __init__(
        self,
        demand: Demand,
        step_celsius: float,
        ohms: FloatArray,
        base_ohms: float,
        deviation: float,
    ) -> None:
        span = demand.high_celsius - demand.low_celsius
        count = max(1, round(span / step_celsius))
        self._step, self._deviation, self._legs = span / count, deviation, count
        self._ohms, self._base_ohms = ohms, base_ohms
        self._table_ohms = np.array(demand.table_ohms)
        sign = 1.0 if demand.rising else -1.0
        self._table_heights = sign * np.array(demand.table_celsius)
        self._bottom = min(sign * demand.low_celsius, sign * demand.high_celsius)
        ends = self._bottom + np.array([deviation, span - deviation])
        end_ohms, self._goal_ohms = demand.many_ohms(sign * ends).tolist()
        self._left_on_ohms = max(end_ohms - base_ohms, 0.0)
        self._least = np.empty((ohms.size, count))
        for leg in range(count):
            under = self._bottom + leg * self._step - deviation
            over = under + self._step + 2.0 * deviation
            windows = demand.many_ohms(sign * (over + _EXCURSIONS))
            windows -= demand.many_ohms(sign * (under - _EXCURSIONS))
            windows = np.maximum.accumulate(windows)
            self._least[:, leg] = np.interp(ohms, windows, _EXCURSIONS, right=_NO_WAY)
        np.minimum.accumulate(self._least, axis=1, out=self._least)

    def of_each(self, places: Places) -> FloatArray:
        """Return what each rung's last switch-off takes at least; 0 where there need be none."""
        rungs = self._ohms[places]
        below = self._base_ohms + np.cumsum(rungs, axis=-1) - rungs
        heights = np.interp(below, self._table_ohms, self._table_heights)
        legs = np.floor((heights - self._bottom + self._deviation) / self._step + 1e-9)
        legs = np.clip(legs, 0, self._legs - 1).astype(np.intp)
        # As small a rung may stay on to the end; what does is among those below any larger one.
        free = (rungs <= self._left_on_ohms) | (below >= self._goal_ohms)
        return np.asarray(np.where(free, 0.0, self._least[places, legs]))


class Coverage:
    """How far a target of a demand may be from the nearest state, as a share of what is allowed."""

    def __init__(
        self, demand: Demand, ohms: FloatArray, base_ohms: float, deviation: float
    ) -> None:
        self._ohms, self._base_ohms = ohms, base_ohms
        self._least_ohms, self._most_ohms = demand.least_ohms, demand.most_ohms
        sign = 1.0 if demand.rising else -1.0

        def raised(values: FloatArray, celsius: float) -> FloatArray:
            return demand.many_ohms(sign * (sign * demand.celsius(values) + celsius))

        ends = np.array([demand.least_ohms, demand.most_ohms])
        self._first_gap = float(raised(ends, deviation)[0]) - demand.least_ohms
        self._last_gap = demand.most_ohms - float(raised(ends, -deviation)[1])
        # Places close together at the end of low resistance, where gaps are small.
        self._from_ohms = min(base_ohms, demand.least_ohms)
        self._width_ohms = demand.most_ohms - self._from_ohms
        values = self._from_ohms + self._width_ohms * np.linspace(0.0, 1.0, _PLACES_OF_GAPS) ** 2
        self._gaps = np.maximum(raised(values, 2.0 * deviation) - values, 1e-9)

    def below(self, places: Places) -> FloatArray:
        """Return the share among sums of the smallest rungs, up to the first not listed."""
        rungs = self._ohms[places]
        listed = min(LISTED, places.shape[1])
        sums = np.full((len(places), 1), self._base_ohms)
        for column in range(listed):
            sums = np.concatenate([sums, sums + rungs[:, column : column + 1]], axis=1)
        sums.sort(axis=1)
        rest = rungs[:, listed] if places.shape[1] > listed else rungs.sum(axis=1)
        sums = np.minimum(sums, np.minimum(self._base_ohms + rest, self._most_ohms)[:, None])
        low, high = sums[:, :-1], sums[:, 1:]
        # The worst target is half-way, or where the span begins after that.
        shares = self._shares(high - low, low)
        shares = np.minimum(shares, (high - self._least_ohms) / self._first_gap)
        return np.asarray(shares.max(axis=1))

    def above(self, places: Places) -> FloatArray:
        """Return the share in the gaps from there on, and at the end of high resistance."""
        rungs = self._ohms[places]
        stack = self._base_ohms + np.cumsum(rungs, axis=1)
        short = (self._most_ohms - stack[:, -1]) / self._last_gap
        if places.shape[1] <= LISTED:
            return np.asarray(short)
        low = np.clip(stack[:, LISTED - 1 : -1], self._least_ohms, self._most_ohms)
        high = self._base_ohms + rungs[:, LISTED:]
        high = np.clip(high, self._least_ohms, self._most_ohms)
        return np.asarray(np.maximum(self._shares(high - low, low).max(axis=1), short))

    def _shares(self, gaps: FloatArray, low: FloatArray) -> FloatArray:
        share = np.clip((low - self._from_ohms) / self._width_ohms, 0.0, 1.0)
        at = np.rint(np.sqrt(share) * (_PLACES_OF_GAPS - 1)).astype(np.intp)
        return np.asarray(gaps / self._gaps[at])


class ClosedForm:
    """The worst over several demands, of sets from one list of resistances.

    `state_celsius` is how far from its target a state may be for the excursions, `deviation` how
    far any target may be from its nearest state.
    """

    def __init__(
        self,
        demands: Sequence[Demand],
        steps_celsius: Sequence[float],
        ohms: FloatArray,
        base_ohms: float,
        *,
        state_celsius: float,
        deviation: float,
    ) -> None:
        self._sweeps = [
            [LeastExcursions(one, step, ohms, base_ohms, state_celsius) for one in demands]
            for step in steps_celsius
        ]
        self._coverages = [Coverage(one, ohms, base_ohms, deviation) for one in demands]

    def of_each(self, places: Places) -> FloatArray:
        """Return excursions by step size, set and rung: the worst of all demands."""
        steps = [[one.of_each(places) for one in sweeps] for sweeps in self._sweeps]
        return np.array([np.max(step, axis=0) for step in steps])

    def below(self, places: Places) -> FloatArray:
        """Return `Coverage.below`, the worst of all demands."""
        return np.asarray(np.max([one.below(places) for one in self._coverages], axis=0))

    def above(self, places: Places) -> FloatArray:
        """Return `Coverage.above`, the worst of all demands."""
        return np.asarray(np.max([one.above(places) for one in self._coverages], axis=0))
