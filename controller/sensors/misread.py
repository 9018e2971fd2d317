"""Which chart point does not belong to the others, and when that cannot be told."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from controller.arrays import FloatArray
from controller.sensors.chart_solution import Points, powers, solve_points
from controller.sensors.error_parts import PUBLISHED_CELSIUS

__all__ = ["Misread", "Scatter", "find_misread", "scatter_of"]

_FALSE_ALARM = 0.03
"""Chance that a chart without a bad point has one named (Bonferroni over the points)."""
_CLEARLY = 4.0
"""A point is named when the others without it fit so much better, in chi-square, than those
without any other one: odds of e^2 to 1. Else the choice stays open."""
_CANDIDATES = 4
_LEAST_FREEDOM = 0.5


@dataclass(frozen=True, kw_only=True)
class Misread:
    """The points that may be the bad one, worst first: one, or several that cannot be told apart.

    `deviation_celsius` is how far the first lies from the curve through the others.
    """

    indices: tuple[int, ...]
    deviation_celsius: float


@dataclass(frozen=True, kw_only=True)
class Scatter:
    """The standard deviation of points in degC, told by so many degrees of freedom.

    `misfit` is minus twice the logarithm of the likelihood, up to a constant: a chi-square where
    the scatter itself is not known.
    """

    celsius: float
    degrees_of_freedom: float
    misfit: float


def scatter_of(points: Points, free_degree: int, *, with_bends: bool = True) -> Scatter:
    """Return how far the points scatter about the fit, or, `with_bends` off, its free terms alone.

    Restricted maximum likelihood (Patterson & Thompson, Biometrika 58, 1971, 545-554): what a bend
    may account for as well says as much less of the scatter, in its value and in its degrees of
    freedom. It is no less than what published numbers hold.
    """
    from scipy.optimize import brentq

    free = free_degree + 1
    bends = np.array(points.bends[free_degree - 1 :] if with_bends else ())
    basis = powers(points.z, free + len(bends)) / points.per_kelvin[:, np.newaxis]
    # What the free terms cannot follow, and in it the directions that the bends can.
    beside = np.linalg.qr(basis[:, :free], mode="complete")[0][:, free:].T
    directions, sizes, _ = np.linalg.svd(beside @ (basis[:, free:] * bends))
    by_bends = np.zeros(len(points.u) - free)
    by_bends[: len(sizes)] = sizes**2
    squares = (directions.T @ (beside @ (points.u / points.per_kelvin))) ** 2

    def beyond(celsius: float) -> float:
        variances = by_bends + celsius**2
        return float(np.sum((squares / variances - 1.0) * celsius**2 / variances))

    least, most = PUBLISHED_CELSIUS, 2.0 * max(float(np.sum(squares)) ** 0.5, PUBLISHED_CELSIUS)
    # Beyond `most` no square is more than a quarter of its variance: the sign there is certain.
    found = least if beyond(least) <= 0.0 else float(brentq(beyond, least, most))
    variances = by_bends + found**2
    return Scatter(
        celsius=found,
        degrees_of_freedom=float(np.sum(found**2 / variances)),
        misfit=float(np.sum(np.log(variances) + squares / variances)),
    )


def find_misread(
    points: Points, *, free_degree: int, reading_percent: float, reading_celsius: float
) -> Misread | None:
    """Return the point that does not belong, None when all do or too few are left to say.

    The deviation of each point from the curve through the others is compared with what both may
    be wrong by, the bend of the curve included; two-sided, the chance of a false alarm shared over
    the points: normal where uncertainties are stated, Student's t where, with both zero, the
    scatter of the other points has to do. Of the points beyond that the one counts whose absence
    lets the others fit best.
    """
    from scipy.special import ndtri, stdtrit

    count = len(points.u)
    tail = 1.0 - _FALSE_ALARM / (2.0 * count)
    stated = reading_percent > 0.0 or reading_celsius > 0.0
    freedom = count - free_degree - (1 if stated else 2)
    if freedom < 1:
        return None
    if stated:
        whole = solve_points(
            points,
            reading_percent=reading_percent,
            reading_celsius=reading_celsius,
            free_degree=free_degree,
        )
        limits = [float(ndtri(tail))] * count
        own, deviation = whole.deviation_standardised, whole.deviation_celsius
    else:
        scatters = [scatter_of(points.without(i), free_degree) for i in range(count)]
        limits = [
            float(stdtrit(max(one.degrees_of_freedom, _LEAST_FREEDOM), tail)) for one in scatters
        ]
        own, deviation = _against_scatter_of_others(points, scatters, free_degree)
    excess = np.abs(own) / np.array(limits)
    candidates = [int(i) for i in np.argsort(-excess)[:_CANDIDATES] if excess[i] > 1.0]
    if not candidates:
        return None

    def misfit_without(index: int) -> float:
        if not stated:
            return scatters[index].misfit
        rest = solve_points(
            points.without(index),
            reading_percent=reading_percent,
            reading_celsius=reading_celsius,
            free_degree=free_degree,
        )
        return rest.chi_square

    misfits = {i: misfit_without(i) for i in candidates}
    ordered = sorted(candidates, key=misfits.__getitem__)
    alike = [i for i in ordered if misfits[i] < misfits[ordered[0]] + _CLEARLY]
    return Misread(indices=tuple(alike), deviation_celsius=float(deviation[alike[0]]))


def _against_scatter_of_others(
    points: Points, scatters: Sequence[Scatter], free_degree: int
) -> tuple[FloatArray, FloatArray]:
    """Return each point's deviation, over its uncertainty and in degC."""
    found = []
    for index, scatter in enumerate(scatters):
        one = solve_points(
            points, reading_percent=0.0, reading_celsius=scatter.celsius, free_degree=free_degree
        )
        found.append((one.deviation_standardised[index], one.deviation_celsius[index]))
    own, deviation = np.array(found).T
    return own, deviation
