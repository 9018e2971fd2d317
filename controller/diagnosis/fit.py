"""The best parameters of a hypothesis, how far each can go, and how much the readings speak for it.

The deviance is -2 ln(likelihood). A coarse robust search finds the valley, Gauss-Newton steps its
floor, a grid on the scale of the standard errors the lowest point: rounding makes the deviance a
landscape of terraces, on which a gradient would get stuck and a grid does not. The same grid sums
up the evidence: the likelihood averaged over all parameters that were possible before the
readings (Kass & Raftery 1995, JASA 90, 773, section 4). A hypothesis that can bend to anything
gains little from having bent to these readings.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from controller.arrays import FloatArray
from controller.diagnosis.hypotheses import Hypothesis
from controller.diagnosis.likelihood import Likelihood

__all__ = [
    "CONFIDENCE",
    "Fit",
    "Interval",
    "confidence_rise",
    "fit",
    "profile_intervals",
    "rough_cost",
]

CONFIDENCE = 0.95
"""Of every interval; both ends together."""

_REACH = 6.0
"""How many standard errors around the Gauss-Newton point the grid covers."""
_ROUNDS = 4


@dataclass(frozen=True, kw_only=True)
class Interval:
    """A named parameter with its 95 % profile-likelihood interval; an end is None if unbounded."""

    name: str
    value: float | None
    low: float | None
    high: float | None


@dataclass(frozen=True, kw_only=True)
class Fit:
    """A hypothesis at its best: inner parameters (d,), deviance, covariance (d, d) of the start.

    `log_evidence` is the logarithm of the likelihood averaged over the prior. A hypothesis that
    says something else of each reading than of its resistance gives `at_readings` (n,) in degC,
    and the indices of those that are `jumping`; one that is not fitted by its parameters brings
    what is `known` of them.
    """

    hypothesis: Hypothesis
    inner: FloatArray
    deviance: float
    covariance: FloatArray
    log_evidence: float
    at_readings: FloatArray | None = None
    jumping: npt.NDArray[np.intp] | None = None
    known: tuple[Interval, ...] = ()

    def predict(self, ohms: FloatArray) -> FloatArray:
        """Return the temperatures in degC (n,) the module would see."""
        return np.asarray(self.hypothesis.predict(self.inner[None, :], ohms)[0])

    def fitted(self, ohms: FloatArray) -> FloatArray:
        """Return the temperatures in degC (n,) of the readings that were fitted."""
        return self.predict(ohms) if self.at_readings is None else self.at_readings


def fit(hypothesis: Hypothesis, ohms: FloatArray, likelihood: Likelihood) -> Fit:
    """Return the parameters that make the readings at `ohms` (n,) likeliest."""
    size = len(hypothesis.parameters)
    if size == 0:
        prediction = hypothesis.predict(np.zeros((1, 0)), ohms)
        deviance = float(likelihood.deviance(prediction)[0])
        return Fit(
            hypothesis=hypothesis,
            inner=np.zeros(0),
            deviance=deviance,
            covariance=np.zeros((0, 0)),
            log_evidence=-0.5 * deviance,
        )
    bounds = _bounds(hypothesis)
    best, covariance = _valley(hypothesis, ohms, likelihood)
    axes = _axes(covariance)
    count = 49 if size == 1 else 21
    centre, reach = best, np.full(size, _REACH)
    deviance, log_evidence = np.inf, -np.inf
    for _ in range(_ROUNDS):
        offsets = [np.linspace(-one, one, count) for one in reach]
        points, inside = _points(centre, axes, offsets, bounds)
        deviances = likelihood.deviance(hypothesis.predict(points, ohms))
        at = int(np.argmin(deviances))
        if deviances[at] <= deviance:
            best, deviance = points[at], float(deviances[at])
        logs = -0.5 * deviances + _log_prior(hypothesis, points)
        logs = np.where(inside, logs, -np.inf)
        most = float(logs.max())
        spacing = 2.0 * reach / (count - 1)
        weight = np.exp(logs - most) if np.isfinite(most) else np.zeros(logs.shape)
        total = float(weight.sum())
        if total == 0.0:
            break
        volume = np.log(np.abs(np.linalg.det(axes))) + np.log(spacing).sum()
        log_evidence = most + math.log(total) + float(volume)
        mesh = _mesh(offsets)
        middle = weight @ mesh / total
        spread = np.sqrt(np.maximum(weight @ (mesh - middle) ** 2 / total, 0.0))
        # Good enough: the hill is neither a needle between grid points nor cut off at the edge.
        if np.all((spread > 0.8 * spacing) & (spread < 0.4 * reach)):
            break
        centre = centre + axes @ middle
        reach = np.clip(5.0 * np.maximum(spread, 0.3 * spacing), 0.1 * reach, 4.0 * reach)
    best, deviance = _zoomed(hypothesis, ohms, likelihood, best, deviance, axes, spacing)
    return Fit(
        hypothesis=hypothesis,
        inner=best,
        deviance=deviance,
        covariance=covariance,
        log_evidence=log_evidence,
    )


def _zoomed(
    hypothesis: Hypothesis,
    ohms: FloatArray,
    likelihood: Likelihood,
    best: FloatArray,
    deviance: float,
    axes: FloatArray,
    spacing: FloatArray,
) -> tuple[FloatArray, float]:
    """Return the lowest point within a grid step of the best one, and its deviance."""
    count = 17 if best.size == 1 else 9
    for _ in range(2):
        offsets = [np.linspace(-1.2 * one, 1.2 * one, count) for one in spacing]
        points, _inside = _points(best, axes, offsets, _bounds(hypothesis))
        deviances = likelihood.deviance(hypothesis.predict(points, ohms))
        at = int(np.argmin(deviances))
        if deviances[at] <= deviance:
            best, deviance = points[at], float(deviances[at])
        spacing = 2.4 * spacing / (count - 1)
    return best, deviance


def _log_prior(hypothesis: Hypothesis, points: FloatArray) -> FloatArray:
    """Return the logarithm of the prior density (m,) at inner parameters (m, d)."""
    return np.asarray(
        sum(
            parameter.log_prior(points[:, axis])
            for axis, parameter in enumerate(hypothesis.parameters)
        )
    )


def rough_cost(hypothesis: Hypothesis, ohms: FloatArray, likelihood: Likelihood) -> float:
    """Return how badly the best of the starting points misses the readings; cheap."""
    target, scale = _middles(likelihood)
    left = (hypothesis.predict(_starts(hypothesis), ohms) - target) / scale
    return float(np.log1p(left**2).sum(axis=1).min())


def _starts(hypothesis: Hypothesis) -> FloatArray:
    return np.array(list(itertools.product(*(p.starts for p in hypothesis.parameters))))


def confidence_rise(*, count: int, free: int, noise_known: bool) -> float:
    """Return how far the deviance rises at the ends of a 95 % interval.

    Chi-square with one degree of freedom when the noise is known; when the same `count` readings
    have to show it, the square of Student's t for what they leave over (Bates & Watts, Nonlinear
    Regression Analysis and Its Applications, 1988, 6.1).
    """
    from scipy.special import ndtri, stdtrit

    quantile = (1 + CONFIDENCE) / 2
    if noise_known:
        return float(ndtri(quantile)) ** 2
    return float(stdtrit(max(count - free, 1), quantile)) ** 2


def profile_intervals(found: Fit, ohms: FloatArray, likelihood: Likelihood) -> tuple[Interval, ...]:
    """Return the 95 % interval of every parameter: the others are free to follow.

    The outermost crossings count, so a deviance with terraces gives the wider interval. A fault
    that cannot be told from none reaches to the value of no fault (a leakage to None: infinite).
    """
    intervals = []
    rise = confidence_rise(
        count=ohms.size, free=found.hypothesis.free, noise_known=likelihood.sigma.shape[0] == 1
    )
    for axis, parameter in enumerate(found.hypothesis.parameters):
        low = _crossing(found, axis, -rise, ohms, likelihood)
        high = _crossing(found, axis, +rise, ohms, likelihood)
        ends = [parameter.to_outer(low), parameter.to_outer(high)]
        intervals.append(
            Interval(
                name=parameter.name,
                value=_finite(parameter.to_outer(float(found.inner[axis]))),
                low=_finite(min(ends)),
                high=_finite(max(ends)),
            )
        )
    return tuple(intervals)


def _finite(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def _valley(
    hypothesis: Hypothesis, ohms: FloatArray, likelihood: Likelihood
) -> tuple[FloatArray, FloatArray]:
    """Return a point near the optimum (d,) and the covariance (d, d) on which to look around it."""
    target, scale = _middles(likelihood)
    bounds = _bounds(hypothesis)

    def residuals(points: FloatArray) -> FloatArray:
        return (hypothesis.predict(points, ohms) - target) / scale

    starts = _starts(hypothesis)
    # Grows with the logarithm only: one gross slip must not choose the valley.
    cost = np.log1p(residuals(starts) ** 2).sum(axis=1)
    best = starts[int(np.argmin(cost))]
    best_cost = float(cost.min())
    covariance = np.diag(np.maximum(np.abs(best), 1e-6) ** 2)
    for _ in range(12):
        slopes, here = _slopes(residuals, best, hypothesis)
        weight = 1.0 / (1.0 + here**2)
        # Readings that say nothing of a parameter leave it anywhere within its bounds.
        normal = (slopes * weight) @ slopes.T + np.diag((4.0 / (bounds[1] - bounds[0])) ** 2)
        damping = 1e-9 * np.trace(normal) + 1e-300
        # Scaled, since a conductance and a logarithm differ by many powers of ten.
        size = 1.0 / np.sqrt(np.diag(normal) + damping)
        scaled = normal * size[:, None] * size + 1e-6 * np.eye(best.size)
        covariance = np.linalg.inv(scaled) * size[:, None] * size
        step = -covariance @ ((slopes * weight) @ here)
        for share in (1.0, 0.3, 0.1, 0.03):
            trial = np.clip(best + share * step, *bounds)
            trial_cost = float(np.log1p(residuals(trial[None, :]) ** 2).sum())
            if trial_cost < best_cost:
                break
        else:
            break
        done = best_cost - trial_cost < 1e-6
        best, best_cost = trial, trial_cost
        if done:
            break
    return best, covariance


def _middles(likelihood: Likelihood) -> tuple[FloatArray, FloatArray]:
    """Return each reading as one temperature (n,) and its scale (n,), for the rough search."""
    middle, bounded = likelihood.middles
    sigma = likelihood.sigma[likelihood.sigma.shape[0] // 2]
    width = np.where(bounded, likelihood.high - likelihood.low, np.inf)
    return middle, np.sqrt(sigma**2 + width**2 / 12.0)


def _slopes(
    residuals: Callable[[FloatArray], FloatArray],
    point: FloatArray,
    hypothesis: Hypothesis,
) -> tuple[FloatArray, FloatArray]:
    """Return the residuals' derivatives (d, n) and the residuals (n,) at a point."""
    steps = []
    for value, parameter in zip(point, hypothesis.parameters, strict=True):
        spread = float(np.min(np.abs(np.diff(parameter.starts))))
        steps.append(max(1e-4 * abs(value), 1e-3 * spread))
    moved = point + np.diag(steps)
    values = residuals(np.vstack([point[None, :], moved]))
    return (values[1:] - values[0]) / np.array(steps)[:, None], values[0]


