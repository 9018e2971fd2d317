"""Which fault explains the readings best, and whether the readings can tell.

Criterion: ``score = -2 ln(evidence) - 2 ln(prior)``. The evidence is the likelihood averaged over
all parameters that were possible beforehand, so freedom is paid for by what it could have bent to;
the least score is best, and differences are -2 ln(odds) (Kass & Raftery 1995, JASA 90, 773).
Criteria that count parameters (AIC, BIC) were not taken: from five readings they let a fault that
is not among the known ones pass for one that is.

The prior says that three of four modules examined are healthy, that a single fault is twenty
times likelier than two at once, and shares each part out evenly, but that a gain is likelier and an
offset rarer than the rest (common practice, no source).

Margins, on the scale of Kass & Raftery: a rival that is another explanation must be behind by 6
(odds 20 to 1, "strong"). A rival that contains the winner and adds to it need only be behind by
4: it can always imitate the winner with its addition near nothing, and the prior against two
faults at once is in the score already.

Winning is not enough: what wins must also fit (`adequacy`). A smooth curve that nobody has named
is among the rivals, but is never a diagnosis: it says that none of the named faults fits.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from controller.arrays import FloatArray
from controller.diagnosis.adequacy import Adequacy, adequacy
from controller.diagnosis.admissible import (
    LEAST_READINGS,
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
from controller.diagnosis.readings import Readings
from controller.diagnosis.result import UNTRIED_PROBABILITY, Diagnosis, Explanation, Misfit, Reason
from controller.diagnosis.unknown_curve import UNKNOWN_CURVE, fit_unknown_curve
from controller.sensors.curve import Curve, Sensor

__all__ = [
    "EXTENSION_MARGIN",
    "LEAST_READINGS",
    "RIVAL_MARGIN",
    "diagnose",
]

RIVAL_MARGIN = 6.0
EXTENSION_MARGIN = 4.0
_READINGS_FOR_PAIRS = 5
_ODD_LOG_GAIN = 0.25
"""A pull-up or a reference is seldom further off; a sensor of another size mostly is (common
practice, no source)."""
_LEAST_JUMPING = 2
_SWITCHING_PLACES = 6
"""So many places of a second pull-up are fitted closely."""

_PRIOR_HEALTHY = 0.75
_PRIOR_SINGLE = 0.238
_PRIOR_PAIR = 0.012
_WEIGHTS = {"gain": 1.5, "curve-offset": 0.5}
_PRIOR_UNKNOWN = 0.005
"""It can imitate every named fault, so it needs the readings' word to come before one."""


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
    ranked = _ranked([_with_ends(one, ends) for one in fits], places)
    tests = [
        adequacy(one, kept.ohms, likelihood, rising=curve.rising)
        for one in (ranked.fits[0], *(ranked.fits[index] for index in ranked.rivals))
    ]
    ranked, test = _fitting_first(ranked, tests)
    explanations = _explanations(ranked, kept, likelihood, np.flatnonzero(used))
    best = ranked.fits[0]
    reason = _why_not(best, test, kept, curve)
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


@dataclass(frozen=True, kw_only=True)
class _Ranked:
    """Fits in the order of their scores, and the indices of the rivals of the first."""

    fits: tuple[Fit, ...]
    scores: FloatArray
    rivals: tuple[int, ...]


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


def _ranked(fits: Sequence[Fit], places: Counter[str]) -> _Ranked:
    """Order fits by score; `places` counts what was tried of each kind."""
    best: dict[str, Fit] = {}
    for one in fits:
        kind = one.hypothesis.kind
        if kind not in best or one.log_evidence > best[kind].log_evidence:
            best[kind] = one
    singles = sum(
        _WEIGHTS.get(kind, 1.0)
        for kind in best
        if kind not in ("healthy", UNKNOWN_CURVE) and "+" not in kind
    )
    pairs = sum("+" in kind for kind in best)

    def score(one: Fit) -> float:
        kind = one.hypothesis.kind
        if kind == "healthy":
            prior = _PRIOR_HEALTHY
        elif "+" in kind:
            prior = _PRIOR_PAIR / pairs
        elif kind == UNKNOWN_CURVE:
            prior = _PRIOR_UNKNOWN
        else:
            # The best of several sensors or switching places was picked.
            prior = _WEIGHTS.get(kind, 1.0) * _PRIOR_SINGLE / singles / max(places[kind], 1)
        return -2.0 * (one.log_evidence + math.log(prior))

    ordered = sorted(((score(one), one) for one in best.values()), key=lambda item: item[0])
    listed = tuple(one for _, one in ordered)
    scores = np.array([value for value, _ in ordered])
    return _Ranked(fits=listed, scores=scores, rivals=_rivals(listed, scores))


