"""Which chart point does not belong to the others, and when that cannot be told.

Here the chart is read the other way round than it is fitted: v, the resistance side, as a
polynomial of u, the temperature side (see `Coordinates`). The temperatures of a chart are its grid
and stand; what is misread is a resistance, and a wrong one must not move the place it is judged at.

For each point the evidence is weighed that it is a slip: how likely it lies where it does, if it is
off by a slip, over how likely that is if it belongs (Bayes factor; Kass & Raftery 1995, JASA 90,
773). Against a limit on each deviation alone, this knows that slips are large: a point that its
neighbours hold to a percent must be off by more of its uncertainties than one at the end of the
chart, and the few that ends can have are enough there.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from controller.arrays import FloatArray
from controller.sensors.chart_solution import Points, powers, solve_points
from controller.sensors.error_parts import PUBLISHED_CELSIUS

__all__ = ["Misread", "find_misread", "percent_per_kelvin"]

_SLIP = 0.2
_SLIP_SD = 0.1
"""A wrong line of the grid or a wrong digit is mostly off by 10 to 30 % (common practice, no
source); evidence for a larger one grows all the same."""
_LEAST_ODDS = 0.55
"""Of the evidence for a slip of one point to the number of points, any of which it could have been:
of charts without a slip, one in twenty to thirty has that much."""
_ODDS_OF_ANOTHER = 7.0
"""The evidence for each further slip of one chart must be so many times larger."""
_CLEARLY = 0.5
"""A point is named when it is ahead of all others by so much: the logarithm of the evidence, and
that of how well the others fit without it. Else the choice stays open."""
_USUAL_SCATTER = 0.004
_SCATTER_LOG_SD = 1.0
_MOST_SCATTER = 0.05
_SCATTERS = 16
"""Shares of the chart's span: how well a chart is read where nothing is said (common practice, no
source), and what is tried."""
_SLOPES_WITHIN = 2.0
_REWEIGHTINGS = 2


@dataclass(frozen=True, kw_only=True)
class Misread:
    """The points that may be the bad one, worst first: one, or several that cannot be told apart.

    `deviation_celsius` is how far the first lies from the curve through the others.
    """

    indices: tuple[int, ...]
    deviation_celsius: float


def find_misread(
    points: Points,
    *,
    free_degree: int,
    reading_percent: float,
    reading_celsius: float,
    found_before: int = 0,
) -> Misread | None:
    """Return the point that does not belong, None when all do or too few are left to say.

    `found_before` are so many that were found and taken out of these points. Reading uncertainties
    are standard. With both zero they are not known: what the points scatter by, along either axis,
    is integrated out.
    """
    stated = reading_percent > 0.0 or reading_celsius > 0.0
    if len(points.u) - free_degree - (1 if stated else 2) < 1:
        return None
    readings = [(reading_percent, reading_celsius)] if stated else _thinkable_readings(points)
    weighed = [_weighed(points, free_degree, *reading) for reading in readings]
    likelihood = np.array([one.log_likelihood for one in weighed])
    likelihood += [0.0 if stated else _log_prior(points, *reading) for reading in readings]
    share = likelihood - np.logaddexp.reduce(likelihood)
    evidence, gain = (
        np.logaddexp.reduce(np.array(one) + share[:, np.newaxis], axis=0)
        for one in ([w.log_evidence for w in weighed], [w.log_gain for w in weighed])
    )
    worst = int(np.argmax(evidence))
    least = math.log(_LEAST_ODDS * len(points.u)) + found_before * math.log(_ODDS_OF_ANOTHER)
    if evidence[worst] <= least:
        return None
    near = (evidence > evidence[worst] - _CLEARLY) | (gain > gain[worst] - _CLEARLY)
    alike = [int(i) for i in np.argsort(-evidence) if near[i]]
    percent, celsius = readings[int(np.argmax(share))]
    whole = solve_points(
        points, reading_percent=percent, reading_celsius=celsius, free_degree=free_degree
    )
    return Misread(indices=tuple(alike), deviation_celsius=float(whole.deviation_celsius[alike[0]]))


@dataclass(frozen=True, kw_only=True)
class _Weighed:
    """For one way of reading: what speaks against each point (n,), and likelihood without a slip.

    `log_gain` is how much better the others fit without a point, whatever it is off by.
    """

    log_evidence: FloatArray
    log_gain: FloatArray
    log_likelihood: float


def _weighed(points: Points, free_degree: int, percent: float, celsius: float) -> _Weighed:
    v = points.coordinates.v(points.ohms)
    half = float(np.ptp(points.u)) / 2.0
    at = (points.u - (points.u.max() + points.u.min()) / 2.0) / half
    straight = float(np.ptp(v)) / 2.0
    bends = straight * np.array(points.coordinates.bends_over(v))
    # A curve that changes its equation on the way takes a power more when it is read this way:
    # the silicon one of tests/reference is then met to 0.14 instead of 0.35 degC.
    bends = np.append(bends, bends[-1])
    basis = powers(at, 2 + len(bends))
    prior = np.diag([*np.zeros(free_degree + 1), *(1.0 / bends[free_degree - 1 :])])
    slope = np.full(v.shape, straight)
    for _ in range(1 + _REWEIGHTINGS):
        along = celsius * points.per_kelvin / half * slope
        sigma = np.hypot(percent / 100.0 * _per_relative(points), along)
        q, r = np.linalg.qr(np.concatenate([basis / sigma[:, np.newaxis], prior]))
        found = np.linalg.solve(r, q[: len(v)].T @ (v / sigma))
        tilt = np.abs(found[1] + 2.0 * found[2] * at)
        slope = np.clip(tilt, straight / _SLOPES_WITHIN, straight * _SLOPES_WITHIN)
    residual = v - basis @ found
    rest = np.maximum(1.0 - np.sum(q[: len(v)] ** 2, axis=1), 1e-12)
    chi_square = float(np.sum((residual / sigma) ** 2) + np.sum((prior @ found) ** 2))
    deviation, uncertainty = residual / rest, sigma / np.sqrt(rest)
    return _Weighed(
        log_evidence=_log_evidence(deviation, uncertainty, _SLIP * _per_relative(points)),
        log_gain=0.5 * (deviation / uncertainty) ** 2,
        log_likelihood=-0.5 * chi_square
        - float(np.sum(np.log(sigma)) + np.sum(np.log(np.abs(np.diag(r))))),
    )


def _log_evidence(deviation: FloatArray, uncertainty: FloatArray, slip: FloatArray) -> FloatArray:
    """Return ln of how likely deviations are as slips, of either sign, over as none."""
    variance = uncertainty**2 + (slip * _SLIP_SD / _SLIP) ** 2
    either = np.logaddexp(
        -0.5 * (deviation - slip) ** 2 / variance, -0.5 * (deviation + slip) ** 2 / variance
    ) - math.log(2.0)
    none = -0.5 * (deviation / uncertainty) ** 2
    return np.asarray(either - 0.5 * np.log(variance / uncertainty**2) - none)


def _per_relative(points: Points) -> FloatArray:
    """Return how far v moves (n,) when the resistance moves by all of itself."""
    return np.asarray(points.ohms * points.coordinates.dv_dohms(points.ohms))


def _span_celsius(points: Points) -> float:
    return float(np.ptp(points.celsius))


def percent_per_kelvin(points: Points) -> float:
    """Return how many percent of the resistance are one degC, in the middle of the points."""
    slope = np.ptp(points.coordinates.v(points.ohms)) / np.ptp(points.u)
    return 100.0 * float(np.median(points.per_kelvin * slope / _per_relative(points)))


def _thinkable_readings(points: Points) -> list[tuple[float, float]]:
    """Return pairs of percent and degC: one of them zero, the other from fine to coarse."""
    celsius = np.geomspace(
        PUBLISHED_CELSIUS,
        max(_MOST_SCATTER * _span_celsius(points), 2.0 * PUBLISHED_CELSIUS),
        _SCATTERS,
    )
    return [(0.0, one) for one in celsius] + [
        (percent_per_kelvin(points) * one, 0.0) for one in celsius
    ]


def _log_prior(points: Points, percent: float, celsius: float) -> float:
    scatter = (celsius + percent / percent_per_kelvin(points)) / _span_celsius(points)
    return -0.5 * (math.log(scatter / _USUAL_SCATTER) / _SCATTER_LOG_SD) ** 2
