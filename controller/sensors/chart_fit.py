"""A sensor given by points read off a chart: a smooth curve between them, with its uncertainty.

Knows: weighted least squares, which point does not belong, and where the fit is monotone.
Must not know: files, tables, equations of particular sensors.

Model: the temperature side is a polynomial of the resistance side, 1/T in ln R for a sensor that
falls (degree 3 with all terms, the general form of Steinhart & Hart 1968), degC in ohm for one
that rises. With few points the degree is less, see `default_degree`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from controller.arrays import FloatArray
from controller.errors import InputError
from controller.sensors.coordinates import NTC, STRAIGHT, Coordinates
from controller.sensors.curve import Curve
from controller.sensors.solve import solve_monotone
from controller.sensors.spanned import SpannedCurve

__all__ = ["ChartFitCurve", "LeftOut", "default_degree", "fit_chart", "unsupported_spans"]

LEAST_POINTS = 3
_FALSE_ALARM = 0.05
"""Chance that a chart without a bad point has one named (Bonferroni over the points)."""
_LEAST_DEVIATION_CELSIUS = 0.25
"""Less than this is the model's own misfit (0.2 degC at most, measured for degree 2 over -40 to
135 degC on a published NTC curve), not a slip of the eye."""
_LARGEST_SHARE_LEFT_OUT = 0.25
_REWEIGHTINGS = 4
_REACH = 3.0
"""How many widths of the chart the search for the ends of the span looks beyond it."""


def default_degree(points: int) -> int:
    """Return the degree fitted to so many points: 1 for three, 2 from four, 3 from eight."""
    return 1 if points < 4 else 2 if points < 8 else 3


@dataclass(frozen=True, kw_only=True)
class LeftOut:
    """A point that does not belong: how far it lies from the curve through the others."""

    celsius: float
    ohms: float
    deviation_celsius: float


@dataclass(frozen=True, kw_only=True)
class ChartFitCurve(SpannedCurve):
    """The fitted curve: u = sum of c_j z^j with z = (v - centre) / scale (see `Coordinates`).

    `covariance` is that of the coefficients, and becomes the curve's uncertainty. `scatter` is
    chi-square per degree of freedom where reading uncertainties are stated, else the standard
    deviation of the points in degC.
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
        _, ohms = _columns(self.points)
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
        z = self._z(celsius)
        ohms = self.coordinates.ohms(self.centre + self.scale * z)
        dv_dt = self.scale * self.coordinates.du_dcelsius(celsius) / self._du_dz(z)
        return dv_dt / self.coordinates.dv_dohms(ohms)

    def _uncertainty(self, celsius: FloatArray) -> FloatArray:
        basis = _basis(self._z(celsius), len(self.coefficients))
        variance = np.einsum("...i,ij,...j->...", basis, np.array(self.covariance), basis)
        per_kelvin = np.abs(self.coordinates.du_dcelsius(celsius))
        return np.asarray(
            self._small_sample_factor * np.sqrt(np.maximum(variance, 0.0)) / per_kelvin
        )

    @cached_property
    def _small_sample_factor(self) -> float:
        """What a scatter estimated from few points adds, so that k = 2 still covers 95.45 %.

        Student's t over 2 (JCGM 100:2008, G.3.2); 1 where the uncertainties are stated.
        """
        if self.stated_uncertainty:
            return 1.0
        from scipy.special import ndtr, stdtrit

        return float(stdtrit(self.degrees_of_freedom, ndtr(2.0))) / 2.0


