"""Whether an explanation explains: the best of several may still leave the readings unexplained.

Three tests, each with its chance of accusing a right explanation:

- scatter: the squared residuals against the largest honest scatter (chi-square, 1 %);
- shape: residuals of a right explanation do not bend; a smooth line through them must not take
  away more than chance allows (F test, 1 %; Draper & Smith, Applied Regression Analysis, 1998, 2);
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
        shape_passes=_bends(
            one, ohms, left, kept, rising=rising, rounding_celsius=likelihood.step_celsius
        )
        >= _CHANCE,
        slips=slips,
        slips_too_many=slips.size > ohms.size // READINGS_PER_SLIP,
    )


def _bends(
    one: Fit,
    ohms: FloatArray,
    left: FloatArray,
    kept: npt.NDArray[np.bool_],
    *,
    rising: bool,
    rounding_celsius: float,
) -> float:
    """Return how likely chance alone makes the residuals (n,) follow a smooth line so well."""
    count = int(kept.sum())
    slopes = _slopes(one, ohms)[kept]
    bends = min(_MOST_BENDS, count - slopes.shape[1] - _LEAST_SPARE)
    if bends < 2:
        return 1.0
    at = position(ohms, ohms, STRAIGHT if rising else NTC)[kept]
    smooth = np.column_stack([slopes, legendre(at, bends)])
    before = _unexplained(slopes, left[kept])
    after = _unexplained(smooth, left[kept])
    rank = int(np.linalg.matrix_rank(smooth))
    gained = rank - (int(np.linalg.matrix_rank(slopes)) if slopes.shape[1] else 0)
    spare = count - rank
    if gained < 1 or spare < 2 or before <= 0.0:
        return 1.0
    ratio = ((before - after) / gained) / max(after / spare, rounding_celsius**2 / 12.0, 1e-9)
    from scipy.special import fdtrc

    return float(fdtrc(gained, spare, max(ratio, 0.0)))


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


def _unexplained(columns: FloatArray, values: FloatArray) -> float:
    if columns.shape[1] == 0:
        return float(values @ values)
    found, *_ = np.linalg.lstsq(columns, values, rcond=None)
    return float(np.sum((values - columns @ found) ** 2))
