"""Which chart point does not belong to the others, and when that cannot be told."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from controller.arrays import FloatArray
from controller.sensors.chart_solution import Points, Solution, solve_points
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


def scatter_celsius(points: Points, degree: int) -> tuple[float, int]:
    """Return the standard deviation of the points about a fit of a degree, and its freedom."""
    plain = _plain(points, degree)
    freedom = plain.degrees_of_freedom
    scatter = (plain.chi_square / freedom) ** 0.5
    return max(float(scatter), PUBLISHED_CELSIUS), freedom


def find_misread(
    points: Points,
    solution: Solution,
    *,
    free_degree: int,
    scatter_degree: int | None,
    misfit_without: Callable[[int], float],
) -> Misread | None:
    """Return the point that does not belong, None when all do or too few are left to say.

    The deviation of each point from the curve through the others is compared with what both may
    be wrong by, the bend of the curve included; two-sided 5 %, shared over the points: normal
    where uncertainties are stated, Student's t where the scatter of the other points about a fit
    of `scatter_degree` has to do. Of the points beyond that, `misfit_without` tells how badly the
    rest fits without each, as a chi-square.
    """
    from scipy.special import ndtri, stdtrit

    count = len(points.u)
    tail = 1.0 - _FALSE_ALARM / (2.0 * count)
    if scatter_degree is None:
        if solution.degrees_of_freedom < 1:
            return None
        limit = float(ndtri(tail))
        own, deviation = solution.deviation_standardised, solution.deviation_celsius
    else:
        plain = _plain(points, scatter_degree)
        if plain.degrees_of_freedom < 2:
            return None
        limit = float(stdtrit(plain.degrees_of_freedom - 1, tail))
        own, deviation = _against_scatter_of_others(points, plain, free_degree)
    size = np.abs(own)
    candidates = [int(i) for i in np.argsort(-size)[:_CANDIDATES] if size[i] > limit]
    if not candidates:
        return None
    misfits = {i: misfit_without(i) for i in candidates}
    ordered = sorted(candidates, key=misfits.__getitem__)
    alike = [i for i in ordered if misfits[i] < misfits[ordered[0]] + _CLEARLY]
    return Misread(indices=tuple(alike), deviation_celsius=float(deviation[alike[0]]))


def _plain(points: Points, degree: int) -> Solution:
    return solve_points(
        points, reading_percent=0.0, reading_celsius=1.0, free_degree=degree, bending=0.0
    )


def _against_scatter_of_others(
    points: Points, plain: Solution, free_degree: int
) -> tuple[FloatArray, FloatArray]:
    """Return each point's deviation, over its uncertainty and in degC."""
    others = plain.chi_square - plain.deviation_standardised**2
    scatters = np.sqrt(np.maximum(others, 0.0) / (plain.degrees_of_freedom - 1))
    found = []
    for index, scatter in enumerate(scatters):
        one = solve_points(
            points,
            reading_percent=0.0,
            reading_celsius=max(float(scatter), PUBLISHED_CELSIUS),
            free_degree=free_degree,
        )
        found.append((one.deviation_standardised[index], one.deviation_celsius[index]))
    own, deviation = np.array(found).T
    return own, deviation
