"""A module that follows a smooth curve nobody has named: another sensor, or several faults at once.

Against the plan's curve in straight coordinates (1/T against ln R where resistance falls) another
thermistor is off by a straight line and a little bending; a rising sensor likewise in degC against
ohm. So the deviation is a sum of Legendre polynomials with normal priors. Three are tried: the
prior of another sensor (IEC 60539-1: size and B value differ, the rest hardly), the same with a
resistance in series, and one that bends to anything smooth. None is ever a diagnosis: it is what a
named fault has to beat.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass

import numpy as np

from controller.arrays import FloatArray
from controller.diagnosis.fit import Fit
from controller.diagnosis.hypotheses import Hypothesis, Response
from controller.diagnosis.likelihood import Likelihood
from controller.sensors.coordinates import NTC, STRAIGHT, Coordinates

__all__ = ["UNKNOWN_CURVE", "fit_unknown_curve", "legendre", "position"]

UNKNOWN_CURVE = "unknown-curve"

_ANOTHER_SENSOR_CELSIUS = (20.0, 6.0, 1.5, 0.4, 0.15)
_ANYTHING_SMOOTH_CELSIUS = (8.0, 8.0, 6.0, 4.0, 2.0, 1.0)
"""Standard deviations of the terms, constant first, as degC in the middle of the readings."""

_SERIES_LOG_SD = 2.0
_STEP = 1e-4


def position(ohms: FloatArray, reference: FloatArray, coordinates: Coordinates) -> FloatArray:
    """Return where resistances lie between the ends of `reference`, as -1 to 1."""
    v = coordinates.v(reference)
    centre, half = (v.max() + v.min()) / 2.0, max(float(np.ptp(v)) / 2.0, 1e-12)
    return np.asarray(np.clip((coordinates.v(np.maximum(ohms, 1e-9)) - centre) / half, -1.5, 1.5))


def legendre(at: FloatArray, count: int) -> FloatArray:
    """Return the first `count` Legendre polynomials, (n, count)."""
    return np.asarray(np.polynomial.legendre.legvander(at, count - 1))


def fit_unknown_curve(
    ohms: FloatArray, response: Response, likelihood: Likelihood, *, rising: bool
) -> Fit:
    """Return the smooth curve that explains the readings at `ohms` (n,) best."""
    fits = [
        _Smooth(
            ohms=ohms,
            response=response,
            likelihood=likelihood,
            rising=rising,
            scale=np.array(scale),
            with_series=with_series,
        ).fitted()
        for scale, with_series in (
            (_ANOTHER_SENSOR_CELSIUS, False),
            (_ANOTHER_SENSOR_CELSIUS, True),
            (_ANYTHING_SMOOTH_CELSIUS, False),
        )
    ]
    return max(fits, key=lambda fit: fit.log_evidence)


@dataclass(frozen=True, kw_only=True)
class _Smooth:
    """One prior, fitted in units of its standard deviations (t,); a series resistance comes last.

    That is log-normal, so its unit is a factor.
    """

    ohms: FloatArray
    response: Response
    likelihood: Likelihood
    rising: bool
    scale: FloatArray
    with_series: bool

    def fitted(self) -> Fit:
        from scipy.optimize import minimize

        found = minimize(
            self._cost, self._start(), jac=self._slope, method="BFGS", options={"maxiter": 60}
        )
        units = np.asarray(found.x, dtype=np.float64)
        best = self._predict(units[None, :], self.ohms)[0]
        deviance = float(self.likelihood.deviance(best[None, :])[0])
        information = self._information(units, best)
        whole = np.eye(units.size) + information
        _, log_det = np.linalg.slogdet(whole)
        free = float(np.trace(np.linalg.solve(whole, information)))
        log_evidence = -0.5 * (deviance + float(units @ units) + float(log_det)) - math.log(3.0)

        def predict(inner: FloatArray, ohms: FloatArray) -> FloatArray:
            return np.broadcast_to(self._predict(units[None, :], ohms), (len(inner), len(ohms)))

        return Fit(
            hypothesis=Hypothesis(
                kind=UNKNOWN_CURVE,
                parts=frozenset({UNKNOWN_CURVE}),
                parameters=(),
                predict=predict,
                free=round(free),
            ),
            inner=np.zeros(0),
            deviance=deviance,
            covariance=np.zeros((0, 0)),
            log_evidence=log_evidence,
        )

    @property
    def _coordinates(self) -> Coordinates:
        return STRAIGHT if self.rising else NTC

    @functools.cached_property
    def _unit(self) -> float:
        """One degC in the middle of the readings, on the straight axis."""
        middle = np.median(self.response(self.ohms))
        return float(self._coordinates.du_dcelsius(np.array([middle]))[0])

    @functools.cached_property
    def _ends(self) -> FloatArray:
        """What no module reports beyond, on the straight axis."""
        return np.sort(self._coordinates.u(np.array([-200.0, 900.0])))

    @functools.cached_property
    def _own_basis(self) -> FloatArray:
        return self._basis(self.ohms)

    def _basis(self, ohms: FloatArray) -> FloatArray:
        """Return the polynomials at resistances (n,), asked for at the readings' own mostly."""
        return legendre(position(ohms, self.ohms, self._coordinates), self.scale.size)

    def _series_ohms(self, unit: FloatArray | float) -> FloatArray:
        usual = 0.1 * float(np.median(self.ohms))
        return np.asarray(usual * np.exp(_SERIES_LOG_SD * np.asarray(unit)))

    def _predict(self, units: FloatArray, ohms: FloatArray) -> FloatArray:
        to, count = self._coordinates, self.scale.size
        basis = self._own_basis if ohms is self.ohms else self._basis(ohms)
        terms = units[:, :count] * self.scale
        series = self._series_ohms(np.clip(units[:, count:], -6.0, 6.0)) if self.with_series else 0
        moved = to.u(self.response(ohms + series)) + self._unit * (terms @ basis.T)
        return np.asarray(to.celsius(np.clip(moved, *self._ends)))

    def _cost(self, units: FloatArray) -> float:
        return float(self._costs(np.asarray(units)[None, :])[0])

    def _costs(self, units: FloatArray) -> FloatArray:
        price = np.sum(units**2, axis=1)
        return np.asarray(self.likelihood.deviance(self._predict(units, self.ohms)) + price)

    def _slope(self, units: FloatArray) -> FloatArray:
        moves = _STEP * np.eye(units.size)
        costs = self._costs(np.vstack([units + moves, units - moves]))
        return np.asarray((costs[: units.size] - costs[units.size :]) / (2.0 * _STEP))

    def _start(self) -> FloatArray:
        if not self.with_series:
            return self._line(0.0)[0]
        tried = np.linspace(-3.0, 2.5, 23)
        found = [self._line(float(self._series_ohms(unit))) for unit in tried]
        at = int(np.argmin([cost + unit**2 for (_, cost), unit in zip(found, tried, strict=True)]))
        return np.append(found[at][0], tried[at])

    def _line(self, series_ohms: float) -> tuple[FloatArray, float]:
        """Return units and cost by robust least squares on the straight axis."""
        to = self._coordinates
        middle, bounded = self.likelihood.middles
        local = to.du_dcelsius(middle)
        rows = self._own_basis * self.scale * (self._unit / local)[:, None]
        target = (to.u(middle) - to.u(self.response(self.ohms + series_ohms))) / local
        sigma = self.likelihood.most_sigma
        weight = np.where(bounded, 1.0, 0.0)
        for _ in range(4):
            normal = (rows * (weight / sigma**2)[:, None]).T @ rows + np.eye(self.scale.size)
            units = np.linalg.solve(normal, rows.T @ (weight / sigma**2 * target))
            left = (target - rows @ units) / sigma
            weight = np.where(bounded, 1.0 / (1.0 + left**2 / 4.0), 0.0)
        cost = float(np.sum(np.where(bounded, 4.0 * np.log1p(left**2 / 4.0), 0.0)))
        return np.asarray(units, dtype=np.float64), cost + float(units @ units)

    def _information(self, units: FloatArray, best: FloatArray) -> FloatArray:
        """Return what the readings know of the units beside their priors (t, t)."""
        moves = _STEP * np.eye(units.size)
        both = self._predict(np.vstack([units + moves, units - moves]), self.ohms)
        rows = ((both[: units.size] - both[units.size :]) / (2.0 * _STEP)).T
        bounded = self.likelihood.middles[1]
        width = np.where(bounded, self.likelihood.high - self.likelihood.low, 0.0)
        sigma2 = self.likelihood.typical_sigma(best) ** 2 + width**2 / 12.0
        return np.asarray((rows * np.where(bounded, 1.0 / sigma2, 0.0)[:, None]).T @ rows)
