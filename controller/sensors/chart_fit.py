"""A sensor given by points read off a chart: a smooth curve between them, with its uncertainty.

The temperature side is a polynomial of the resistance side, 1/T in ln R for a sensor that falls
(with all terms, the general form of Steinhart & Hart 1968), degC in ohm for one that rises; see
`chart_solution` for how its terms are found.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from controller.arrays import FloatArray
from controller.errors import InputError
from controller.sensors.chart_choice import ChartChoice, LeftOut, choose_fit, default_degree
from controller.sensors.chart_solution import Points, powers, solve_points
from controller.sensors.coordinates import Coordinates
from controller.sensors.curve import Curve
from controller.sensors.error_parts import ErrorPart
from controller.sensors.solve import solve_monotone
from controller.sensors.spanned import SpannedCurve
from controller.units import format_ohms

__all__ = ["ChartFitCurve", "LeftOut", "default_degree", "fit_chart", "unsupported_spans"]

LEAST_POINTS = 3
_REACH = 3.0
"""How many widths of the chart the search for the ends of the span looks beyond it."""


@dataclass(frozen=True, kw_only=True)
class ChartFitCurve(SpannedCurve):
    """The fitted curve: u = sum of c_j z^j with z = (v - centre) / scale (see `Coordinates`).

    `covariance` is that of the coefficients. `scatter` is chi-square per degree of freedom where
    reading uncertainties are stated, else the standard deviation of the points in degC. The common
    uncertainties are those of the axes, which shift all points together: relative to the
    resistance and along the temperature axis. `suspects` are points one of which does not belong,
    and it cannot be told which.
    """

    coordinates: Coordinates
    centre: float
    scale: float
    coefficients: tuple[float, ...]
    covariance: tuple[tuple[float, ...], ...]
    degrees_of_freedom: int
    scatter: float
    stated_uncertainty: bool
    points: tuple[tuple[float, float], ...]
    left_out: tuple[LeftOut, ...] = ()
    suspects: tuple[tuple[float, float], ...] = ()
    common_uncertainty_percent: float = 0.0
    common_uncertainty_celsius: float = 0.0

    def __post_init__(self) -> None:
        _ = self._bracket
        super().__post_init__()

    def _u(self, z: FloatArray) -> FloatArray:
        return np.asarray(np.polynomial.polynomial.polyval(z, self.coefficients))

    def _du_dz(self, z: FloatArray) -> FloatArray:
        return np.asarray(np.polynomial.polynomial.polyval(z, self._derivative))

    @cached_property
    def _derivative(self) -> FloatArray:
        return np.asarray(np.polynomial.polynomial.polyder(np.array(self.coefficients)))

    @cached_property
    def _bracket(self) -> tuple[float, float]:
        """The range of z around the chart on which the fit is monotone and covers the span."""
        ohms = np.array([ohms for _, ohms in self.points], dtype=np.float64)
        z = (self.coordinates.v(ohms) - self.centre) / self.scale
        first, last = float(z.min()), float(z.max())
        if not (self._du_dz(np.array([first, last])) > 0.0).all():
            raise self._turning("on the chart's own points")
        reach = _REACH * (last - first)
        low, high = first - reach, last + reach
        for root in np.atleast_1d(np.polynomial.polynomial.polyroots(self._derivative)):
            if abs(root.imag) > 1e-9 * max(1.0, abs(root)):
                continue
            turn = float(root.real)
            if first <= turn <= last:
                raise self._turning("between the chart's own points")
            if turn < first:
                low = max(low, turn)
            else:
                high = min(high, turn)
        reached = self._u(np.array([low, high]))
        wanted = self.coordinates.u(np.array([self.lowest_celsius, self.highest_celsius]))
        if not (reached[0] < wanted.min() and wanted.max() < reached[1]):
            raise self._turning(
                f"before it reaches {self.lowest_celsius:g} to {self.highest_celsius:g} degC"
            )
        return low, high

    def _turning(self, where: str) -> InputError:
        return InputError.single(
            f"the fitted curve is not strictly monotone: it turns {where}",
            key="points",
            hint="check the points, narrow the span, or ask for a smaller degree",
        )

    def _z(self, celsius: FloatArray) -> FloatArray:
        u = np.asarray(self.coordinates.u(celsius))
        return solve_monotone(self._u, self._du_dz, u, *self._bracket)

    def _ohms(self, celsius: FloatArray) -> FloatArray:
        return self.coordinates.ohms(self.centre + self.scale * self._z(celsius))

    def _celsius(self, ohms: FloatArray) -> FloatArray:
        z = (self.coordinates.v(ohms) - self.centre) / self.scale
        return self.coordinates.celsius(self._u(z))

    def _slope(self, celsius: FloatArray) -> FloatArray:
        return self._slope_at(self._z(celsius), celsius)

    def _slope_at(self, z: FloatArray, celsius: FloatArray) -> FloatArray:
        ohms = self.coordinates.ohms(self.centre + self.scale * z)
        dv_dt = self.scale * self.coordinates.du_dcelsius(celsius) / self._du_dz(z)
        return dv_dt / self.coordinates.dv_dohms(ohms)

    def _error_parts(self, celsius: FloatArray) -> tuple[ErrorPart, ...]:
        z = self._z(celsius)
        per_kelvin = self.coordinates.du_dcelsius(celsius)[..., np.newaxis]
        fit = powers(z, len(self.coefficients)) @ self._root / per_kelvin
        ohms = self.coordinates.ohms(self.centre + self.scale * z)
        along_ohms = self.common_uncertainty_percent / 100.0 * ohms / self._slope_at(z, celsius)
        along_celsius = np.full_like(celsius, self.common_uncertainty_celsius)
        return (
            *super()._error_parts(celsius),
            ErrorPart(name="fit", modes=fit),
            ErrorPart(name="axes", modes=np.stack([along_ohms, along_celsius], axis=-1)),
        )

    @cached_property
    def _root(self) -> FloatArray:
        """A matrix whose product with its transpose is the covariance of the coefficients."""
        values, vectors = np.linalg.eigh(np.array(self.covariance))
        return np.asarray(vectors * np.sqrt(np.maximum(values, 0.0)))


def fit_chart(
    points: Sequence[tuple[float, float]],
    *,
    lowest_celsius: float | None = None,
    highest_celsius: float | None = None,
    reading_uncertainty_percent: float = 0.0,
    reading_uncertainty_celsius: float = 0.0,
    common_uncertainty_percent: float | None = None,
    common_uncertainty_celsius: float | None = None,
    degree: int | None = None,
    label: str = "the sensor",
) -> ChartFitCurve:
    """Fit a curve to chart points, pairs of degC and ohm; the span defaults to their ends.

    All uncertainties are standard (k = 1), in percent of the resistance and along the temperature
    axis. The reading uncertainties are each point's own. With neither, all points weigh alike in
    degC, and their scatter about a fit of `default_degree` without bends gives the scale, times
    Student's t over 2 for how well so few points tell it (JCGM 100:2008, G.3.2). Scatter larger
    than the stated uncertainties raises the covariance in proportion (Birge, Phys. Rev. 40, 1932,
    207); smaller scatter does not lower it.

    The common uncertainties are those of the axes, alike for all points and so invisible in them.
    Where neither is stated, they are taken to be as large as the reading uncertainties, or the
    scatter: nothing says which share of an uncertainty is common.

    The points decide a straight line freely, and how it bends within what sensors do; when that
    does not fit (chi-square, one chart in a thousand; without stated uncertainties, twice the
    scatter), or a `degree` is asked for, they decide all terms up to it, and only those beyond are
    held to what sensors do.

    A point that does not belong is left out and named, see `find_misread`; at most a quarter of
    the points can go, the worst first. Where one of several does not belong and it cannot be told
    which, they stay and are named as `suspects`.

    Raises InputError: too few points, or a fit that is not strictly monotone over the span.
    """
    given = sorted((float(t), float(r)) for t, r in points)
    stated = reading_uncertainty_percent > 0.0 or reading_uncertainty_celsius > 0.0
    order = default_degree(len(given)) if degree is None else degree
    least = max(LEAST_POINTS, order + 1 if stated else order + 2)
    if len({t for t, _ in given}) < least:
        raise InputError.single(
            f"a fit of degree {order} needs at least {least} points at different temperatures",
            key="points",
        )
    chosen = choose_fit(
        Points.of(given),
        (1, order) if degree is None and order > 1 else (order,),
        reading_uncertainty_percent,
        reading_uncertainty_celsius,
    )
    common = (common_uncertainty_percent, common_uncertainty_celsius)
    if common == (None, None):
        common = (
            (reading_uncertainty_percent, reading_uncertainty_celsius)
            if stated
            else (0.0, chosen.reading_celsius)
        )
    solution, kept = chosen.solution, chosen.points
    try:
        return ChartFitCurve(
            lowest_celsius=given[0][0] if lowest_celsius is None else lowest_celsius,
            highest_celsius=given[-1][0] if highest_celsius is None else highest_celsius,
            label=label,
            coordinates=kept.coordinates,
            centre=kept.centre,
            scale=kept.scale,
            coefficients=tuple(float(c) for c in solution.coefficients),
            covariance=tuple(tuple(float(c) for c in row) for row in chosen.covariance),
            degrees_of_freedom=chosen.degrees_of_freedom,
            scatter=chosen.scatter,
            stated_uncertainty=stated,
            points=kept.pairs,
            left_out=chosen.left_out,
            suspects=chosen.suspects,
            common_uncertainty_percent=common[0] or 0.0,
            common_uncertainty_celsius=common[1] or 0.0,
        )
    except InputError as error:
        raise _with_likeliest(error, chosen, reading_uncertainty_percent) from None


def _with_likeliest(error: InputError, attempt: ChartChoice, percent: float) -> InputError:
    """Add to a refused fit which point it would be without that the others fit best.

    Where points were left out already, they are those to read again, and no other.
    """
    points = attempt.points
    if any(p.key not in ("points", None) for p in error.problems):
        return error
    if attempt.left_out:
        found = attempt.left_out[0]
        hint = (
            f"the point at {found.celsius:g} degC, {format_ohms(found.ohms)} does not belong to the"
            " others and was left out, which leaves too little there: read that again; or narrow"
            " the span"
        )
        return InputError([replace(problem, hint=hint) for problem in error.problems])
    if len(points.u) <= LEAST_POINTS:
        return error
    misfits = [
        solve_points(
            points.without(i), reading_percent=percent, reading_celsius=attempt.reading_celsius
        ).chi_square
        for i in range(len(points.u))
    ]
    celsius, ohms = points.pairs[int(np.argmin(misfits))]
    return InputError(
        [
            replace(
                problem,
                hint=f"the others fit best without the point at {celsius:g} degC, "
                f"{format_ohms(ohms)}: read that again; or narrow the span, or ask for a smaller "
                "degree",
            )
            for problem in error.problems
        ]
    )


def unsupported_spans(
    curve: Curve, tolerance_celsius: float, *, coverage_factor: float = 2.0, step: float = 0.5
) -> tuple[tuple[float, float], ...]:
    """Return where the curve's expanded uncertainty exceeds the tolerance: pairs of degC.

    There no reading can pass or fail with confidence, however good the rest of the bench is. The
    span is looked at every `step` degC.
    """
    count = max(2, round((curve.highest_celsius - curve.lowest_celsius) / step) + 1)
    grid = np.linspace(curve.lowest_celsius, curve.highest_celsius, count)
    beyond = coverage_factor * curve.uncertainty_celsius(grid) > tolerance_celsius
    edges = np.flatnonzero(np.diff(np.concatenate(([False], beyond, [False])).astype(int)))
    return tuple(
        (float(grid[start]), float(grid[stop - 1]))
        for start, stop in zip(edges[::2], edges[1::2], strict=True)
    )
