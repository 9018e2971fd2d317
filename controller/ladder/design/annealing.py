"""Exchanges over a catalogue, many chains of them side by side, judged in closed form.

By threshold accepting (Dueck and Scheuer, Journal of Computational Physics 90(1), 1990) a little
worse is let pass at first, and less and less; now and then the worst chains go on from the best
sets. What a set's excursions alone rule out is not asked for its deviation, and what a change
leaves as it was is not asked again. Nothing here takes a logarithm or a power, whose last digits
differ from processor to processor, and costs are compared to a millionth of a degree.
"""

from __future__ import annotations

import random
from collections.abc import Callable

import numpy as np

from controller.arrays import FloatArray
from controller.ladder.design.closed_form import ClosedForm, Places
from controller.ladder.design.demand import LISTED

__all__ = ["annealed", "fits", "moved"]

_CHAINS = 64
_HOTTEST_CELSIUS, _COLDEST_CELSIUS = 2.0, 0.02  # how much worse is let pass
_PENALTY_CELSIUS = 10.0  # for as much deviation too many as is allowed
_LEAST_PENALTY_CELSIUS = 0.5  # and for any
_RENEWED = 200  # rounds after which the worst chains go on from the best sets
_LONGEST_RUN = 5


def annealed(
    form: ClosedForm,
    cost: Callable[[FloatArray, Places], FloatArray],
    start: Places,
    counts: FloatArray,
    source: random.Random,
    rounds: int,
) -> tuple[Places, FloatArray]:
    """Return the best set of each chain, each once, and their costs, the least first.

    `cost` makes one number of the excursions of sets (`ClosedForm.of_each`), in degC; deviation
    too many is added to it. `start` is one set, `counts` says how many there are of each part.
    """
    places = np.tile(start, (_CHAINS, 1))
    below = form.below(places)
    now = _rounded(cost(form.of_each(places), places) + _penalty(below, form.above(places)))
    best, least = places.copy(), now.copy()
    for number in range(rounds):
        left = (1.0 - number / rounds) ** 2
        heat = _HOTTEST_CELSIUS * left + _COLDEST_CELSIUS
        other = moved(places, counts.size, source)
        limit = now + heat * _drawn(source, _CHAINS)[0]
        others = _rounded(cost(form.of_each(other), other))
        rows = np.flatnonzero((others <= limit) & fits(other, counts))
        others_below = below.copy()
        again = rows[(other[rows, : LISTED + 1] != places[rows, : LISTED + 1]).any(axis=1)]
        if again.size:
            others_below[again] = form.below(other[again])
        if rows.size:
            others[rows] += _penalty(others_below[rows], form.above(other[rows]))
            others = _rounded(others)
        rows = rows[others[rows] <= limit[rows]]
        places[rows], now[rows], below[rows] = other[rows], others[rows], others_below[rows]
        better = rows[now[rows] < least[rows]]
        best[better], least[better] = places[better], now[better]
        if number % _RENEWED == _RENEWED - 1:
            order = np.argsort(least, kind="stable")
            good, bad = order[: _CHAINS // 4], order[-(_CHAINS // 4) :]
            places[bad], now[bad] = best[good], least[good]
            below[bad] = form.below(places[bad])
    order = np.argsort(least, kind="stable")
    _, first = np.unique(best[order], axis=0, return_index=True)
    kept = order[np.sort(first)]
    return best[kept], least[kept]


def moved(places: Places, parts: int, source: random.Random) -> Places:
    """Return each set with a rung or a run of neighbours moved up or down among the parts."""
    sets, count = places.shape
    reach = max(3, parts // 36)  # of series: about an eighth of the way to ten times as much
    where, far, way, alone, length = _drawn(source, sets, 5)
    first = (where * count).astype(np.intp)
    # One rung as often as not, else a run of neighbours: they often have to move together.
    run = np.where(alone < 0.5, 1, 2 + (length * (_LONGEST_RUN - 1)).astype(np.intp))
    step = (1 + (far * far * reach).astype(np.intp)) * np.where(way < 0.5, 1, -1)
    column = np.arange(count)
    within = (column >= first[:, None]) & (column < (first + run)[:, None])
    changed = np.clip(places + np.where(within, step[:, None], 0), 0, parts - 1)
    return np.sort(changed, axis=1)


def fits(places: Places, counts: FloatArray) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """Return of each set whether there are as many parts as it takes."""
    enough = np.full(len(places), True)
    for count in np.unique(counts[counts < places.shape[1]]).astype(int).tolist():
        same = places[:, count:] == places[:, : places.shape[1] - count]
        enough &= ~(same & (counts[places[:, count:]] == count)).any(axis=1)
    return enough


def _penalty(below: FloatArray, above: FloatArray) -> FloatArray:
    many = np.maximum(below, above) - 1.0
    penalty = _LEAST_PENALTY_CELSIUS + _PENALTY_CELSIUS * many
    return np.asarray(np.where(many > 0.0, penalty, 0.0))


def _rounded(celsius: FloatArray) -> FloatArray:
    return np.round(celsius, 6)


def _drawn(source: random.Random, columns: int, rows: int = 1) -> FloatArray:
    """Return numbers from 0 to 1 that are the same wherever the seed is."""
    numbers = np.frombuffer(source.randbytes(4 * rows * columns), dtype="<u4")
    return np.asarray(numbers.reshape(rows, columns) / 2.0**32)
