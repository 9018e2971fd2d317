"""Where in a log a run lies: the one time shift at which the log follows what was set, or none.

Knows: stands of steps with what was expected at each, rows of a log, robust fits.
Must not know: files, verdicts, who reads the outcome, clocks.

The two clocks have nothing in common but, nearly, their rate, and a shift of the clocks cannot be
told from the lag of module and tool: what is found is the sum of both. For every shift a low
polynomial of the expected value is laid through what the log shows at the end of each step, by
least absolute deviations. A module at fault is off its curve, but smoothly and in the same
direction, so the polynomial follows it; at a wrong shift up and down, or one random step and the
next, contradict each other. The mean deviation at the best shift is held against that of the next
best which is not the same place: below `LEAST_RATIO` there is no telling, and the log is refused.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

from controller.arrays import FloatArray
from controller.logs.model import LogRow, Stand

BoolArray: TypeAlias = npt.NDArray[np.bool_]

__all__ = ["LEAST_LEVELS", "LEAST_RATIO", "Alignment", "Misfit", "NotAligned", "align"]

LEAST_RATIO = 3.0
"""How many times worse the next best shift has to be."""

LEAST_LEVELS = 4
"""So many temperatures have to be told apart before a place in a log can be."""

_LEVELS_FOR_CUBIC = 8
_LEAST_SLOPE, _MOST_SLOPE = 0.4, 2.7
"""Mean slope of shown against expected: outside, the log does not follow the run at all."""

_GRID_S = 0.25
_LEAST_WINDOW_S, _MOST_WINDOW_S = 1.5, 60.0
_MARGIN_S = 1.0
"""Rows nearer than this to a step's end may already be of the next one."""

_CHANGE_CELSIUS = 1.5
"""A change this large shows in whole degrees too, and dates itself."""

_AGREEING_SHARE = 0.75
"""The share of a window's rows that its scatter is told from: a spike or two do not count."""

_SPIKE_CELSIUS = 4.0
"""A row that is further than this from both its neighbours, which are not, is a slip."""

_LEAST_FREEDOM = 3
"""So many more steps than coefficients, or the polynomial fits anything."""

_LEAST_SHARE = 0.75
"""The share of the steps that a place has to find readings for."""

_RIVAL_SHARE = 0.35
"""A rival may find so much less than the best place, as a share of all steps: the true place may
be the one with the gaps."""

_FLOOR_CELSIUS = 0.3
"""A log in whole degrees deviates by about this much where everything is right."""

_MOST_SHARE_OF_SPAN = 0.05
"""The mean deviation of the best shift, as a share of the span of what was expected."""

_SAME_PLACE = 0.8
"""Shifts that all lie within this share of the shortest step are one place: the rows that are
looked at are the same step's."""

_PASSES = 10
_MOST_RATE = 1e-3
"""The most that the rates of two clocks are taken to differ."""


class Misfit(Enum):
    """Why a log has no place."""

    FEW_LEVELS = "few levels"
    TOO_SHORT = "too short"
    NOWHERE = "nowhere"
    AMBIGUOUS = "ambiguous"


class NotAligned(Exception):  # noqa: N818 - an outcome, put into words elsewhere
    """The log has no place, or more than one. `ratio` is known where two places were compared."""

    def __init__(self, misfit: Misfit, *, ratio: float | None = None) -> None:
        super().__init__(misfit.value)
        self.misfit = misfit
        self.ratio = ratio


@dataclass(frozen=True, kw_only=True)
class Alignment:
    """The place of a run in a log.

    A row at `t` on the log's clock is one of the run at `(t - offset_s) / (1 + rate)`; `offset_s`
    holds the lag of module and tool as well. `deviation_celsius` is the mean deviation from the
    fitted polynomial there, `ratio` how many times worse any other place is; None where no other
    shift is a place at all.
    """

    offset_s: float
    rate: float
    deviation_celsius: float
    ratio: float | None

    def run_s(self, log_s: float) -> float:
        """Return the time on the run's clock of a time on the log's."""
        return (log_s - self.offset_s) / (1.0 + self.rate)


