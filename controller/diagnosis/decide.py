"""Which fault explains the readings best, and whether the readings can tell.

What has the best score (`ranking`) must also fit (`adequacy`), and be ahead of what else fits.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from controller.arrays import FloatArray
from controller.diagnosis.adequacy import Adequacy, adequacy
from controller.diagnosis.admissible import (
    covering,
    refuse_contradictory_units,
    sorted_out,
    what_is_missing,
)
from controller.diagnosis.common import shared_celsius2
from controller.diagnosis.ends import EndReadings, end_remarks, next_step
from controller.diagnosis.fit import Fit, Interval, fit, profile_intervals, rough_cost
from controller.diagnosis.hypotheses import Hypothesis, InputCircuit, hypotheses_for, response_of
from controller.diagnosis.intermittent import INTERMITTENT, fit_intermittent
from controller.diagnosis.likelihood import Likelihood, likelihood_of, shared_factor
from controller.diagnosis.mistaken import mistaken, standing, would_lag
from controller.diagnosis.ranking import Ranked, log_gain, ranked_fits
from controller.diagnosis.readings import Readings
from controller.diagnosis.result import UNTRIED_PROBABILITY, Diagnosis, Explanation, Misfit, Reason
from controller.diagnosis.unknown_curve import UNKNOWN_CURVE, fit_unknown_curve
from controller.sensors.curve import Curve, Sensor

__all__ = ["diagnose"]

_READINGS_FOR_PAIRS = 5
_LEAST_JUMPING = 2
_SWITCHING_PLACES = 6
"""So many places of a second pull-up are fitted closely."""


def diagnose(
    readings: Readings,
    curve: Curve,
    *,
    candidates: Sequence[Sensor] = (),
    circuit: InputCircuit | None = None,
    noise_celsius: float | None = None,
) -> Diagnosis:
    """Return which fault explains the readings, taken against the sensor curve of the plan.

    `candidates` are other sensors the module might expect. `circuit` lets a leakage to a supply
    and the converter's own reference be tried. `noise_celsius` is the standard deviation of a
    reading before it is rounded; None when not known. No module is called healthy outside the
    readings' tolerance. Raises InputError when the columns contradict their units.
    """
    response = response_of(curve)
    used, opens, shorts = sorted_out(readings, response)
    left_out = tuple(int(i) for i in np.flatnonzero(~(used | opens | shorts)))
    missing = what_is_missing(readings, used)
    if missing:
        return Diagnosis(
            best=None,
            explanations=(),
            distinguishable=False,
            left_out=left_out,
            missing=missing,
            end_remarks=end_remarks(readings, curve),
            reason=Reason.TOO_FEW,
        )
    refuse_contradictory_units(readings, used, response)

    kept = _with_counts(readings.only(used), curve, circuit)
    likelihood = likelihood_of(
        kept,
        noise_celsius=noise_celsius,
        shared=shared_factor(shared_celsius2(kept, curve)),
    )
    hypotheses = hypotheses_for(
        kept.ohms,
        response,
        candidates=covering(candidates, curve, kept.ohms),
        circuit=circuit,
        pairs=len(kept) >= _READINGS_FOR_PAIRS,
    )
    ends = EndReadings(readings=readings, opens=opens, shorts=shorts, curve=curve)
    places = Counter(hypothesis.kind for hypothesis in hypotheses)
    fits = [
        fit(hypothesis, kept.ohms, likelihood)
        for hypothesis in _promising(hypotheses, kept.ohms, likelihood)
    ]
    fits.append(fit_unknown_curve(kept.ohms, response, likelihood, rising=curve.rising))
    fits.append(fit_intermittent(kept.ohms, response, likelihood))
    ranked = ranked_fits([_with_ends(one, ends) for one in fits], places)
    tests = [
        adequacy(one, kept.ohms, likelihood, rising=curve.rising)
        for one in (ranked.fits[0], *(ranked.fits[index] for index in ranked.rivals))
    ]
    ranked, test = _fitting_first(ranked, tests)
    explanations = _explanations(ranked, kept, likelihood, np.flatnonzero(used))
    best = ranked.fits[0]
    mistake = _mistake(best, test, kept, curve, np.flatnonzero(used))
    reason = Reason.MISTAKEN if mistake else _why_not(best, test, kept, curve)
    said = reason in (None, Reason.READINGS_JUMP)
    certain = said and reason is None and not ranked.rivals and _may_be_certain(best)
    rival = ranked.fits[ranked.rivals[0]] if ranked.rivals else None
    return Diagnosis(
        best=explanations[0] if said else None,
        explanations=explanations,
        distinguishable=certain,
        rivals=tuple(explanations[index].kind for index in ranked.rivals) if said else (),
        next_step=next_step(best, rival, kept, curve, likelihood) if rival and said else None,
        left_out=left_out,
        slips=tuple(int(i) for i in np.flatnonzero(used)[test.slips]),
        end_remarks=end_remarks(readings, curve),
        reason=reason,
        mistake=mistake,
        may_lag=said and _may_lag(explanations[0], kept, curve),
        nearest=None if said else explanations[0],
        misfit=_misfit(best, test, kept, curve, np.flatnonzero(used)),
    )


def _with_counts(readings: Readings, curve: Curve, circuit: InputCircuit | None) -> Readings:
    """Add what the converter's counts leave uncertain: one count wide, rectangular."""
    if circuit is None or circuit.adc_bits is None:
        return readings
    ends = curve.lowest_celsius, curve.highest_celsius
    celsius = np.clip(readings.reported_celsius, *ends)
    ohms = circuit.count_ohms(curve.ohms(celsius))
    width = ohms / np.abs(curve.slope_ohms_per_kelvin(celsius))
    own = np.hypot(readings.uncertainty_celsius, width / math.sqrt(12.0))
    return replace(readings, uncertainty_celsius=own)


