"""Which points of a chart count, and how freely they are fitted: the choice behind a chart-fit."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from controller.arrays import FloatArray
from controller.sensors.chart_scatter import scatter_of
from controller.sensors.chart_solution import Points, Solution, solve_points
from controller.sensors.misread import find_misread, percent_per_kelvin

__all__ = ["ChartChoice", "LeftOut", "choose_fit", "default_degree"]

_LARGEST_SHARE_LEFT_OUT = 0.25
_BAD_FIT = 1e-3
"""Chance below which chi-square says that the chart is bent more than other sensors are."""
_MUCH_LESS = 0.5
_LEAST_SPARE = 3
_LEAST_SLIP_PERCENT = 10.0
_CLEARLY_BETTER = 4.0
"""Of chi-square, without one point against without the next: seven to one."""


def default_degree(points: int) -> int:
    """Return the degree that so many points can decide: 1 for three, 2 from four, 3 from eight."""
    return 1 if points < 4 else 2 if points < 8 else 3


@dataclass(frozen=True, kw_only=True)
class LeftOut:
    """A point that does not belong: how far it lies from the curve through the others."""

    celsius: float
    ohms: float
    deviation_celsius: float


@dataclass(frozen=True, kw_only=True)
class ChartChoice:
    """The solution for the points that belong, and what became of the others."""

    points: Points
    solution: Solution
    reading_celsius: float
    scatter: float
    degrees_of_freedom: int
    left_out: tuple[LeftOut, ...]
    suspects: tuple[tuple[float, float], ...]

    @property
    def covariance(self) -> FloatArray:
        """The covariance of the coefficients, raised where chi-square is more than its freedom."""
        raised = self.solution.chi_square / max(self.solution.degrees_of_freedom, 1)
        return self.solution.covariance * max(1.0, raised)

    @property
    def fits(self) -> bool:
        """Whether chi-square is what chance allows."""
        from scipy.special import chdtrc

        freedom = self.solution.degrees_of_freedom
        return freedom < 1 or float(chdtrc(freedom, self.solution.chi_square)) > _BAD_FIT


def _without_strangers(
    points: Points, free_degree: int, percent: float, celsius: float, *, may_go: int
) -> ChartChoice:
    """Fit, leave out the point that does not belong, and again."""
    left_out: list[LeftOut] = []
    while True:
        found = find_misread(
            points,
            free_degree=free_degree,
            reading_percent=percent,
            reading_celsius=celsius,
            found_before=len(left_out),
        )
        if found is None or len(found.indices) > 1 or len(left_out) == may_go:
            break
        (index,) = found.indices
        left_out.append(
            LeftOut(
                celsius=float(points.celsius[index]),
                ohms=float(points.ohms[index]),
                deviation_celsius=found.deviation_celsius,
            )
        )
        points = points.without(index)
    suspects: tuple[tuple[float, float], ...] = ()
    if found is not None and len(found.indices) > 1:
        without_worst = _choice(points.without(found.indices[0]), free_degree, percent, celsius)
        # A chart that does not fit without it either has no bad point: it is bad altogether.
        suspects = tuple(points.pairs[i] for i in found.indices) if without_worst.fits else ()
    return _choice(points, free_degree, percent, celsius, tuple(left_out), suspects)


def _without_bender(
    points: Points, free_degree: int, percent: float, celsius: float
) -> ChartChoice | None:
    """Return the choice without the one point that keeps a chart from fitting; None: no such point.

    Read as temperature against resistance, a slip may bend a chart more than sensors are bent (two
    resistances nearly alike, far apart in temperature) where it hardly shows the other way round.
    It has to be as far off as a slip is: a sensor of an unusual shape is to lose no point.
    """
    if len(points.u) - free_degree - 1 < _LEAST_SPARE:
        return None
    without = [
        _choice(points.without(i), free_degree, percent, celsius) for i in range(len(points.u))
    ]
    order = np.argsort([one.solution.chi_square for one in without])
    best, second = (without[i].solution.chi_square for i in order[:2])
    worst = int(order[0])
    whole = _choice(points, free_degree, percent, celsius)
    deviation = float(whole.solution.deviation_celsius[worst])
    far = abs(deviation) * percent_per_kelvin(points) >= _LEAST_SLIP_PERCENT
    if not without[worst].fits or second - best < _CLEARLY_BETTER or not far:
        return None
    left_out = LeftOut(
        celsius=float(points.celsius[worst]),
        ohms=float(points.ohms[worst]),
        deviation_celsius=deviation,
    )
    return replace(without[worst], left_out=(left_out,))


def _choice(
    points: Points,
    free_degree: int,
    percent: float,
    celsius: float,
    left_out: tuple[LeftOut, ...] = (),
    suspects: tuple[tuple[float, float], ...] = (),
) -> ChartChoice:
    stated = percent > 0.0 or celsius > 0.0
    scatter, reading, freedom = 0.0, celsius, len(points.u) - free_degree - 1
    if not stated:
        degree = max(free_degree, default_degree(len(points.u)))
        scatter = scatter_of(points, degree, with_bends=False)
        freedom = len(points.u) - degree - 1
        reading = scatter * _small_sample_factor(freedom)
    solution = solve_points(
        points, reading_percent=percent, reading_celsius=reading, free_degree=free_degree
    )
    reduced = solution.chi_square / max(solution.degrees_of_freedom, 1)
    return ChartChoice(
        points=points,
        solution=solution,
        reading_celsius=reading,
        scatter=reduced if stated else scatter,
        degrees_of_freedom=freedom,
        left_out=left_out,
        suspects=suspects,
    )


def _small_sample_factor(degrees_of_freedom: int) -> float:
    """Return what k = 2 lacks to cover 95.45 % with a scatter from few points: t over 2."""
    from scipy.special import ndtr, stdtrit

    return float(stdtrit(degrees_of_freedom, ndtr(2.0))) / 2.0


def choose_fit(
    points: Points, degrees: tuple[int, ...], percent: float, celsius: float
) -> ChartChoice:
    """Return the solution of the first degree that fits; no point is left out where none does."""
    share = int(_LARGEST_SHARE_LEFT_OUT * len(points.u))
    attempts = [
        # What takes more freedom than sensors have is no proof against several points as well.
        _without_strangers(
            points, degree, percent, celsius, may_go=share if first else min(share, 1)
        )
        for degree, first in zip(degrees, (True, False), strict=False)
    ]
    if percent == 0.0 and celsius == 0.0:
        scatters = [
            scatter_of(attempt.points, degree)
            for attempt, degree in zip(attempts, degrees, strict=True)
        ]
        return attempts[-1] if scatters[-1] < _MUCH_LESS * scatters[0] else attempts[0]
    if not attempts[0].fits and not attempts[0].left_out and not attempts[0].suspects:
        alone = _without_bender(points, degrees[0], percent, celsius)
        attempts = attempts if alone is None else [alone]
    for attempt in attempts:
        if attempt.fits or attempt.suspects:
            return attempt
    whole = [_choice(points, degree, percent, celsius) for degree in degrees]
    return min(whole, key=lambda one: one.scatter)