def align(rows: Sequence[LogRow], stands: Sequence[Stand]) -> Alignment:
    """Return the place of a run in a log. Raises NotAligned.

    `stands` and `rows` are in the order of time.
    """
    levels = [stand for stand in stands if stand.expected_celsius is not None]
    expected = np.array([stand.expected_celsius for stand in levels], dtype=float)
    distinct = len(np.unique(np.round(expected, 1)))
    if distinct < LEAST_LEVELS:
        raise NotAligned(Misfit.FEW_LEVELS)
    times = np.array([row.at_s for row in rows])
    values = np.array([row.celsius for row in rows])
    ends = np.array([stand.to_s for stand in levels])
    shortest_s = min(stand.to_s - stand.from_s for stand in levels)
    window_s = min(max(0.6 * shortest_s - _MARGIN_S, _LEAST_WINDOW_S), _MOST_WINDOW_S)
    if len(rows) < 2 or times[-1] - times[0] < _LEAST_SHARE * (ends[-1] - ends[0]):
        raise NotAligned(Misfit.TOO_SHORT)
    sound = ~_spikes(values)
    times, values = times[sound], values[sound]
    steady = _steady(times, values, window_s)
    offsets = np.arange(times[0] - ends[-1], times[-1] - ends[0], _GRID_S)
    wanted = (ends[None, :] - _MARGIN_S + offsets[:, None] - times[0]) / _GRID_S
    shown, scatter = (_at(part, np.rint(wanted).astype(int)) for part in steady)
    cubic = distinct >= _LEVELS_FOR_CUBIC
    deviations, rivals = _deviations(expected, shown, scatter, cubic=cubic)
    least = max(_LEAST_SHARE * len(levels), _least_steps(cubic=cubic))
    found = np.count_nonzero(np.isfinite(shown), axis=1)
    covered = found >= least
    places = np.where(covered, deviations, np.inf)
    best = int(np.argmin(places))
    deviation = float(places[best])
    if not deviation <= _MOST_SHARE_OF_SPAN * float(np.ptp(expected)) + _FLOOR_CELSIUS:
        raise NotAligned(Misfit.NOWHERE)
    base = max(deviation, _FLOOR_CELSIUS)
    rivals[found < found[best] - _RIVAL_SHARE * len(levels)] = np.inf
    alike = np.flatnonzero(rivals <= LEAST_RATIO * base)
    first, last = offsets[alike[0]], offsets[alike[-1]]
    if last - first > _SAME_PLACE * shortest_s:
        elsewhere = np.abs(offsets - offsets[best]) > _SAME_PLACE * shortest_s
        raise NotAligned(Misfit.AMBIGUOUS, ratio=_least(rivals[elsewhere]) / base)
    fit = alike[covered[alike]]
    best = int(fit[np.argmin(np.abs(offsets[fit] - (first + last) / 2))])
    elsewhere = np.abs(offsets - offsets[best]) > _SAME_PLACE * shortest_s
    ratio = _least(rivals[elsewhere]) / base
    offset, rate = _refined(times, values, stands, levels, shown[best], float(offsets[best]))
    # Further digits are those of the machine's linear algebra; they leave no trace in records.
    return Alignment(
        offset_s=round(offset, 6),
        rate=round(rate, 9),
        deviation_celsius=round(deviation, 6),
        ratio=None if np.isinf(ratio) else round(ratio, 6),
    )


def _least(deviations: FloatArray) -> float:
    return float(deviations.min(initial=np.inf))


def _spikes(values: FloatArray) -> BoolArray:
    """Return which rows stand alone between two that agree with each other."""
    spikes = np.zeros(len(values), dtype=bool)
    before, row, after = values[:-2], values[1:-1], values[2:]
    least = np.minimum(np.abs(row - before), np.abs(row - after))
    spikes[1:-1] = (least > _SPIKE_CELSIUS) & (np.abs(after - before) < _SPIKE_CELSIUS)
    return spikes


def _steady(
    times: FloatArray, values: FloatArray, window_s: float
) -> tuple[FloatArray, FloatArray]:
    """Return what the log shows on a grid of times: median and scatter of the window ending there.

    NaN where it has fewer than two rows. The scatter is what three rows of four stay within.
    """
    grid = np.arange(times[0], times[-1] + _GRID_S, _GRID_S)
    first = np.searchsorted(times, grid - window_s, side="left")
    last = np.searchsorted(times, grid + 1e-9, side="right")
    shown, scatter = np.full(len(grid), np.nan), np.full(len(grid), np.nan)
    before, one = (-1, -1), (np.nan, np.nan)
    for index, ends in enumerate(zip(first.tolist(), last.tolist(), strict=True)):
        if ends != before:
            before, one = ends, _median_and_scatter(values[slice(*ends)])
        shown[index], scatter[index] = one
    return shown, scatter


def _median_and_scatter(window: FloatArray) -> tuple[float, float]:
    if len(window) < 2:
        return np.nan, np.nan
    middle = float(np.median(window))
    apart = np.sort(np.abs(window - middle))
    return middle, float(apart[math.ceil(_AGREEING_SHARE * len(apart)) - 1])


def _at(steady: FloatArray, wanted: np.ndarray[tuple[int, ...], np.dtype[np.int_]]) -> FloatArray:
    inside = (wanted >= 0) & (wanted < len(steady))
    return np.where(inside, steady[np.clip(wanted, 0, len(steady) - 1)], np.nan)


def _degree(*, cubic: bool) -> int:
    return 3 if cubic else 1


def _least_steps(*, cubic: bool) -> int:
    """Return how many steps need a value for the polynomial not to fit anything."""
    return _degree(cubic=cubic) + 1 + _LEAST_FREEDOM