def _rivals(fits: Sequence[Fit], scores: FloatArray) -> tuple[int, ...]:
    first = fits[0]
    return tuple(
        index
        for index in range(1, len(fits))
        if _lag(first, fits[index], float(scores[index] - scores[0])) < _margin(first, fits[index])
        or _are_twins(first, fits[index])
    )


def _are_twins(best: Fit, rival: Fit) -> bool:
    """Whether no reading can tell two explanations apart, however unlike their priors.

    Two thermistors of one material differ by a factor alone (IEC 60539-1, B value alike), which
    is what a gain is. A small one is left to wiring and module, with its twin named.
    """
    pair = (best.hypothesis.kind, rival.hypothesis.kind)
    if pair == ("wrong-curve", "gain"):
        return rival.deviance - best.deviance < RIVAL_MARGIN
    return rival.hypothesis.kind == UNKNOWN_CURVE and _gain_is_odd(best)


def _fitting_first(ranked: _Ranked, tests: Sequence[Adequacy]) -> tuple[_Ranked, Adequacy]:
    """Put the first explanation that fits before a better one that does not, which stays a rival."""
    places = (0, *ranked.rivals)
    chosen = next((at for at, test in enumerate(tests) if test.fits), 0)
    if chosen == 0:
        return ranked, tests[0]
    place = places[chosen]
    order = [place, *(index for index in range(len(ranked.fits)) if index != place)]
    return (
        _Ranked(
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
    expected = response_of(curve)(kept.ohms)
    low, high = kept.reporting.lowest_celsius, kept.reporting.highest_celsius
    shown = np.clip(
        expected,
        -math.inf if low is None else low,
        math.inf if high is None else high,
    )
    return np.asarray(kept.reported_celsius - shown)


def _may_be_certain(best: Fit) -> bool:
    kind = best.hypothesis.kind
    if kind == INTERMITTENT:
        return best.jumping is not None and best.jumping.size >= _LEAST_JUMPING
    return kind != UNKNOWN_CURVE


def _price_of_size(one: Fit) -> float:
    return sum(
        2.0 * math.log1p((value / parameter.usual) ** 2)
        for parameter, value in zip(one.hypothesis.parameters, one.inner.tolist(), strict=True)
        if parameter.usual is not None
    )


def _lag(best: Fit, rival: Fit, behind: float) -> float:
    """Return how far a rival is behind by what the readings say.

    The price of its size is prior knowledge: it may choose the winner, but must not pass for
    evidence between two single faults.
    """
    if len(best.hypothesis.parts) == len(rival.hypothesis.parts) == 1:
        return behind - max(_price_of_size(rival) - _price_of_size(best), 0.0)
    return behind


def _margin(best: Fit, rival: Fit) -> float:
    extends = best.hypothesis.parts < rival.hypothesis.parts
    if best.hypothesis.parts == frozenset() and rival.hypothesis.kind in (
        "wrong-curve",
        UNKNOWN_CURVE,
    ):
        extends = False  # another curve does not contain "healthy"
    if best.hypothesis.kind == "series-resistance" and rival.hypothesis.kind == INTERMITTENT:
        extends = True
    return EXTENSION_MARGIN if extends else RIVAL_MARGIN


def _gain(one: Fit) -> float | None:
    """Return the logarithm of the gain of a fit that has one."""
    for parameter, value in zip(one.hypothesis.parameters, one.inner.tolist(), strict=True):
        if parameter.name == "gain":
            return value
    return None


def _gain_is_odd(one: Fit) -> bool:
    gain = _gain(one)
    return gain is not None and abs(gain) > _ODD_LOG_GAIN


def _explanations(
    ranked: _Ranked, kept: Readings, likelihood: Likelihood, places: npt.NDArray[np.intp]
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
        twins=(UNKNOWN_CURVE,) if _gain(one) is not None else (),
        jumping=() if one.jumping is None else tuple(int(i) for i in places[one.jumping]),
    )


def _finite(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None
