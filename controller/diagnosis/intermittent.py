"""A contact that comes and goes: some readings are sound, some have resistance in series.

Every reading is sound with one probability and has extra resistance with the other; which ones is
not known, so both are added up for each reading (a mixture). The resistance is the same each time,
or a different one of about the same size each time; both are tried.
"""

from __future__ import annotations

import math

import numpy as np

from controller.arrays import FloatArray
from controller.diagnosis.fit import CONFIDENCE, Fit, Interval
from controller.diagnosis.hypotheses import Hypothesis, Response, series_parameter
from controller.diagnosis.likelihood import Likelihood

__all__ = ["INTERMITTENT", "fit_intermittent"]

INTERMITTENT = "intermittent-contact"

_SHARES = np.array([0.1, 0.25, 0.45])
_LOG_SD_BETWEEN = 0.8
_SIZES = 41


def fit_intermittent(ohms: FloatArray, response: Response, likelihood: Likelihood) -> Fit:
    """Return the contact that explains the readings at `ohms` (n,) best."""
    usual = float(np.median(ohms))
    series = usual * np.geomspace(1e-3, 1e2, _SIZES)
    spacing = math.log(series[1] / series[0])
    prior = np.exp(series_parameter(usual).log_prior(series)) * series * spacing
    prior /= prior.sum()

    sound_celsius = response(ohms)
    shift = likelihood.settled(sound_celsius) - sound_celsius
    price = likelihood.deviance(sound_celsius[None, :])[0] - _product_deviance(
        likelihood, sound_celsius + shift
    )
    sound = likelihood.probability((sound_celsius + shift)[None, :])
    touched_celsius = response(ohms + series[:, None]) + shift
    same = likelihood.probability(touched_celsius)
    steps = (np.log(series)[:, None] - np.log(series)) / _LOG_SD_BETWEEN
    between = np.exp(-0.5 * steps**2)
    between /= between.sum(axis=1, keepdims=True)
    varied = np.einsum("ck,skn->scn", between, same)

    # (variant, share, noise, size): sums over all but one give what is known of that one.
    logs = np.stack(
        [
            [
                np.log((1.0 - share) * sound + share * one).sum(axis=-1)
                + likelihood.log_weight[:, None]
                for share in _SHARES
            ]
            for one in (same, varied)
        ]
    ) + np.log(prior / (2.0 * _SHARES.size))
    most = float(logs.max())
    weight = np.exp(logs - most)
    total = float(weight.sum())
    log_evidence = most + math.log(total) - 0.5 * float(price)

    variant, share_at, noise_at, size_at = np.unravel_index(int(np.argmax(logs)), logs.shape)
    share = float(_SHARES[share_at])
    chances = (same, varied)[variant][noise_at, size_at]
    bad = share * chances / (share * chances + (1.0 - share) * sound[noise_at, 0]) > 0.5
    if variant == 1:
        # Each its own resistance: what remains unexplained is only what no size explains.
        left = np.abs(likelihood.residuals(touched_celsius))
        touched = np.take_along_axis(touched_celsius, left.argmin(axis=0)[None, :], axis=0)[0]
    else:
        touched = touched_celsius[size_at]
    at_readings = np.where(bad, touched, sound_celsius + shift) - shift
    each = (1.0 - share) * sound[noise_at, 0] + share * chances
    return Fit(
        hypothesis=Hypothesis(
            kind=INTERMITTENT,
            parts=frozenset({INTERMITTENT}),
            parameters=(),
            predict=lambda inner, given: np.broadcast_to(
                response(given), (inner.shape[0], given.shape[0])
            ),
            free=2,
        ),
        inner=np.zeros(0),
        deviance=-2.0 * float(np.log(each).sum()) + float(price),
        covariance=np.zeros((0, 0)),
        log_evidence=log_evidence,
        at_readings=at_readings,
        jumping=np.flatnonzero(bad),
        known=(
            _interval("series_ohms", series, weight.sum(axis=(0, 1, 2)) / total),
            Interval(name="share", value=float(np.mean(bad)), low=None, high=None),
        ),
    )


def _product_deviance(likelihood: Likelihood, shifted_celsius: FloatArray) -> float:
    """Return -2 ln(likelihood) of predictions (n,) that need no more shifting."""
    logs = np.log(likelihood.probability(shifted_celsius[None, :])).sum(axis=-1)[:, 0]
    logs = logs + likelihood.log_weight
    return float(-2.0 * (logs.max() + np.log(np.exp(logs - logs.max()).sum())))


def _interval(name: str, values: FloatArray, weight: FloatArray) -> Interval:
    """Return the median and the middle 95 % of a distribution over rising values.

    Each value stands for all that is nearer to it, by ratio, than to the next.
    """
    logs = np.log(values)
    between = (logs[1:] + logs[:-1]) / 2.0
    edges = np.concatenate([logs[:1], between, logs[-1:]])
    level = np.concatenate([[0.0], np.cumsum(weight)])
    tail = (1.0 - CONFIDENCE) / 2.0
    ends = np.exp(np.interp([tail, 0.5, 1 - tail], level, edges))
    low, middle, high = (float(v) for v in ends)
    return Interval(name=name, value=middle, low=low, high=high)
