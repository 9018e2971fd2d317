"""What a curve may be wrong by: independent sources, each with its correlation over temperature."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from controller.arrays import FloatArray

__all__ = ["PUBLISHED_CELSIUS", "ErrorPart", "covariance_celsius2", "uncertainty_celsius"]

PUBLISHED_CELSIUS = 0.01
"""How well published numbers hold (k = 1) where nothing is said: the Type 1 ratio table and the
equations printed beside it agree within 0.02 degC (reference guide of thermistor curves, 2014)."""


@dataclass(frozen=True, kw_only=True)
class ErrorPart:
    """One source of error at given temperatures, independent of the other parts.

    The error is ``modes @ q`` in degC, with k unknown quantities q of zero mean and unit variance;
    `modes` has the shape of the temperatures and k behind it. The quantities are the same at all
    temperatures, or lose their correlation with distance as ``exp(-(distance/length)^2/2)``.
    """

    name: str
    modes: FloatArray
    length_celsius: float = math.inf


def uncertainty_celsius(parts: Iterable[ErrorPart], celsius: FloatArray) -> FloatArray:
    """Return the standard uncertainty (k = 1) in degC at temperatures of any shape."""
    variance = np.zeros(celsius.shape)
    for part in parts:
        variance = variance + np.sum(part.modes**2, axis=-1)
    return np.asarray(np.sqrt(variance))


def covariance_celsius2(parts: Iterable[ErrorPart], celsius: FloatArray) -> FloatArray:
    """Return the joint covariance in degC^2 at n temperatures: (n, n), positive semidefinite."""
    distance = celsius[:, np.newaxis] - celsius
    covariance = np.zeros(distance.shape)
    for part in parts:
        # The elementwise product of two covariances is one (Schur's product theorem).
        kept = np.exp(-0.5 * (distance / part.length_celsius) ** 2)
        covariance = covariance + part.modes @ part.modes.T * kept
    return np.asarray(covariance)
