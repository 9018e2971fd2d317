"""Which fault explains the readings best, and whether the readings can tell.

Knows: the criterion that weighs fit against freedom, the margins, the step that would tell most.
Must not know: files, terminals, wording (see `explain`).

Criterion: ``score = deviance + k ln n - 2 ln(prior)``, the Bayesian information criterion (Schwarz
1978) with prior odds; the least is best, and differences are about -2 ln(odds) (Kass & Raftery
1995, JASA 90, 773). AIC was not taken: it lets one needless parameter through in 16 % of cases
however many readings there are, and with ten alternatives a healthy module would hardly ever be
called healthy. But where the readings themselves have to show the noise, a few of them fit too
well by chance; so the small-sample correction of AICc is added, ``2 m (m + 1) / (n - m - 1)`` with
m = k + 1 for the noise (Hurvich & Tsai 1989, Biometrika 76, 297).

The prior says that three of four modules examined are healthy, that a single fault is twenty
times likelier than two at once, and shares each part out evenly. The first number sets how often
a healthy module is accused: about one time in fifty (tests/benchmarks/diagnosis.py). A gain or an
offset also pays for its size, as a Cauchy prior does, ``2 ln(1 + (size/usual)^2)``: a pull-up that
is three times too large is possible, another sensor is the likelier reason.

Margins, on the scale of Kass & Raftery: a rival that is another explanation must be behind by 6
(odds 20 to 1, "strong"). A rival that contains the winner and adds to it need only be behind by 2:
it can always imitate the winner with its addition near nothing.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

from controller.arrays import FloatArray
from controller.diagnosis.ends import EndReadings, end_remarks, next_step
from controller.diagnosis.fit import Fit, Interval, fit, profile_intervals
from controller.diagnosis.hypotheses import InputCircuit, Response, hypotheses_for, response_of
from controller.diagnosis.likelihood import Likelihood, likelihood_of
from controller.diagnosis.readings import Readings
from controller.diagnosis.result import Diagnosis, Explanation
from controller.errors import InputError
from controller.sensors.curve import Curve, Sensor

Mask: TypeAlias = npt.NDArray[np.bool_]

__all__ = [
    "EXTENSION_MARGIN",
    "LEAST_READINGS",
    "RIVAL_MARGIN",
    "diagnose",
]

RIVAL_MARGIN = 6.0
EXTENSION_MARGIN = 2.0
LEAST_READINGS = 3
_READINGS_FOR_PAIRS = 5
_FAR_CELSIUS = 15.0
_LEAST_OHMS, _MOST_OHMS = 1e-3, 1e12
"""Outside, a reading is of a short or an open circuit by another name and is left out."""

_PRIOR_HEALTHY = 0.75
_PRIOR_SINGLE = 0.238
_PRIOR_PAIR = 0.012


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
    be tried. `noise_celsius` is the standard deviation of a reading before it is rounded; None
    when not known. Raises InputError when the columns contradict their units.
    """
    response = response_of(curve)
    used, opens, shorts = _sorted_out(readings, response)
    left_out = tuple(int(i) for i in np.flatnonzero(~(used | opens | shorts)))
    missing = _what_is_missing(readings, used)
    if missing:
        return Diagnosis(
            best=None,
            explanations=(),
            distinguishable=False,
            left_out=left_out,
            missing=missing,
            end_remarks=end_remarks(readings, curve),
        )
    _refuse_contradictory_units(readings, used, response)

    kept = replace(
        readings,
        ohms=readings.ohms[used],
        reported_celsius=readings.reported_celsius[used],
        uncertainty_celsius=readings.uncertainty_celsius[used],
    )
    likelihood = likelihood_of(kept, noise_celsius=noise_celsius)
    hypotheses = hypotheses_for(
        kept.ohms,
        response,
        candidates=_covering(candidates, curve, kept.ohms),
        circuit=circuit,
        pairs=len(kept) >= _READINGS_FOR_PAIRS,
    )
    ends = EndReadings(readings=readings, opens=opens, shorts=shorts, curve=curve)
    fits = [fit(hypothesis, kept.ohms, likelihood) for hypothesis in hypotheses]
    fits = [replace(one, deviance=one.deviance + ends.deviance(one)) for one in fits]
    fits = _best_of_each_kind(fits)
    scores = _scores(
        fits,
        hypotheses_tried=[h.kind for h in hypotheses],
        count=len(kept),
        noise_known=noise_celsius is not None,
    )
    order = np.argsort(scores, kind="stable")
    fits = [fits[i] for i in order]
    scores = scores[order]

    rivals = [
        index
        for index in range(1, len(fits))
        if _lag(fits[0], fits[index], float(scores[index] - scores[0]))
        < _margin(fits[0], fits[index])
    ]
    weights = np.exp(-(scores - scores[0]) / 2)
    explanations = tuple(
        _explanation(
            one,
            kept,
            likelihood,
            score=float(score),
            probability=float(weight / weights.sum()),
            with_intervals=len(one.hypothesis.parameters) < 2 or index == 0 or index in rivals,
        )
        for index, (one, score, weight) in enumerate(zip(fits, scores, weights, strict=True))
    )
    best_prediction = fits[0].predict(kept.ohms)
    slips = np.flatnonzero(used)[likelihood.slips(best_prediction) > 0.5]
    return Diagnosis(
        best=explanations[0],
        explanations=explanations,
        distinguishable=not rivals,
        rivals=tuple(explanations[index].kind for index in rivals),
        next_step=next_step(fits[0], fits[rivals[0]], kept, curve, likelihood) if rivals else None,
        left_out=left_out,
        slips=tuple(int(i) for i in slips),
        end_remarks=end_remarks(readings, curve),
    )


