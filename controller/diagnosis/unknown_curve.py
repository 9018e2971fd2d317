"""A module that follows a smooth curve nobody has named: another sensor, or several faults at once.

Against the plan's curve in straight coordinates (1/T against ln R where resistance falls) another
thermistor is off by a straight line and a little bending; a rising sensor likewise in degC against
ohm. So the deviation is a sum of Legendre polynomials with normal priors. Two priors are tried:
that of another sensor (IEC 60539-1: size and B value differ, the rest hardly), and one that bends
to anything smooth. Neither is ever a diagnosis: it is what a named fault has to beat.
"""

from __future__ import annotations

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
        _Smooth(ohms=ohms, response=response, likelihood=likelihood, rising=rising, scale=scale)
        for scale in (_ANOTHER_SENSOR_CELSIUS, _ANYTHING_SMOOTH_CELSIUS)
    ]
    return max((one.fitted() for one in fits), key=lambda fit: fit.log_evidence)


@dataclass(frozen=True, kw_only=True)
class _Smooth:
    ohms: FloatArray
    response: Response
    likelihood: Likelihood
    rising: bool
    scale: tuple[float, ...]

    def fitted(self) -> Fit:
        from scipy.optimize import minimize

        found = minimize(
            self._cost, self._start(), jac=self._slope, method="BFGS", options={"maxiter": 60}
        )
        terms = np.asarray(found.x, dtype=np.float64)
        best = self._predict(terms[None, :], self.ohms)[0]
        deviance = float(self.likelihood.deviance(best[None, :])[0])
        information = self._information(best)
        size = len(self.scale)
        _, log_det = np.linalg.slogdet(np.eye(size) + information)
        free = float(np.trace(np.linalg.solve(np.eye(size) + information, information)))
        scaled = terms / np.array(self.scale)
        log_evidence = -0.5 * (deviance + float(scaled @ scaled) + float(log_det)) - math.log(2.0)

        def predict(inner: FloatArray, ohms: FloatArray) -> FloatArray:
            return np.broadcast_to(self._predict(terms[None, :], ohms), (len(inner), len(ohms)))

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

    def _unit(self) -> float:
        """Return one degC in the middle of the readings, on the straight axis."""
        middle = np.median(self.response(self.ohms))
        return float(self._coordinates.du_dcelsius(np.array([middle]))[0])

    def _predict(self, terms: FloatArray, ohms: FloatArray) -> FloatArray:
        to = self._coordinates
        basis = legendre(position(ohms, self.ohms, to), len(self.scale))
        moved = to.u(self.response(ohms)) + self._unit() * (terms @ basis.T)
        ends = np.sort(to.u(np.array([-200.0, 900.0])))
        return np.asarray(to.celsius(np.clip(moved, *ends)))

    def _cost(self, terms: FloatArray) -> float:
        return float(self._costs(np.asarray(terms)[None, :])[0])

    def _costs(self, terms: FloatArray) -> FloatArray:
        price = np.sum((terms / np.array(self.scale)) ** 2, axis=1)
        return self.likelihood.deviance(self._predict(terms, self.ohms)) + price

    def _slope(self, terms: FloatArray) -> FloatArray:
        step = 1e-4
        moves = step * np.eye(len(self.scale))
        costs = self._costs(np.vstack([terms + moves, terms - moves]))
        return (costs[: len(self.scale)] - costs[len(self.scale) :]) / (2.0 * step)

    def _start(self) -> FloatArray:
        """Return the terms by least squares on the straight axis, strangers weighing little."""
        to = self._coordinates
        middle, bounded = self.likelihood.middles()
        basis = legendre(position(self.ohms, self.ohms, to), len(self.scale))
        local = to.du_dcelsius(middle)
        rows = basis * (self._unit() / local)[:, None]
        target = (to.u(middle) - to.u(self.response(self.ohms))) / local
        sigma = self.likelihood.most_sigma
        weight = np.where(bounded, 1.0, 0.0)
        terms = np.zeros(len(self.scale))
        for _ in range(6):
            normal = (rows * (weight / sigma**2)[:, None]).T @ rows
            normal += np.diag(1.0 / np.array(self.scale) ** 2)
            terms = np.linalg.solve(normal, rows.T @ (weight / sigma**2 * target))
            left = (target - rows @ terms) / (2.0 * sigma)
            weight = np.where(bounded, 1.0 / (1.0 + left**2), 0.0)
        return terms

    def _information(self, best: FloatArray) -> FloatArray:
        """Return what the readings know of the terms, in units of their priors (t, t)."""
        to = self._coordinates
        basis = legendre(position(self.ohms, self.ohms, to), len(self.scale))
        rows = basis * (self._unit() / to.du_dcelsius(best))[:, None] * np.array(self.scale)
        width = np.where(self.likelihood.middles()[1], self.likelihood.high - self.likelihood.low, 0)
        sigma2 = self.likelihood.typical_sigma(best) ** 2 + width**2 / 12.0
        weight = np.where(self.likelihood.middles()[1], 1.0 / sigma2, 0.0)
        return np.asarray((rows * weight[:, None]).T @ rows)