def _with_ends(one: Fit, ends: EndReadings) -> Fit:
    extra = ends.deviance(one)
    return replace(one, deviance=one.deviance + extra, log_evidence=one.log_evidence - 0.5 * extra)


def _promising(
    hypotheses: Sequence[Hypothesis], ohms: FloatArray, likelihood: Likelihood
) -> list[Hypothesis]:
    """Leave out switching places that miss the readings even at their best."""
    switching = [one for one in hypotheses if one.kind == "second-pullup"]
    switching.sort(key=lambda one: rough_cost(one, ohms, likelihood))
    others = [one for one in hypotheses if one.kind != "second-pullup"]
    return others + switching[:_SWITCHING_PLACES]


def _fitting_first(ranked: Ranked, tests: Sequence[Adequacy]) -> tuple[Ranked, Adequacy]:
    """Put the first explanation that fits before a better one that does not: now its rival."""
    places = (0, *ranked.rivals)
    chosen = next((at for at, test in enumerate(tests) if test.fits), 0)
    if chosen == 0:
        return ranked, tests[0]
    place = places[chosen]
    order = [place, *(index for index in range(len(ranked.fits)) if index != place)]
    return (
        Ranked(
            fits=tuple(ranked.fits[index] for index in order),
            scores=ranked.scores[order],
            rivals=tuple(
                at for at, index in enumerate(order) if index in places and index != place
            ),
        ),
        tests[chosen],
    )


def _why_not(
    best: Fit,
    test: Adequacy,
    kept: Readings,
    curve: Curve,
) -> Reason | None:
    """Return why the best explanation may not be given as the answer, or not as a certain one."""
    if not test.fits:
        return Reason.NOTHING_FITS
    if best.hypothesis.kind == "healthy":
        off = np.abs(_error_celsius(kept, curve)) - kept.reporting.resolution_celsius / 2.0
        outside = off > kept.tolerance_celsius
        outside[test.slips] = False
        if outside.any():
            return Reason.OUTSIDE_TOLERANCE
    return Reason.READINGS_JUMP if test.slips_too_many else None


def _may_lag(best: Explanation, kept: Readings, curve: Curve) -> bool:
    offsets = [one.value for one in best.parameters if one.name == "offset_celsius"]
    return any(
        would_lag(_expected_celsius(kept, curve), offset)
        for offset in offsets
        if offset is not None
    )


