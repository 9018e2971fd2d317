"""Weighted least squares for chart points, with what is known of how far sensors are from straight.

The temperature side u is a polynomial of the resistance side v (see `Coordinates`). Two of its
terms are free: a straight line. The terms that bend it are unknown too, but not anything at all:
sensors resemble each other. Each is given a normal distribution about zero, as wide as published
curves are bent; few points leave it about there, many points overrule it. What the points cannot
say of the bend so becomes part of the covariance (Bayesian linear regression with a normal prior:
Gelman et al., Bayesian Data Analysis, 3rd ed., 14.8).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from controller.arrays import FloatArray
from controller.errors import InputError
from controller.sensors.coordinates import NTC, STRAIGHT, Coordinates

__all__ = ["Points", "Solution", "powers", "solve_points"]

_REWEIGHTINGS = 4
_SLOPES_WITHIN = 2.0
"""A point that does not belong bends the fit as well; the slope stays within so many times that
of the straight line."""


@dataclass(frozen=True, kw_only=True)
class Points:
    """Chart points in the coordinates of the fit; z is v centred and scaled to about -1 to 1."""

    coordinates: Coordinates
    centre: float
    scale: float
    celsius: FloatArray
    ohms: FloatArray
    u: FloatArray
    z: FloatArray
    linear: float
    """The slope du/dz of the straight line through the ends."""
    bends: tuple[float, ...]
    """Standard deviations of the coefficients of z^2, z^3, ..., in u."""

    @classmethod
    def of(cls, points: Sequence[tuple[float, float]]) -> Points:
        """Take pairs of degC and ohm, sorted by temperature. Raises InputError."""
        array = np.array(points, dtype=np.float64).reshape(-1, 2)
        celsius, ohms = array[:, 0], array[:, 1]
        if not (ohms > 0.0).all():
            raise InputError.single("resistances must be above zero", key="points")
        coordinates = NTC if ohms[-1] < ohms[0] else STRAIGHT
        u, v = coordinates.u(celsius), coordinates.v(ohms)
        centre, scale = float(v.mean()), float(np.ptp(v)) / 2.0
        if scale == 0.0:
            raise InputError.single("all points have the same resistance", key="points")
        linear = float(np.ptp(u)) / 2.0
        return cls(
            coordinates=coordinates,
            centre=centre,
            scale=scale,
            celsius=celsius,
            ohms=ohms,
            u=u,
            z=(v - centre) / scale,
            linear=linear,
            bends=tuple(linear * bend for bend in coordinates.bends_over(v)),
        )

    @property
    def pairs(self) -> tuple[tuple[float, float], ...]:
        """The points as pairs of degC and ohm."""
        return tuple(zip(self.celsius.tolist(), self.ohms.tolist(), strict=True))

    @property
    def per_kelvin(self) -> FloatArray:
        """The size of du/dt at the points."""
        return np.abs(self.coordinates.du_dcelsius(self.celsius))

    def without(self, index: int) -> Points:
        """Return all but one point, in coordinates of their own."""
        return Points.of([pair for i, pair in enumerate(self.pairs) if i != index])


@dataclass(frozen=True, kw_only=True)
class Solution:
    """Coefficients of 1, z, z^2, ... with their covariance, and how each point fits.

    `standardised` and `leverage` are those of the points as they were fitted; `chi_square` counts
    the bends with the residuals, over `degrees_of_freedom`.
    """

    coefficients: FloatArray
    covariance: FloatArray
    degrees_of_freedom: int
    chi_square: float
    residual_celsius: FloatArray
    standardised: FloatArray
    leverage: FloatArray

    @property
    def deviation_celsius(self) -> FloatArray:
        """How far each point lies from the curve through the others."""
        return self.residual_celsius / self._rest

    @property
    def deviation_standardised(self) -> FloatArray:
        """The same over its standard uncertainty: the point's, and the others' prediction's."""
        return self.standardised / np.sqrt(self._rest)

    @property
    def _rest(self) -> FloatArray:
        return np.maximum(1.0 - self.leverage, 1e-12)


def powers(z: FloatArray, count: int) -> FloatArray:
    """Return 1, z, z^2, ... along a new last axis."""
    return np.asarray(z[..., np.newaxis] ** np.arange(count))


def solve_points(
    points: Points,
    *,
    reading_percent: float,
    reading_celsius: float,
    free_degree: int = 1,
) -> Solution:
    """Fit the points; the reading uncertainties are standard, and at least one is above zero.

    Terms up to `free_degree` are decided by the points alone, those beyond by what sensors do too.
    """
    sigma = _sigma(points, reading_percent, reading_celsius)
    system = _System.of(points, sigma, free_degree, np.array(points.bends[free_degree - 1 :]))
    residual = points.u - system.basis @ system.coefficients
    penalty = system.prior @ system.coefficients
    inverse = np.linalg.inv(system.r)
    return Solution(
        coefficients=system.coefficients,
        covariance=inverse @ inverse.T,
        degrees_of_freedom=len(points.u) - free_degree - 1,
        chi_square=float(np.sum((residual / sigma) ** 2) + np.sum(penalty**2)),
        residual_celsius=residual / points.coordinates.du_dcelsius(points.celsius),
        standardised=residual / sigma,
        leverage=np.sum(system.q[: len(points.u)] ** 2, axis=1),
    )


@dataclass(frozen=True, kw_only=True)
class _System:
    """The least-squares problem, with the bends as further rows, and its solution."""

    basis: FloatArray
    prior: FloatArray
    q: FloatArray
    r: FloatArray
    coefficients: FloatArray

    @classmethod
    def of(cls, points: Points, sigma: FloatArray, free_degree: int, bends: FloatArray) -> _System:
        free = free_degree + 1
        basis = powers(points.z, free + len(bends))
        prior = np.concatenate([np.zeros((len(bends), free)), np.diag(1.0 / bends)], axis=1)
        q, r = np.linalg.qr(np.concatenate([basis / sigma[:, np.newaxis], prior]))
        coefficients = np.linalg.solve(r, q[: len(sigma)].T @ (points.u / sigma))
        return cls(basis=basis, prior=prior, q=q, r=r, coefficients=coefficients)


def _sigma(points: Points, percent: float, celsius: float) -> FloatArray:
    """Return the standard uncertainty of each point along u.

    Along the resistance it comes through the slope (effective variance, Orear, Am. J. Phys. 50,
    1982, 912), that of the first bend alone: it may not follow the errors of the points.
    """
    along = points.per_kelvin * celsius
    if percent == 0.0:
        return along
    relative = points.coordinates.dv_dohms(points.ohms) * points.ohms * percent / 100.0
    slope = np.full(points.z.shape, points.linear)
    for _ in range(_REWEIGHTINGS):
        sigma = np.hypot(along, slope / points.scale * relative)
        first = _System.of(points, sigma, 1, np.array(points.bends[:1])).coefficients
        slope = np.clip(
            first[1] + 2.0 * first[2] * points.z,
            points.linear / _SLOPES_WITHIN,
            points.linear * _SLOPES_WITHIN,
        )
    return np.hypot(along, slope / points.scale * relative)