def _bounds(hypothesis: Hypothesis) -> tuple[FloatArray, FloatArray]:
    """Return the lower and the upper bounds of all parameters, (d,) each."""
    return (
        np.array([parameter.lowest for parameter in hypothesis.parameters]),
        np.array([parameter.highest for parameter in hypothesis.parameters]),
    )


def _axes(covariance: FloatArray) -> FloatArray:
    """Return a matrix whose columns are one standard error long and uncorrelated."""
    size = np.sqrt(np.diag(covariance))
    values, vectors = np.linalg.eigh(covariance / size[:, None] / size)
    return np.asarray(size[:, None] * vectors * np.sqrt(np.maximum(values, 1e-12)))


def _mesh(offsets: list[FloatArray]) -> FloatArray:
    return np.stack(np.meshgrid(*offsets, indexing="ij"), axis=-1).reshape(-1, len(offsets))


def _points(
    centre: FloatArray,
    axes: FloatArray,
    offsets: list[FloatArray],
    bounds: tuple[FloatArray, FloatArray],
) -> tuple[FloatArray, npt.NDArray[np.bool_]]:
    """Return grid points (m, d) pushed back inside the bounds, and which (m,) were inside."""
    points = centre + _mesh(offsets) @ axes.T
    return np.clip(points, *bounds), np.all((points >= bounds[0]) & (points <= bounds[1]), axis=1)