def _mistake(
    best: Fit, test: Adequacy, kept: Readings, curve: Curve, places: npt.NDArray[np.intp]
) -> str | None:
    """Return in a sentence how the readings were taken wrong, rather than the circuit being so.

    Readings that stand still count where no smooth explanation has them: a leakage or a series
    resistance can hold a report nearly still at one end.
    """
    reported, expected = kept.reported_celsius, _expected_celsius(kept, curve)
    step = kept.reporting.resolution_celsius
    found = mistaken(reported, expected, step_celsius=step, places=places)
    if found is not None:
        return found
    row = standing(reported, expected)
    if row is None or (test.fits and best.hypothesis.kind != INTERMITTENT):
        return None
    first, last = row
    if np.abs(reported - expected)[first : last + 1].max() <= step:
        return None
    return (
        f"Readings {places[first] + 1} to {places[last] + 1} all say {reported[first]:g} degC, "
        f"though {expected[first]:.0f} to {expected[last]:.0f} degC were put in: the report stands "
        "still, or ends there."
    )


def _misfit(
    best: Fit, test: Adequacy, kept: Readings, curve: Curve, places: npt.NDArray[np.intp]
) -> Misfit:
    """Return what the best explanation leaves; of a curve nobody knows, what the plan's leaves."""
    found = test.misfit
    if best.hypothesis.kind == UNKNOWN_CURVE:
        off = _error_celsius(kept, curve)
        worst = int(np.argmax(np.abs(off)))
        found = replace(
            found,
            rms_celsius=float(np.sqrt(np.mean(off**2))),
            worst_celsius=float(off[worst]),
            worst_reading=worst,
        )
    return replace(found, worst_reading=int(places[found.worst_reading]))


def _error_celsius(kept: Readings, curve: Curve) -> FloatArray:
    """Return reported less expected temperature (n,); zero at a limit that was rightly reached."""
    return np.asarray(kept.reported_celsius - _expected_celsius(kept, curve))


def _expected_celsius(kept: Readings, curve: Curve) -> FloatArray:
    """Return what a healthy module would report (n,), but for rounding."""
    low, high = kept.reporting.lowest_celsius, kept.reporting.highest_celsius
    return np.clip(
        response_of(curve)(kept.ohms),
        -math.inf if low is None else low,
        math.inf if high is None else high,
    )


def _may_be_certain(best: Fit) -> bool:
    kind = best.hypothesis.kind
    if kind == INTERMITTENT:
        return best.jumping is not None and best.jumping.size >= _LEAST_JUMPING
    return kind != UNKNOWN_CURVE


def _explanations(
    ranked: Ranked, kept: Readings, likelihood: Likelihood, places: npt.NDArray[np.intp]
) -> tuple[Explanation, ...]:
    weights = np.exp(-(ranked.scores - ranked.scores.min()) / 2)
    weights *= (1.0 - UNTRIED_PROBABILITY) / weights.sum()
    return tuple(
        _explanation(
            one,
            kept,
            likelihood,
            places,
            score=float(score),
            probability=float(weight),
            with_intervals=index == 0
            or index in ranked.rivals
            or one.hypothesis.kind in ("series-resistance", "leakage-to-ground"),
        )
        for index, (one, score, weight) in enumerate(
            zip(ranked.fits, ranked.scores, weights, strict=True)
        )
    )


def _explanation(
    one: Fit,
    kept: Readings,
    likelihood: Likelihood,
    places: npt.NDArray[np.intp],
    *,
    score: float,
    probability: float,
    with_intervals: bool,
) -> Explanation:
    left = likelihood.residuals(likelihood.settled(one.fitted(kept.ohms)))
    own = replace(one, deviance=float(likelihood.deviance(one.predict(kept.ohms)[None, :])[0]))
    if with_intervals:
        intervals = profile_intervals(own, kept.ohms, likelihood)
    else:
        intervals = tuple(
            Interval(name=p.name, value=_finite(p.to_outer(float(value))), low=None, high=None)
            for p, value in zip(one.hypothesis.parameters, one.inner, strict=True)
        )
    intervals += one.known
    if one.hypothesis.located is not None:
        name, value, low, high = one.hypothesis.located
        intervals += (Interval(name=name, value=value, low=low, high=high),)
    return Explanation(
        kind=one.hypothesis.kind,
        score=score,
        deviance=one.deviance,
        free=one.hypothesis.free,
        probability=probability,
        rms_celsius=float(np.sqrt(np.mean(left**2))),
        parameters=intervals,
        sensor=one.hypothesis.sensor,
        twins=(UNKNOWN_CURVE,) if log_gain(one) is not None else (),
        jumping=() if one.jumping is None else tuple(int(i) for i in places[one.jumping]),
    )


def _finite(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None
