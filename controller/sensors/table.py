"""A sensor given by its table: a curve through every point, and how well it is known between."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from controller.arrays import FloatArray
from controller.errors import InputError
from controller.sensors.coordinates import NTC, STRAIGHT, Coordinates
from controller.sensors.error_parts import ErrorPart
from controller.sensors.solve import solve_monotone
from controller.sensors.spanned import SpannedCurve

if TYPE_CHECKING:
    from scipy.interpolate import CubicSpline

__all__ = ["TableCurve"]

_LEAST_END_SLOPE = 0.1
_DOUBT = 2.0
"""The second interpolant is no truth either. Where a silicon curve changes its equation in the last
interval of five or six points, the first is off by up to 3.2 times their difference (measured)."""


@dataclass(frozen=True, kw_only=True)
class TableCurve(SpannedCurve):
    """A monotone curve through `points`, pairs of degC and ohm sorted by temperature.

    Piecewise cubic Hermite with the limited slopes of Fritsch & Butland (SIAM J. Sci. Stat.
    Comput. 5, 1984, 300-304; scipy's PCHIP), in 1/T against ln R when resistance falls, in degC
    against ohm when it rises. The way back solves the same cubics.

    The standard uncertainties of the points, relative and along the temperature axis, are carried
    over to the curve, and so is the rounding to `figures` where that is given (rectangular, JCGM
    100:2008, 4.3.7); they lose their correlation over the typical spacing of the points. The
    common uncertainties are the same for all points. Between the points the curve is unknown
    by two amounts, both zero at the points: how far it may lie from a second interpolant through
    them (not-a-knot cubic spline), twice that being taken as a standard uncertainty; and what bends
    of such sensors the spline cannot follow (see `Coordinates.bends`).
    """

    points: tuple[tuple[float, float], ...]
    reading_uncertainty_percent: float = 0.0
    reading_uncertainty_celsius: float = 0.0
    common_uncertainty_percent: float = 0.0
    common_uncertainty_celsius: float = 0.0
    figures: int | None = None

    def __post_init__(self) -> None:
        celsius, ohms = self._nodes
        if len(self.points) < 2:
            raise InputError.single("a table needs at least 2 points", key="points")
        if not (np.diff(celsius) > 0.0).all():
            raise InputError.single("the points must be sorted by temperature", key="points")
        steps = np.diff(ohms)
        if not ((steps > 0.0).all() or (steps < 0.0).all()) or not (ohms > 0.0).all():
            raise InputError.single(
                "resistance must be above zero and rise or fall all the way", key="points"
            )
        if self.lowest_celsius < celsius[0]:
            raise InputError.single(
                f"the table begins at {celsius[0]:g} degC",
                key="lowest_celsius",
                hint="a table is not continued beyond its points; chart-fit can be",
            )
        if self.highest_celsius > celsius[-1]:
            raise InputError.single(
                f"the table ends at {celsius[-1]:g} degC",
                key="highest_celsius",
                hint="a table is not continued beyond its points; chart-fit can be",
            )
        super().__post_init__()

    @cached_property
    def _nodes(self) -> tuple[FloatArray, FloatArray]:
        array = np.array(self.points, dtype=np.float64).reshape(-1, 2)
        return array[:, 0], array[:, 1]

    @cached_property
    def coordinates(self) -> Coordinates:
        """The coordinates the points are joined in."""
        ohms = self._nodes[1]
        return NTC if ohms[-1] < ohms[0] else STRAIGHT

    @cached_property
    def _pieces(self) -> tuple[FloatArray, FloatArray]:
        """Breakpoints in `u`, ascending (n), and coefficients, highest power first (4, n-1)."""
        from scipy.interpolate import CubicHermiteSpline, PchipInterpolator

        celsius, ohms = self._nodes
        u, v = self.coordinates.u(celsius), self.coordinates.v(ohms)
        order = np.argsort(u)
        u, v = u[order], v[order]
        secants = np.diff(v) / np.diff(u)
        slopes = np.asarray(PchipInterpolator(u, v).derivative()(u), dtype=np.float64)
        # The end formula may give zero slope; a curve that stands still has no inverse there.
        for end in (0, -1):
            if abs(slopes[end]) < _LEAST_END_SLOPE * abs(secants[end]):
                slopes[end] = _LEAST_END_SLOPE * secants[end]
        spline = CubicHermiteSpline(u, v, slopes)
        return np.asarray(spline.x), np.asarray(spline.c)

    def _v(self, u: FloatArray) -> FloatArray:
        c, x = self._at(u)
        return np.asarray(((c[0] * x + c[1]) * x + c[2]) * x + c[3])

    def _dv_du(self, u: FloatArray) -> FloatArray:
        c, x = self._at(u)
        return np.asarray((3.0 * c[0] * x + 2.0 * c[1]) * x + c[2])

    def _at(self, u: FloatArray) -> tuple[FloatArray, FloatArray]:
        breaks, coefficients = self._pieces
        piece = np.clip(np.searchsorted(breaks, u, side="right") - 1, 0, len(breaks) - 2)
        return coefficients[:, piece], u - breaks[piece]

    def _ohms(self, celsius: FloatArray) -> FloatArray:
        return self.coordinates.ohms(self._v(self.coordinates.u(celsius)))

    def _celsius(self, ohms: FloatArray) -> FloatArray:
        breaks = self._pieces[0]
        target = np.asarray(self.coordinates.v(ohms))
        u = solve_monotone(self._v, self._dv_du, target, float(breaks[0]), float(breaks[-1]))
        return self.coordinates.celsius(u)

    def _slope(self, celsius: FloatArray) -> FloatArray:
        u = self.coordinates.u(celsius)
        per_kelvin = self._dv_du(u) * self.coordinates.du_dcelsius(celsius)
        return per_kelvin / self.coordinates.dv_dohms(self._ohms(celsius))

    def _error_parts(self, celsius: FloatArray) -> tuple[ErrorPart, ...]:
        ohms, slope = self._ohms(celsius), self._slope(celsius)
        spacing = float(np.median(np.diff(self._nodes[0])))
        percent, common = self.reading_uncertainty_percent, self.common_uncertainty_percent
        points = (
            percent / 100.0 * ohms / slope,
            np.full_like(celsius, self.reading_uncertainty_celsius),
            self._rounding_ohms(ohms) / slope,
        )
        axes = (
            common / 100.0 * ohms / slope,
            np.full_like(celsius, self.common_uncertainty_celsius),
        )
        between = self._between(celsius)
        return (
            *super()._error_parts(celsius),
            ErrorPart(name="points", modes=np.stack(points, axis=-1), length_celsius=spacing),
            ErrorPart(name="axes", modes=np.stack(axes, axis=-1)),
            ErrorPart(name="interpolation", modes=between, length_celsius=spacing),
        )

    def _rounding_ohms(self, ohms: FloatArray) -> FloatArray:
        if self.figures is None:
            return np.zeros_like(ohms)
        unit = 10.0 ** (np.floor(np.log10(ohms)) - self.figures + 1)
        return np.asarray(unit / math.sqrt(12.0))

    def _between(self, celsius: FloatArray) -> FloatArray:
        """Return the modes of what is not known between the points, in degC: (..., k)."""
        u = self.coordinates.u(celsius)
        breaks = self._pieces[0]
        piece = np.clip(np.searchsorted(breaks, u, side="right") - 1, 0, len(breaks) - 2)
        width = breaks[piece + 1] - breaks[piece]
        share = (u - breaks[piece]) / width
        # Two cubics with the same ends differ by no more than this, for slopes that differ by so
        # much at the ends (Hermite form).
        apart = self._slopes_apart
        limit = width * share * (1.0 - share) * np.maximum(apart[piece], apart[piece + 1])
        modes = [_DOUBT * limit]
        z = (u - breaks[0]) / (breaks[-1] - breaks[0]) * 2.0 - 1.0
        for power, (bend, followed) in enumerate(self._bends_not_followed, start=2):
            modes.append(bend * (z**power - np.asarray(followed(u))))
        per_kelvin = self._dv_du(u) * self.coordinates.du_dcelsius(celsius)
        return np.stack(modes, axis=-1) / per_kelvin[..., np.newaxis]

    @cached_property
    def _bends_not_followed(self) -> tuple[tuple[float, CubicSpline], ...]:
        """For powers 2, 3, ... of u from -1 to 1: the bend's size, and the spline through it."""
        breaks = self._pieces[0]
        z = (breaks - breaks[0]) / (breaks[-1] - breaks[0]) * 2.0 - 1.0
        v = self._v(breaks)
        linear = 0.5 * float(np.ptp(v))
        return tuple(
            (linear * bend, _second_interpolant(breaks, z**power))
            for power, bend in enumerate(self.coordinates.bends_over(v), start=2)
        )

    @cached_property
    def _slopes_apart(self) -> FloatArray:
        """How far the slopes at the points are from those of a second interpolant (n)."""
        breaks = self._pieces[0]
        second = _second_interpolant(breaks, self._v(breaks)).derivative()
        return np.abs(self._dv_du(breaks) - np.asarray(second(breaks)))

    def _refuse_unless_monotone(self) -> None:
        """Monotone by construction: the points are, and the slopes are limited."""


def _second_interpolant(x: FloatArray, y: FloatArray) -> CubicSpline:
    """Return the not-a-knot cubic spline; a parabola or a line through fewer than four points."""
    from scipy.interpolate import CubicSpline

    return CubicSpline(x, y)