def _crossing(
    found: Fit, axis: int, signed_rise: float, ohms: FloatArray, likelihood: Likelihood
) -> float:
    """Return the inner value at which the profile has risen enough; +-inf if it never does.

    The sign of `signed_rise` is the side. Reaches out by doubling until the rise is enough, then
    reads the outermost crossing off a grid.
    """
    side, enough = math.copysign(1.0, signed_rise), abs(signed_rise)
    parameter = found.hypothesis.parameters[axis]
    end = parameter.highest if side > 0 else parameter.lowest
    centre = float(found.inner[axis])
    unit = float(np.sqrt(found.covariance[axis, axis]))
    inner, reach = 0.0, 4.0
    while reach < 1e4:
        offsets = np.linspace(inner, reach, 41)
        values = np.clip(centre + side * unit * offsets, parameter.lowest, parameter.highest)
        rise = _profile(found, axis, values, ohms, likelihood) - found.deviance
        under = np.flatnonzero(rise < enough)
        last = int(under[-1]) if under.size else 0
        if last < offsets.size - 1:
            span = rise[last + 1] - rise[last]
            share = np.clip((enough - rise[last]) / span, 0.0, 1.0) if span > 0 else 1.0
            return float(values[last] + share * (values[last + 1] - values[last]))
        if values[-1] == end:
            return end if end == 0.0 else side * math.inf
        inner, reach = reach, reach * 2.0
    return side * math.inf


