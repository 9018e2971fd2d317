"""Whether an explanation explains: the best of several may still leave the readings unexplained.

Three tests, each with its chance of accusing a right explanation:

- scatter: the squared residuals against the largest honest scatter (chi-square, 1 %);
- shape: a right explanation needs no bending; a smooth line added to it must not make the reports
  likelier than chance allows (likelihood ratio, as the F test that it is for normal residuals,
  1 %; Draper & Smith, Applied Regression Analysis, 1998, 2). It asks for the reports, not for
  their residuals: those of rounding alone are a saw's teeth, as smooth as the error that was
  rounded, and the same on the way up and on the way down;
- share: single wild readings are slips only as long as they are few.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from controller.arrays import FloatArray
from controller.diagnosis.fit import Fit
from controller.diagnosis.likelihood import Likelihood
from controller.diagnosis.result import Misfit
from controller.diagnosis.unknown_curve import legendre, position
from controller.ladder.calibration.least_squares import chi_square_exceeded
from controller.sensors.coordinates import NTC, STRAIGHT

__all__ = ["READINGS_PER_SLIP", "Adequacy", "adequacy"]

READINGS_PER_SLIP = 30
"""One wild reading in so many is a slip; more of them are a finding."""

_CHANCE = 0.01
_MOST_BENDS = 4
_LEAST_SPARE = 4
"""So many readings beyond all that is fitted, or nothing can be said of their shape."""
_STEP_CELSIUS = 1e-3


@dataclass(frozen=True, kw_only=True)
class Adequacy:
    """`slips` are indices of the readings tested; `slips_too_many` when they are no licence."""

    misfit: Misfit
    scatter_passes: bool
    shape_passes: bool
    slips: npt.NDArray[np.intp]
    slips_too_many: bool

    @property
    def fits(self) -> bool:
        """Whether the readings, slips aside, look as this explanation says."""
        return self.scatter_passes and self.shape_passes


def adequacy(one: Fit, ohms: FloatArray, likelihood: Likelihood, *, rising: bool) -> Adequacy:
    """Test a fit against its own readings at `ohms` (n,)."""
    predicted = one.fitted(ohms)
    slips = np.flatnonzero(likelihood.slips(predicted) > 0.5)
    kept = np.ones(ohms.size, dtype=bool)
    kept[slips] = False
    left = likelihood.residuals(likelihood.settled(predicted))
    free = one.hypothesis.free
    scatter = np.sum((left[kept] / likelihood.most_sigma[kept]) ** 2)
    freedom = int(kept.sum()) - free
    scatter_probability = chi_square_exceeded(float(scatter), freedom) if freedom > 0 else 1.0
    worst = int(np.argmax(np.abs(left)))
    return Adequacy(
        misfit=Misfit(
            rms_celsius=float(np.sqrt(np.mean(left**2))),
            worst_celsius=float(left[worst]),
            worst_reading=worst,
            probability=scatter_probability,
        ),
        scatter_passes=scatter_probability >= _CHANCE,
        shape_passes=_bends(one, ohms, likelihood, kept, rising=rising) >= _CHANCE,
        slips=slips,
        slips_too_many=slips.size > ohms.size // READINGS_PER_SLIP,
    )


def _bends(
    one: Fit,
    ohms: FloatArray,
    likelihood: Likelihood,
    kept: npt.NDArray[np.bool_],
    *,
    rising: bool,
) -> float:
    """Return how likely chance alone makes the reports follow a bent prediction so well."""
    kept = kept & _first_of_each(likelihood)
    count = int(kept.sum())
    slopes = _slopes(one, ohms)[kept]
    bends = min(_MOST_BENDS, count - slopes.shape[1] - _LEAST_SPARE)
    if bends < 2:
        return 1.0
    at = position(ohms, ohms, STRAIGHT if rising else NTC)[kept]
    smooth = np.column_stack([slopes, legendre(at, bends)])
    rank = int(np.linalg.matrix_rank(smooth))
    gained = rank - (int(np.linalg.matrix_rank(slopes)) if slopes.shape[1] else 0)
    spare = count - rank
    if gained < 1 or spare < 2:
        return 1.0
    predicted, only = one.fitted(ohms)[kept], likelihood.only(kept)
    fell = _lowest(only, predicted, slopes) - _lowest(only, predicted, smooth)
    # Of normal residuals of unknown size the deviance falls by n ln(before / after).
    ratio = math.expm1(min(max(fell, 0.0) / count, 50.0)) * spare / gained
    from scipy.special import fdtrc

    return float(fdtrc(gained, spare, ratio))


def _first_of_each(likelihood: Likelihood) -> npt.NDArray[np.bool_]:
    """Return which readings (n,) are the first that say what they say.

    A sweep up and down takes each temperature twice, and what the report cuts off comes again with
    it: the second is no witness of a bend.
    """
    first = np.ones(likelihood.low.size, dtype=bool)
    if not likelihood.exact:
        first[:] = False
        first[np.unique(likelihood.middles[0], return_index=True)[1]] = True
    return first


def _lowest(likelihood: Likelihood, predicted: FloatArray, columns: FloatArray) -> float:
    """Return the least deviance of predictions (n,) with any sum of `columns` (n, d) added."""
    from scipy.optimize import minimize

    # Where the report stands still, nothing that a hypothesis turns may move it.
    if not columns.any():
        return float(likelihood.deviance(predicted[None, :])[0])
    left, values, _ = np.linalg.svd(columns, full_matrices=False)
    basis = left[:, values > 1e-6 * values[0]]

    def costs(terms: FloatArray) -> FloatArray:
        return likelihood.deviance(predicted + terms @ basis.T)

    def cost(terms: FloatArray) -> float:
        return float(costs(terms[None, :])[0])

    moves = _STEP_CELSIUS * np.eye(basis.shape[1])

    def slope(terms: FloatArray) -> FloatArray:
        both = costs(np.vstack([terms + moves, terms - moves]))
        return np.asarray((both[: len(moves)] - both[len(moves) :]) / (2.0 * _STEP_CELSIUS))

    squares = likelihood.residuals(predicted) @ basis
    starts = np.vstack([np.zeros(len(moves)), squares])
    start: FloatArray = starts[int(np.argmin(costs(starts)))]
    found = minimize(
        cost,
        start,
        jac=slope,
        method="BFGS",
        options={"maxiter": 40},
    )
    return float(found.fun)


def _slopes(one: Fit, ohms: FloatArray) -> FloatArray:
    """Return the derivatives (n, d) of the prediction, each column scaled to length one."""
    columns = []
    for axis in range(one.inner.size):
        step = 0.05 * math.sqrt(max(float(one.covariance[axis, axis]), 1e-24))
        points = np.vstack([one.inner, one.inner])
        points[0, axis] += step
        points[1, axis] -= step
        up, down = one.hypothesis.predict(points, ohms)
        length = float(np.linalg.norm(up - down))
        if length > 0:
            columns.append((up - down) / length)
    return np.column_stack(columns) if columns else np.zeros((ohms.size, 0))