def fit_chart(
    points: Sequence[tuple[float, float]],
    *,
    lowest_celsius: float | None = None,
    highest_celsius: float | None = None,
    reading_uncertainty_percent: float = 0.0,
    reading_uncertainty_celsius: float = 0.0,
    degree: int | None = None,
    label: str = "the sensor",
) -> ChartFitCurve:
    """Fit a curve to chart points, pairs of degC and ohm; the span defaults to their ends.

    The reading uncertainties are standard (k = 1): relative to the resistance, and along the
    temperature axis; both are brought to the temperature side through the slope of the fit
    (effective variance, Orear, Am. J. Phys. 50, 1982, 912). With neither, all points weigh alike
    in degC and their scatter about the curve gives the scale. Scatter larger than the stated
    uncertainties raises the covariance in proportion (Birge, Phys. Rev. 40, 1932, 207); smaller
    scatter does not lower it.

    A point is left out and named when its residual, studentised without it, is beyond what one
    honest point in twenty charts would show (two-sided 5 % shared over the points: normal where
    uncertainties are stated, Student's t otherwise) and at least 0.25 degC. At most a quarter of
    the points can go, the worst first.

    Raises InputError: too few points, or a fit that is not strictly monotone over the span.
    """
    kept = sorted((float(t), float(r)) for t, r in points)
    order = default_degree(len(kept)) if degree is None else degree
    stated = reading_uncertainty_percent > 0.0 or reading_uncertainty_celsius > 0.0
    least = order + 1 if stated else order + 2
    if len({t for t, _ in kept}) < max(LEAST_POINTS, least):
        raise InputError.single(
            f"a fit of degree {order} needs at least {max(LEAST_POINTS, least)} points at "
            "different temperatures",
            key="points",
        )
    low = kept[0][0] if lowest_celsius is None else lowest_celsius
    high = kept[-1][0] if highest_celsius is None else highest_celsius
    may_go = int(_LARGEST_SHARE_LEFT_OUT * len(kept))
    left_out: list[LeftOut] = []
    while True:
        fit = _Fit.of(kept, order, reading_uncertainty_percent, reading_uncertainty_celsius)
        worst = fit.stranger() if len(left_out) < may_go else None
        if worst is None:
            break
        index, deviation = worst
        celsius, ohms = kept.pop(index)
        left_out.append(LeftOut(celsius=celsius, ohms=ohms, deviation_celsius=deviation))
    return ChartFitCurve(
        lowest_celsius=low,
        highest_celsius=high,
        label=label,
        coordinates=fit.coordinates,
        centre=fit.centre,
        scale=fit.scale,
        coefficients=tuple(float(c) for c in fit.coefficients),
        covariance=tuple(tuple(float(c) for c in row) for row in fit.covariance),
        degrees_of_freedom=fit.degrees_of_freedom,
        scatter=fit.scatter,
        stated_uncertainty=stated,
        points=tuple(kept),
        left_out=tuple(left_out),
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


@dataclass(frozen=True, kw_only=True)
class _Fit:
    """One weighted least-squares solution and what is needed to judge its points."""

    coordinates: Coordinates
    centre: float
    scale: float
    coefficients: FloatArray
    covariance: FloatArray
    degrees_of_freedom: int
    scatter: float
    stated: bool
    residual_celsius: FloatArray
    standardised: FloatArray
    leverage: FloatArray

    @classmethod
    def of(
        cls,
        points: Sequence[tuple[float, float]],
        degree: int,
        percent: float,
        axis_celsius: float,
    ) -> _Fit:
        celsius, ohms = _columns(points)
        if not (ohms > 0.0).all():
            raise InputError.single("resistances must be above zero", key="points")
        coordinates = NTC if ohms[-1] < ohms[0] else STRAIGHT
        u, v = coordinates.u(celsius), coordinates.v(ohms)
        centre, scale = float(v.mean()), float(np.ptp(v)) / 2.0
        if scale == 0.0:
            raise InputError.single("all points have the same resistance", key="points")
        z = (v - centre) / scale
        basis = _basis(z, degree + 1)
        per_kelvin = np.abs(coordinates.du_dcelsius(celsius))
        u_of_v = coordinates.dv_dohms(ohms) * ohms * percent / 100.0
        stated = percent > 0.0 or axis_celsius > 0.0
        sigma = per_kelvin * (axis_celsius if axis_celsius > 0.0 or not stated else 1.0)
        sigma = per_kelvin if not stated else sigma
        for _ in range(_REWEIGHTINGS):
            q, r = np.linalg.qr(basis / sigma[:, None])
            coefficients = np.linalg.solve(r, q.T @ (u / sigma))
            if not stated:
                break
            slope = np.polynomial.polynomial.polyval(
                z, np.polynomial.polynomial.polyder(coefficients)
            )
            sigma = np.hypot(per_kelvin * axis_celsius, np.abs(slope) / scale * u_of_v)
        residual = u - basis @ coefficients
        freedom = len(points) - degree - 1
        chi_square = float(np.sum((residual / sigma) ** 2))
        reduced = chi_square / freedom if freedom else 1.0
        inverse = np.linalg.inv(r)
        factor = max(1.0, reduced) if stated else reduced
        return cls(
            coordinates=coordinates,
            centre=centre,
            scale=scale,
            coefficients=coefficients,
            covariance=inverse @ inverse.T * factor,
            degrees_of_freedom=freedom,
            scatter=reduced if stated else reduced**0.5,
            stated=stated,
            residual_celsius=residual / coordinates.du_dcelsius(celsius),
            standardised=residual / sigma,
            leverage=np.sum(q**2, axis=1),
        )

    def stranger(self) -> tuple[int, float] | None:
        """Return index and deviation in degC of the point that does not belong, if there is one.

        The deviation is from the curve through the other points.
        """
        from scipy.special import ndtri, stdtrit

        count = len(self.standardised)
        freedom = self.degrees_of_freedom
        free = np.maximum(1.0 - self.leverage, 1e-12)
        own = self.standardised / np.sqrt(free)
        tail = 1.0 - _FALSE_ALARM / (2.0 * count)
        if self.stated:
            if freedom < 1:
                return None
            limit = float(ndtri(tail))
        else:
            if freedom < 2:
                return None
            rest = np.maximum(self.scatter**2 * freedom - own**2, 1e-300) / (freedom - 1)
            own = own / np.sqrt(rest)
            limit = float(stdtrit(freedom - 1, tail))
        index = int(np.argmax(np.abs(own)))
        deviation = float(self.residual_celsius[index] / free[index])
        if abs(own[index]) <= limit or abs(deviation) < _LEAST_DEVIATION_CELSIUS:
            return None
        return index, deviation


def _basis(z: FloatArray, count: int) -> FloatArray:
    return np.asarray(z[..., np.newaxis] ** np.arange(count))


def _columns(points: Sequence[tuple[float, float]]) -> tuple[FloatArray, FloatArray]:
    array = np.array(points, dtype=np.float64).reshape(-1, 2)
    return array[:, 0], array[:, 1]
