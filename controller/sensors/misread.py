"""Which chart point does not belong to the others, and when that cannot be told."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from controller.arrays import FloatArray
from controller.sensors.chart_solution import Points, powers, solve_points
from controller.sensors.error_parts import PUBLISHED_CELSIUS

__all__ = ["Misread", "find_misread", "scatter_celsius"]

_FALSE_ALARM = 0.03
"""Chance that a chart without a bad point has one named (Bonferroni over the points)."""
_CLEARLY = 4.0
"""A point is named when the others without it fit so much better, in chi-square, than those
without any other one: odds of e^2 to 1. Else the choice stays open."""
_CANDIDATES = 4


@dataclass(frozen=True, kw_only=True)
class Misread:
    """The points that may be the bad one, worst first: one, or several that cannot be told apart.

    `deviation_celsius` is how far the first lies from the curve through the others.
    """

    indices: tuple[int, ...]
    deviation_celsius: float


def scatter_celsius(
    points: Points, free_degree: int, *, with_bends: bool = True
) -> tuple[float, int]:
    """Return the standard deviation of the points in degC, and its degrees of freedom.

    It is what makes chi-square equal to the degrees of freedom, with the bends beyond the free
    terms or, more cautiously, about the free terms alone; no less than what published numbers hold.
    """
    from scipy.optimize import brentq

    free = free_degree + 1
    bends = np.array(points.bends[free_degree - 1 :] if with_bends else ())
    basis = powers(points.z, free + len(bends)) / points.per_kelvin[:, np.newaxis]
    # What the free terms cannot follow, and in it the directions that the bends can.
    beside = np.linalg.qr(basis[:, :free], mode="complete")[0][:, free:].T
    directions, sizes, _ = np.linalg.svd(beside @ (basis[:, free:] * bends))
    freedom = len(points.u) - free
    variances = np.zeros(freedom)
    variances[: len(sizes)] = sizes**2
    squares = (directions.T @ (beside @ (points.u / points.per_kelvin))) ** 2

    def beyond(celsius: float) -> float:
        return float(np.sum(squares / (variances + celsius**2))) - freedom

    if freedom < 1 or beyond(PUBLISHED_CELSIUS) <= 0.0:
        return PUBLISHED_CELSIUS, freedom
    most = max(float(np.sum(squares)) ** 0.5, PUBLISHED_CELSIUS)
    return float(brentq(beyond, PUBLISHED_CELSIUS, most)), freedom


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
        limit = float(ndtri(tail))
        own, deviation = whole.deviation_standardised, whole.deviation_celsius
    else:
        scatters = [scatter_celsius(points.without(i), free_degree)[0] for i in range(count)]
        limit = float(stdtrit(freedom, tail))
        own, deviation = _against_scatter_of_others(points, scatters, free_degree)
    size = np.abs(own)
    candidates = [int(i) for i in np.argsort(-size)[:_CANDIDATES] if size[i] > limit]
    if not candidates:
        return None

    def misfit_without(index: int) -> float:
        if not stated:
            return 2.0 * freedom * math.log(scatters[index])
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
    points: Points, scatters: Sequence[float], free_degree: int
) -> tuple[FloatArray, FloatArray]:
    """Return each point's deviation, over its uncertainty and in degC."""
    found = []
    for index, scatter in enumerate(scatters):
        one = solve_points(
            points, reading_percent=0.0, reading_celsius=scatter, free_degree=free_degree
        )
        found.append((one.deviation_standardised[index], one.deviation_celsius[index]))
    own, deviation = np.array(found).T
    return own, deviation
