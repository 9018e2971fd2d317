"""Least squares with covariance, and least squares under a restraint."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from controller.arrays import FloatArray

__all__ = ["Solution", "chi_square_exceeded", "least_squares", "restrained_coefficients"]


@dataclass(frozen=True, kw_only=True)
class Solution:
    """Estimates (p,), their covariance (p, p), residuals (m,) in units of the observations.

    `weighted_residuals` (m,) are those of the decorrelated observations, without unit.
    `chi_square` is the weighted sum of squared residuals. `scale` is the standard deviation of
    unit weight, found from the residuals when it was not known beforehand, else 1. `leverages`
    (m,), from 0 to 1, are how far each of the decorrelated observations decides its own fit, and
    `gains` (p, m) how far each moves each estimate.
    """

    values: FloatArray
    covariance: FloatArray
    residuals: FloatArray
    weighted_residuals: FloatArray
    chi_square: float
    degrees_of_freedom: int
    leverages: FloatArray
    gains: FloatArray
    scale: float = 1.0

    @property
    def uncertainties(self) -> FloatArray:
        """Standard uncertainties (p,)."""
        return np.asarray(np.sqrt(np.diag(self.covariance)))

    @property
    def correlation(self) -> FloatArray:
        """Correlation coefficients (p, p)."""
        return np.asarray(self.covariance / np.outer(self.uncertainties, self.uncertainties))

    def combined(self, weights: npt.ArrayLike) -> tuple[float, float]:
        """Return the value and the standard uncertainty of a weighted sum of the estimates.

        Covariances included (JCGM 100:2008, 5.2.2, equation 13).
        """
        sensitivity = np.asarray(weights, dtype=np.float64)
        variance = float(sensitivity @ self.covariance @ sensitivity)
        return float(sensitivity @ self.values), float(np.sqrt(max(variance, 0.0)))


def least_squares(
    design: npt.ArrayLike,
    observations: npt.ArrayLike,
    *,
    covariance: npt.ArrayLike | None = None,
) -> Solution:
    """Return the solution of ``design (m, p) @ values = observations (m,)``.

    With the observations' `covariance` (m, m) known, the estimates' covariance follows from it
    (generalised least squares, Aitken). Without it all weigh the same and the residuals give the
    scale (JCGM 100:2008, H.3). Raises ValueError when the design does not determine all values.
    """
    matrix = np.asarray(design, dtype=np.float64)
    observed = np.asarray(observations, dtype=np.float64)
    count, size = matrix.shape
    root = np.eye(count) if covariance is None else np.linalg.cholesky(np.asarray(covariance))
    white = np.linalg.solve(root, matrix)
    target = np.linalg.solve(root, observed)
    # Columns of one length, so that the rank does not depend on the units.
    length = np.linalg.norm(white, axis=0)
    length[length == 0.0] = 1.0
    left, singular, right = np.linalg.svd(white / length, full_matrices=False)
    if count < size or singular[-1] <= singular[0] * 1e-12 * max(count, size):
        raise ValueError("the design does not determine all values")
    gains = np.asarray((right.T / singular) @ left.T / length[:, None])
    values = (right.T @ ((left.T @ target) / singular)) / length
    whole = (right.T / singular**2) @ right / np.outer(length, length)
    residuals = observed - matrix @ values
    weighted = target - white @ values
    chi_square = float(np.sum(weighted**2))
    freedom = count - size
    scale = 1.0
    if covariance is None:
        if freedom == 0:
            raise ValueError("without residuals nothing shows the uncertainty")
        scale = float(np.sqrt(chi_square / freedom))
    return Solution(
        values=values,
        covariance=np.asarray(whole * scale**2),
        residuals=residuals,
        weighted_residuals=weighted,
        chi_square=chi_square,
        degrees_of_freedom=freedom,
        leverages=np.sum(left**2, axis=1),
        gains=gains,
        scale=scale,
    )


def restrained_coefficients(
    design: npt.ArrayLike, restraint: npt.ArrayLike
) -> tuple[FloatArray, FloatArray]:
    """Return how the estimates of a weighing design follow from observations and restraint.

    ``design`` (m, p) compares values that only differences of which are observed; `restraint`
    (p,) is the combination whose value is known. Returns coefficients (m + 1, p), so that
    ``estimates = [observations..., restraint value] @ coefficients``, and the factors K1 (p,) by
    which the standard deviation of one observation gives that of each estimate (NIST/SEMATECH
    e-Handbook of Statistical Methods, 2.3.4). Raises ValueError when the restraint does not
    complete the design.
    """
    matrix = np.asarray(design, dtype=np.float64)
    known = np.asarray(restraint, dtype=np.float64)
    size = matrix.shape[1]
    bordered = np.zeros((size + 1, size + 1))
    bordered[:size, :size] = matrix.T @ matrix
    bordered[:size, size] = bordered[size, :size] = known
    if np.linalg.matrix_rank(bordered) <= size:
        raise ValueError("the restraint does not complete the design")
    inverse = np.linalg.inv(bordered)
    coefficients = np.vstack([matrix @ inverse[:size, :size], inverse[size, :size]])
    return coefficients, np.asarray(np.sqrt(np.maximum(np.diag(inverse)[:size], 0.0)))


def chi_square_exceeded(chi_square: float, degrees_of_freedom: float) -> float:
    """Return the probability of at least this chi-square by chance; 1 without freedom."""
    from scipy.special import chdtrc

    return float(chdtrc(degrees_of_freedom, chi_square)) if degrees_of_freedom > 0 else 1.0