def _sorted_out(readings: Readings, response: Response) -> tuple[Mask, Mask, Mask]:
    """Return masks (n,): ordinary readings, and open and short ones whose fixed report is known.

    A fixed report that was given for an ordinary resistance, far from what belongs there, is the
    module's word for "open" or "shorted", not a temperature; such a reading is left out. At the
    end of the range it stands for everything beyond, and stays.
    """
    reporting = readings.reporting
    finite = (readings.ohms >= _LEAST_OHMS) & (readings.ohms <= _MOST_OHMS)
    far = np.abs(readings.reported_celsius - response(readings.ohms)) > _FAR_CELSIUS
    for fixed in (reporting.open_celsius, reporting.short_celsius):
        if fixed not in (None, reporting.lowest_celsius, reporting.highest_celsius):
            finite &= ~(far & (readings.reported_celsius == fixed))
    opens = np.isinf(readings.ohms) & (reporting.open_celsius is not None)
    shorts = (readings.ohms == 0) & (reporting.short_celsius is not None)
    return finite, opens, shorts


def _what_is_missing(readings: Readings, used: Mask) -> tuple[str, ...]:
    count = int(used.sum())
    if count < LEAST_READINGS:
        message = (
            f"{count} usable of {len(readings)} readings: at least {LEAST_READINGS} at different "
            "resistances are needed, open and short not counted."
        )
        return (message,)
    ohms = readings.ohms[used]
    if np.ptp(np.log(ohms)) < np.log(1.2):
        message = (
            "All readings are at nearly the same resistance: every fault looks alike there. "
            "Add readings near both ends of the range."
        )
        return (message,)
    return ()


def _refuse_contradictory_units(readings: Readings, used: Mask, response: Response) -> None:
    """Raise InputError when the readings only make sense in another unit."""
    ohms, reported = readings.ohms[used], readings.reported_celsius[used]

    def miss(as_ohms: FloatArray, as_celsius: FloatArray) -> float:
        return float(np.median(np.abs(as_celsius - response(as_ohms))))

    here = miss(ohms, reported)
    if here < _FAR_CELSIUS:
        return
    others = {
        "the ohms look like kohm": (miss(ohms * 1e3, reported), "multiply the column by 1000"),
        "the ohms look like milliohm": (miss(ohms / 1e3, reported), "divide the column by 1000"),
        "the temperatures look like degF": (
            miss(ohms, (reported - 32.0) / 1.8),
            "write degC: (F - 32) / 1.8",
        ),
    }
    message, (there, hint) = min(others.items(), key=lambda item: item[1][0])
    if there < 4.0 and there < here / 5.0:
        raise InputError.single(f"contradictory units: {message}", hint=hint)


