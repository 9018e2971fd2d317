"""How likely the reported temperatures are, given what the module would see.

Three things part a report from what the module would see: noise before rounding, the rounding
cell, and rare slips. A report of 85 degC with a resolution of 1 degC says that the temperature lay
in a cell one degree wide: its probability is that of a normal value falling into the cell
(interval-censored, not rounded residuals squared). A report at the end of the module's range
stands for everything beyond, and the same formula holds.

The noise before rounding is mostly unknown and hardly visible through 1 degC steps. Where it is
not given it is integrated out over a log-normal prior (a sum over a few values) that ends below
one step: a module whose readings scatter more than they are rounded is itself a finding, and no
hypothesis may hide its misfit in a large noise.

A fourth thing is common to the readings: what the plan's curve and the ladder's rungs are off by.
It is a vector `shared @ z` with standard normal `z`, integrated out by the Laplace approximation:
the likeliest `z` is linear in the residuals, and its price is `z . z`. The determinant is the same
for all hypotheses and left out.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from controller.arrays import FloatArray
from controller.diagnosis.readings import Readings, cell_edges

__all__ = ["SLIP_PROBABILITY", "Likelihood", "likelihood_of", "shared_factor"]

SLIP_PROBABILITY = 1e-3
"""One reading in a thousand is taken to be a slip of the pen: anything, evenly spread."""
_SLIP_SPAN_CELSIUS = 300.0

_LEAST_SCALE_CELSIUS = 0.5
"""A finer report does not make the module's converter and filter quieter."""
_MOST_NOISE_OVER_SCALE = 0.7
_NOISE_OVER_SCALE = np.geomspace(0.03, _MOST_NOISE_OVER_SCALE, 7)
"""A quiet module must be free to be quiet: with more noise than it has, where the reports change
would seem left to chance, and two faults at once better than the one that sets those places."""
_NOISE_CENTRE = 0.35
_NOISE_LOG_SD = 0.6
_CLIP = 4.0
"""Residuals beyond so many deviations do not move what the readings have in common."""