def _deviations(
    expected: FloatArray, shown: FloatArray, scatter: FloatArray, *, cubic: bool
) -> tuple[FloatArray, FloatArray]:
    """Return the mean absolute deviation from the best polynomial, for each row of `shown`.

    What a step's own rows scatter counts as well: while it stood, nothing moved. Infinite where
    too few steps have a value, or where the log does not follow the run. Least absolute deviations
    by iteratively reweighted least squares, all shifts at once.

    The second array is without the worst step of each: so little may stand between the true place
    and a good fit, a slip of the line for example.
    """
    degree = _degree(cubic=cubic)
    there = np.isfinite(shown)
    least = max((_LEAST_SHARE - _RIVAL_SHARE) * shown.shape[1], _least_steps(cubic=cubic))
    candidates = np.count_nonzero(there, axis=1) >= least
    found = np.full(len(shown), np.inf)
    if not candidates.any():
        return found, found.copy()
    there, values = there[candidates], np.where(there, shown, 0.0)[candidates]
    middle, half = (expected.max() + expected.min()) / 2, np.ptp(expected) / 2
    powers = ((expected - middle) / half)[:, None] ** np.arange(degree + 1)[None, :]
    products = (powers[:, :, None] * powers[:, None, :]).reshape(len(powers), -1)
    weights = there.astype(float)
    ridge = 1e-9 * np.eye(degree + 1)
    residuals = values
    coefficients = np.zeros((len(values), degree + 1))
    for _ in range(_PASSES):
        normal = (weights @ products).reshape(-1, degree + 1, degree + 1) + ridge
        right = (weights * values) @ powers
        coefficients = np.linalg.solve(normal, right[:, :, None])[:, :, 0]
        residuals = np.abs(values - coefficients @ powers.T)
        weights = np.where(there, 1.0 / np.maximum(residuals, 0.1), 0.0)
    ends = np.array([-1.0, 1.0])[:, None] ** np.arange(degree + 1)[None, :]
    slope = np.ptp(coefficients @ ends.T, axis=1) / (2 * half)
    rising = (coefficients @ (ends[1] - ends[0])) > 0
    follows = rising & (slope >= _LEAST_SLOPE) & (slope <= _MOST_SLOPE)
    whole = np.where(there, residuals + np.where(there, scatter[candidates], 0.0), 0.0)
    whole = np.where(follows[:, None], whole, np.inf)
    count = there.sum(axis=1)
    mean, without_worst = found, found.copy()
    mean[candidates] = whole.sum(axis=1) / count
    rest = np.sort(whole, axis=1)[:, :-1]
    without_worst[candidates] = rest.sum(axis=1) / (count - 1)
    return mean, without_worst


def _refined(
    times: FloatArray,
    values: FloatArray,
    stands: Sequence[Stand],
    levels: Sequence[Stand],
    shown: FloatArray,
    offset_s: float,
) -> tuple[float, float]:
    """Return offset and rate from the moments at which the log is seen to change.

    A change is dated half way between the last row before it and the first one after it. Of the
    changes, the early ones count: where some are seen late, the module or the tool was slow.
    """
    at, delays = [], []
    following = {one.step_index: two for one, two in itertools.pairwise(stands)}
    value_of = {one.step_index: value for one, value in zip(levels, shown, strict=True)}
    for stand in levels:
        after = following.get(stand.step_index)
        one = value_of[stand.step_index]
        two = np.nan if after is None else value_of.get(after.step_index, np.nan)
        if after is None or not abs(one - two) > _CHANGE_CELSIUS:
            continue
        first, last = np.searchsorted(
            times, [(stand.from_s + stand.to_s) / 2 + offset_s, after.to_s + offset_s - _MARGIN_S]
        )
        nearer = np.abs(values[first:last] - two) < np.abs(values[first:last] - one)
        changes = np.flatnonzero(nearer)
        if not len(changes) or changes[0] == 0:
            continue
        index = first + changes[0]
        at.append(stand.to_s)
        delays.append((times[index - 1] + times[index]) / 2 - stand.to_s)
    if len(at) < LEAST_LEVELS:
        return offset_s, 0.0
    moments, late = np.array(at), np.array(delays)
    rate = _rate(moments, late)
    if abs(rate) * np.ptp(moments) < np.median(np.diff(times)) / 2:
        rate = 0.0  # not to be told from the jitter of rows
    return float(np.quantile(late - rate * moments, 0.1)), rate


def _rate(moments: FloatArray, late: FloatArray) -> float:
    """Return the median of the slopes between far-apart changes (Theil 1950, Sen 1968)."""
    apart = moments[None, :] - moments[:, None]
    far = apart > np.ptp(moments) / 3
    if not far.any():
        return 0.0
    rise = late[None, :] - late[:, None]
    return float(np.clip(np.median(rise[far] / apart[far]), -_MOST_RATE, _MOST_RATE))
