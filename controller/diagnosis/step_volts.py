"""Volts at the input at each known resistance: they tell a pull-up fault from one of the curve.

Knows: the divider of pull-up and resistance, what a gain and another curve are called.
Must not know: where volts come from, how hypotheses are fitted.

By temperatures alone a gain looks like the curve of a sensor of the same material and another size.
The volts pass through no curve: V = Vref R/(R + Rp), so 1/V = 1/Vref + (Rp/Vref)/R is a line
in 1/R. Its slope over its intercept is Rp, in which the scale of the volts cancels.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from controller.arrays import FloatArray
from controller.diagnosis.result import Diagnosis, Explanation
from controller.units import COVERAGE_FACTOR

__all__ = ["MeasuredPullup", "StepVolts", "measured_pullup", "told_by_volts"]

_LEAST_STEPS = 4
_USABLE = (0.02, 0.98)
"""Shares of the reference between which a step of the converter still tells something."""

_CURVES = ("unknown-curve", "wrong-curve")
_LEAST_SIGMA_VOLTS = 1e-3
_WORST_MISFIT = 0.01
"""Volts that lie further off the divider, as a share of Vref, are of another circuit."""


@dataclass(frozen=True, kw_only=True)
class StepVolts:
    """Volts at the module's input with `ohms` (each of shape (n,)) at it.

    `ohms_relative` is the standard uncertainty of the ohms that they may all share.
    """

    ohms: FloatArray
    volts: FloatArray
    ohms_relative: float = 0.0


@dataclass(frozen=True, kw_only=True)
class MeasuredPullup:
    """What the volts come to; `relative` is the standard uncertainty of the pull-up, as a share."""

    reference_volts: float
    pullup_ohms: float
    relative: float


def measured_pullup(seen: StepVolts, *, reference_volts: float) -> MeasuredPullup | None:
    """Return supply and pull-up behind the input; None where the volts do not tell them.

    `reference_volts` is what the supply should be: readings near it or near ground tell nothing.
    A weighted line (JCGM 100:2008, H.3), its scatter taken from the residuals.
    """
    low, high = (share * reference_volts for share in _USABLE)
    kept = np.isfinite(seen.ohms) & (seen.ohms > 0) & (seen.volts > low) & (seen.volts < high)
    ohms, volts = seen.ohms[kept], seen.volts[kept]
    if len(np.unique(ohms)) < _LEAST_STEPS:
        return None
    design = np.stack([np.ones_like(ohms), 1.0 / ohms], axis=1)
    weights = volts**2  # d(1/V) = dV/V^2
    matrix = design * weights[:, None]
    solution, _, rank, _ = np.linalg.lstsq(matrix, weights / volts, rcond=None)
    if rank < 2 or min(solution) <= 0.0:
        return None
    reference, pullup = 1.0 / solution[0], solution[1] / solution[0]
    left = volts - reference * ohms / (ohms + pullup)
    scatter = math.sqrt(float(left @ left) / (len(ohms) - 2))
    if scatter > _WORST_MISFIT * reference:
        return None
    sigma = max(scatter, _LEAST_SIGMA_VOLTS)
    joint = sigma**2 * np.linalg.inv(matrix.T @ matrix)
    gradient = np.array([-1.0 / solution[0], 1.0 / solution[1]])  # of ln Rp
    own = math.sqrt(float(gradient @ joint @ gradient))
    return MeasuredPullup(
        reference_volts=float(reference),
        pullup_ohms=float(pullup),
        relative=math.hypot(own, seen.ohms_relative),
    )


def told_by_volts(
    diagnosis: Diagnosis, measured: MeasuredPullup | None, *, stated_ohms: float
) -> Diagnosis:
    """Return a diagnosis that has taken the measured pull-up into account.

    `stated_ohms` is the pull-up of the module's file. A gain that the pull-up explains loses its
    twin; one that a sound pull-up rules out gives way to the curve. Where the measured pull-up is
    off by something else than the gain, both are left as they are.
    """
    best = diagnosis.best or diagnosis.nearest
    if measured is None or best is None:
        return diagnosis
    log_off = math.log(stated_ohms / measured.pullup_ohms)
    sound = abs(log_off) <= COVERAGE_FACTOR * measured.relative
    told = (
        f"The volts at each step give a pull-up of {measured.pullup_ohms:.4g} ohm ±"
        f" {COVERAGE_FACTOR * measured.relative * measured.pullup_ohms:.2g} (k = 2) to"
        f" {measured.reference_volts:.3f} V, where the module's file says {stated_ohms:.4g} ohm"
    )
    if best.kind == "gain":
        near = _agrees(best, log_off, measured.relative)
        if near and not sound:
            return _with(_pullup(diagnosis, best), f"{told}: it is the pull-up, not the curve.")
        if sound and not near:
            return _with(_curve(diagnosis), f"{told}: it is the curve, not the pull-up.")
    elif best.kind in _CURVES and sound:
        return _with(diagnosis, f"{told}: a wrong pull-up is ruled out.")
    return diagnosis


def _with(diagnosis: Diagnosis, said: str) -> Diagnosis:
    return replace(diagnosis, end_remarks=(*diagnosis.end_remarks, said))


def _pullup(diagnosis: Diagnosis, gain: Explanation) -> Diagnosis:
    """Return the diagnosis with every curve ruled out; without an answer it has none yet."""
    if diagnosis.best is None:
        return diagnosis
    rivals = tuple(kind for kind in diagnosis.rivals if kind not in _CURVES)
    return replace(
        diagnosis,
        best=replace(gain, twins=()),
        rivals=rivals,
        next_step=diagnosis.next_step if rivals else None,
        distinguishable=not rivals and diagnosis.reason is None,
    )


def _curve(diagnosis: Diagnosis) -> Diagnosis:
    """Return the diagnosis with the gain ruled out, in favour of the curve that fits best."""
    curves = [one for one in diagnosis.explanations if one.kind in _CURVES]
    if diagnosis.best is None or not curves:
        return diagnosis
    best = min(curves, key=lambda one: one.score)
    return replace(diagnosis, best=best, rivals=(), next_step=None, distinguishable=False)


def _agrees(best: Explanation, log_off: float, relative: float) -> bool:
    """Return whether a gain and the measured pull-up are the same within both uncertainties."""
    [gain] = [one for one in best.parameters if one.name == "gain"]
    if not gain.value:
        return False
    low, high = gain.low or gain.value, gain.high or gain.value
    half = 0.5 * math.log(high / low)
    return abs(math.log(gain.value) - log_off) <= math.hypot(half, COVERAGE_FACTOR * relative)