@dataclass(frozen=True, kw_only=True)
class Likelihood:
    """The readings' side of the comparison: cells (n,), noises (s,) and their weights (s,).

    `sigma` is (s, n), `shared` (n, q) with q possibly 0; `most_sigma` (n,) is the largest honest
    scatter of each reading about its prediction, rounding included.
    """

    low: FloatArray
    high: FloatArray
    sigma: FloatArray
    log_weight: FloatArray
    exact: bool
    shared: FloatArray
    most_sigma: FloatArray
    step_celsius: float

    def only(self, chosen: npt.NDArray[np.bool_]) -> Likelihood:
        """Return the likelihood of some of the readings, as a mask (n,) chooses them."""
        return replace(
            self,
            low=self.low[chosen],
            high=self.high[chosen],
            sigma=self.sigma[:, chosen],
            shared=self.shared[chosen],
            most_sigma=self.most_sigma[chosen],
        )

    def deviance(self, predicted_celsius: FloatArray) -> FloatArray:
        """Return -2 ln(likelihood) for predictions of shape (m, n): shape (m,)."""
        shifted, price = self._with_shared(predicted_celsius)
        logs = np.log(self.probability(shifted)).sum(axis=-1) + self.log_weight[:, None]
        most = logs.max(axis=0)
        return np.asarray(-2.0 * (most + np.log(np.exp(logs - most).sum(axis=0))) + price)

    def settled(self, predicted_celsius: FloatArray) -> FloatArray:
        """Return predictions (n,) with what curve and ladder are likeliest off by."""
        return np.asarray(self._with_shared(predicted_celsius[None, :])[0][0])

    def typical_sigma(self, predicted_celsius: FloatArray) -> float:
        """Return the noise these predictions (n,) speak for, in degC."""
        weight = self._noise_weight(self.probability(self.settled(predicted_celsius)[None, :]))
        per_value = np.sqrt(np.mean(self.sigma**2, axis=1))
        return float(np.sum(weight * per_value) / np.sum(weight))

    def slips(self, predicted_celsius: FloatArray) -> FloatArray:
        """Return, for predictions (n,), the probability (n,) that each reading is a slip."""
        each = self.probability(self.settled(predicted_celsius)[None, :])
        weight = self._noise_weight(each)
        share = self.slip_floor / each[:, 0, :]
        return np.asarray((weight[:, None] * share).sum(axis=0) / weight.sum())

    @functools.cached_property
    def middles(self) -> tuple[FloatArray, npt.NDArray[np.bool_]]:
        """Each reading as one temperature (n,), and whether (n,) it is bounded."""
        low = np.where(np.isfinite(self.low), self.low, self.high)
        high = np.where(np.isfinite(self.high), self.high, self.low)
        return (low + high) / 2, np.isfinite(self.low) & np.isfinite(self.high)

    def residuals(self, predicted_celsius: FloatArray) -> FloatArray:
        """Return readings less predictions (..., n); zero where a limit says no more."""
        middle, bounded = self.middles
        short = np.minimum(predicted_celsius - self.low, 0.0)
        over = np.maximum(predicted_celsius - self.high, 0.0)
        beyond = -(short + over)
        return np.asarray(np.where(bounded, middle - predicted_celsius, beyond))

    @functools.cached_property
    def slip_floor(self) -> FloatArray:
        """What each reading (n,) is likely by as a slip alone."""
        width = np.ones_like(self.low) if self.exact else self.high - self.low
        return SLIP_PROBABILITY * np.minimum(width / _SLIP_SPAN_CELSIUS, 1.0)

    def probability(self, predicted: FloatArray) -> FloatArray:
        """Return the probability (density, when nothing is rounded) of each reading: (s, m, n)."""
        from scipy.special import ndtr

        sigma = self.sigma[:, None, :]
        if self.exact:
            z = (self.low - predicted) / sigma
            inside = np.exp(-0.5 * z**2) / (sigma * np.sqrt(2.0 * np.pi))
        else:
            inside = ndtr((self.high - predicted) / sigma) - ndtr((self.low - predicted) / sigma)
        return np.asarray((1.0 - SLIP_PROBABILITY) * inside + self.slip_floor)

    def _noise_weight(self, each: FloatArray) -> FloatArray:
        logs = np.log(each).sum(axis=-1)[:, 0] + self.log_weight
        return np.asarray(np.exp(logs - logs.max()))

    def _with_shared(self, predicted: FloatArray) -> tuple[FloatArray, FloatArray | float]:
        if self.shared.shape[1] == 0:
            return predicted, 0.0
        left = self.residuals(predicted)
        gain = self._shared_gain
        common = (left @ gain) @ self.shared.T
        # Once more without the strangers, or one slip would bend the curve for all.
        limit = _CLIP * self.most_sigma
        z = (common + np.clip(left - common, -limit, limit)) @ gain
        return predicted + z @ self.shared.T, np.sum(z**2, axis=-1)

    @functools.cached_property
    def _shared_gain(self) -> FloatArray:
        """The matrix (n, q) that makes the likeliest z of residuals."""
        middle = self.sigma[int(np.argmax(self.log_weight))]
        width = np.where(np.isfinite(self.high - self.low), self.high - self.low, np.inf)
        weight = 1.0 / (middle**2 + width**2 / 12.0)
        weighted = self.shared * weight[:, None]
        inner = np.eye(self.shared.shape[1]) + self.shared.T @ weighted
        return np.asarray(np.linalg.solve(inner, weighted.T).T)


def likelihood_of(
    readings: Readings, *, noise_celsius: float | None, shared: FloatArray | None = None
) -> Likelihood:
    """Return the likelihood of readings; `noise_celsius` None when it is not known.

    The noise and each reading's own uncertainty are independent and add in squares. `shared`
    (n, q) is what the readings have in common, see `shared_factor`.
    """
    step = readings.reporting.resolution_celsius
    low, high = cell_edges(readings.reported_celsius, readings.reporting)
    scale = max(step, _LEAST_SCALE_CELSIUS)
    if noise_celsius is not None:
        noises, weights = np.array([noise_celsius]), np.zeros(1)
    else:
        noises = scale * _NOISE_OVER_SCALE
        z = np.log(_NOISE_OVER_SCALE / _NOISE_CENTRE) / _NOISE_LOG_SD
        weights = -0.5 * z**2
        weights -= np.log(np.exp(weights).sum())
    least = max(1e-3, 0.02 * step)
    sigma = np.sqrt(np.maximum(noises, least)[:, None] ** 2 + readings.uncertainty_celsius**2)
    return Likelihood(
        low=low,
        high=high,
        sigma=sigma,
        log_weight=weights,
        exact=bool(np.all(low == high)),
        shared=np.zeros((low.size, 0)) if shared is None else shared,
        most_sigma=np.sqrt(sigma[-1] ** 2 + step**2 / 12.0),
        step_celsius=step,
    )


def shared_factor(covariance_celsius2: FloatArray, *, least_celsius: float = 0.02) -> FloatArray:
    """Return F (n, q) with F F' the covariance (n, n), leaving out what is smaller than matters.

    A direction in which all readings together move by less than `least_celsius` each cannot be
    seen.
    """
    values, vectors = np.linalg.eigh(covariance_celsius2)
    kept = values > covariance_celsius2.shape[0] * least_celsius**2 * 0.1
    return np.asarray(vectors[:, kept] * np.sqrt(values[kept]))