def _covering(
    candidates: Sequence[Sensor], curve: Curve, ohms: FloatArray
) -> list[tuple[str, Response]]:
    """Return the candidates that reach most of the readings and differ from the plan's curve.

    One that ends short of some readings comes twice: continued, and stopping at its ends, as a
    module does whose table is no longer than that.
    """
    own = response_of(curve)(ohms)
    found = []
    for sensor in candidates:
        ends = sensor.curve.ohms(
            np.array([sensor.curve.lowest_celsius, sensor.curve.highest_celsius])
        )
        inside = (ohms >= ends.min()) & (ohms <= ends.max())
        response = response_of(sensor.curve)
        if np.mean(inside) >= 0.7 and np.max(np.abs(response(ohms) - own)) > 0.1:
            found.append((sensor.name, response))
            if not inside.all():
                found.append((sensor.name, _stopping_at_its_ends(sensor.curve, response)))
    return found


def _stopping_at_its_ends(curve: Curve, response: Response) -> Response:
    def stopping(ohms: npt.ArrayLike) -> FloatArray:
        return np.clip(response(ohms), curve.lowest_celsius, curve.highest_celsius)

    return stopping


def _best_of_each_kind(fits: list[Fit]) -> list[Fit]:
    """Return one fit for each kind: the best of several sensors or switching places."""
    best: dict[str, Fit] = {}
    for one in fits:
        kind = one.hypothesis.kind
        if kind not in best or one.deviance < best[kind].deviance:
            best[kind] = one
    return list(best.values())


def _scores(
    fits: list[Fit], *, hypotheses_tried: list[str], count: int, noise_known: bool
) -> FloatArray:
    singles = {kind for kind in hypotheses_tried if kind != "healthy" and "+" not in kind}
    pairs = {kind for kind in hypotheses_tried if "+" in kind}

    def score(one: Fit) -> float:
        kind = one.hypothesis.kind
        if kind == "healthy":
            prior = _PRIOR_HEALTHY
        elif kind in pairs:
            prior = _PRIOR_PAIR / len(pairs)
        else:
            prior = _PRIOR_SINGLE / len(singles)
            if kind == "wrong-curve":
                prior /= hypotheses_tried.count(kind)  # the best of several was picked
        free = one.hypothesis.free
        freedom = free * math.log(count)
        if not noise_known:
            freedom += _small_sample_price(free + 1, count)
        return one.deviance + freedom + _price_of_size(one) - 2.0 * math.log(prior)

    return np.array([score(one) for one in fits])


def _small_sample_price(free: int, count: int) -> float:
    return 2.0 * free * (free + 1) / max(count - free - 1, 1)


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
    # A wrong curve does not contain "healthy": it is another curve altogether.
    if rival.hypothesis.kind == "wrong-curve":
        extends = False
    return EXTENSION_MARGIN if extends else RIVAL_MARGIN


def _explanation(
    one: Fit,
    kept: Readings,
    likelihood: Likelihood,
    *,
    score: float,
    probability: float,
    with_intervals: bool,
) -> Explanation:
    low, high = kept.reporting.lowest_celsius, kept.reporting.highest_celsius
    shown = np.clip(
        one.predict(kept.ohms),
        -math.inf if low is None else low,
        math.inf if high is None else high,
    )
    left = kept.reported_celsius - shown
    own = replace(one, deviance=float(likelihood.deviance(one.predict(kept.ohms)[None, :])[0]))
    if with_intervals:
        intervals = profile_intervals(own, kept.ohms, likelihood)
    else:
        intervals = tuple(
            Interval(name=p.name, value=_finite(p.to_outer(float(value))), low=None, high=None)
            for p, value in zip(one.hypothesis.parameters, one.inner, strict=True)
        )
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
    )


def _finite(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None
