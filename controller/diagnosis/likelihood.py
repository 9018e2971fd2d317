"""How likely the reported temperatures are, given what the module would see.

Knows: a normal noise before rounding, the report's rounding cell, rare slips.
Must not know: which fault gave the prediction, or what follows from the likelihood.

A report of 85 degC with a resolution of 1 degC says that the temperature lay in a cell one degree
wide: its probability is that of a normal value falling into the cell (interval-censored, not
rounded residuals squared). A report at the end of the module's range stands for everything
beyond, and the same formula holds.

The noise before rounding is mostly unknown and hardly visible through 1 degC steps. Where it is
not given it is integrated out over a log-normal prior (a sum over a few values): then a short list
of readings can neither claim a noise of zero nor hide a fault in a huge one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from controller.arrays import FloatArray
from controller.diagnosis.readings import Readings, cell_edges

__all__ = ["SLIP_PROBABILITY", "Likelihood", "likelihood_of"]

SLIP_PROBABILITY = 1e-3
"""One reading in a thousand is taken to be a slip of the pen: anything, evenly spread."""
_SLIP_SPAN_CELSIUS = 300.0

_NOISE_OVER_STEP = np.geomspace(0.05, 4.0, 9)
_NOISE_CENTRE = 0.35
_NOISE_LOG_SD = 1.0


@dataclass(frozen=True, kw_only=True)
class Likelihood:
    """The readings' side of the comparison: cells (n,), noises (s,) and their weights (s,)."""

    low: FloatArray
    high: FloatArray
    sigma: FloatArray
    log_weight: FloatArray
    exact: bool

    def deviance(self, predicted_celsius: FloatArray) -> FloatArray:
        """Return -2 ln(likelihood) for predictions of shape (m, n): shape (m,)."""
        each = self._probability(predicted_celsius)
        logs = np.log(each).sum(axis=-1) + self.log_weight[:, None]
        most = logs.max(axis=0)
        return np.asarray(-2.0 * (most + np.log(np.exp(logs - most).sum(axis=0))))

    def typical_sigma(self, predicted_celsius: FloatArray) -> float:
        """Return the noise these predictions (n,) speak for, in degC."""
        each = self._probability(predicted_celsius[None, :])
        logs = np.log(each).sum(axis=-1)[:, 0] + self.log_weight
        weight = np.exp(logs - logs.max())
        per_value = np.sqrt(np.mean(self.sigma**2, axis=1))
        return float(np.sum(weight * per_value) / np.sum(weight))

    def slips(self, predicted_celsius: FloatArray) -> FloatArray:
        """Return, for predictions (n,), the probability (n,) that each reading is a slip."""
        each = self._probability(predicted_celsius[None, :])
        logs = np.log(each).sum(axis=-1)[:, 0] + self.log_weight
        weight = np.exp(logs - logs.max())
        share = self._slip_floor() / each[:, 0, :]
        return np.asarray((weight[:, None] * share).sum(axis=0) / weight.sum())

    def _slip_floor(self) -> FloatArray:
        width = np.ones_like(self.low) if self.exact else self.high - self.low
        return SLIP_PROBABILITY * np.minimum(width / _SLIP_SPAN_CELSIUS, 1.0)

    def _probability(self, predicted: FloatArray) -> FloatArray:
        """Return the probability (density, when nothing is rounded) of each reading: (s, m, n)."""
        from scipy.special import ndtr

        sigma = self.sigma[:, None, :]
        if self.exact:
            z = (self.low - predicted) / sigma
            inside = np.exp(-0.5 * z**2) / (sigma * np.sqrt(2.0 * np.pi))
        else:
            inside = ndtr((self.high - predicted) / sigma) - ndtr((self.low - predicted) / sigma)
        return np.asarray((1.0 - SLIP_PROBABILITY) * inside + self._slip_floor())


def likelihood_of(readings: Readings, *, noise_celsius: float | None) -> Likelihood:
    """Return the likelihood of readings; `noise_celsius` None when it is not known.

    The noise and each reading's own uncertainty are independent and add in squares.
    """
    step = readings.reporting.resolution_celsius
    low, high = cell_edges(readings.reported_celsius, readings.reporting)
    if noise_celsius is not None:
        noises, weights = np.array([noise_celsius]), np.zeros(1)
    else:
        # Without rounding there is no natural scale; a tenth of a degree is a good readback.
        scale = step if step > 0 else 0.5
        noises = scale * _NOISE_OVER_STEP
        z = np.log(_NOISE_OVER_STEP / _NOISE_CENTRE) / _NOISE_LOG_SD
        weights = -0.5 * z**2
        weights -= np.log(np.exp(weights).sum())
    least = max(1e-3, 0.02 * step)
    sigma = np.sqrt(np.maximum(noises, least)[:, None] ** 2 + readings.uncertainty_celsius**2)
    return Likelihood(
        low=low, high=high, sigma=sigma, log_weight=weights, exact=bool(np.all(low == high))
    )