def _profile(
    found: Fit, axis: int, values: FloatArray, ohms: FloatArray, likelihood: Likelihood
) -> FloatArray:
    """Return the least deviance (m,) with one parameter held at each of `values` (m,)."""
    hypothesis = found.hypothesis
    if len(hypothesis.parameters) == 1:
        return likelihood.deviance(hypothesis.predict(values[:, None], ohms))
    other = 1 - axis
    covariance = found.covariance
    slope = covariance[axis, other] / covariance[axis, axis]
    left = covariance[other, other] - slope * covariance[axis, other]
    spread = np.sqrt(max(left, 1e-4 * covariance[other, other]))
    ridge = found.inner[other] + slope * (values - found.inner[axis])
    bounds = hypothesis.parameters[other].lowest, hypothesis.parameters[other].highest
    reach = 8.0
    least = np.full(values.shape, np.inf)
    for _ in range(2):
        offsets = np.linspace(-reach, reach, 33) * spread
        points = np.empty((values.size, offsets.size, 2))
        points[..., axis] = values[:, None]
        points[..., other] = np.clip(ridge[:, None] + offsets, *bounds)
        deviances = likelihood.deviance(hypothesis.predict(points.reshape(-1, 2), ohms)).reshape(
            values.size, offsets.size
        )
        at = np.argmin(deviances, axis=1)
        rows = np.arange(values.size)
        least = np.minimum(least, deviances[rows, at])
        ridge = points[rows, at, other]
        reach *= 0.1
    return least
