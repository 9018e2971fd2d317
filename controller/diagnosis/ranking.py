"""Explanations in order, and which of them come too near to the first to be ruled out.

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
5: it can always imitate the winner with its addition near nothing, and the prior against two
faults at once is in the score already.

A smooth curve that nobody has named is among the rivals, but is never a diagnosis: it says that
none of the named faults fits.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from controller.arrays import FloatArray
from controller.diagnosis.fit import Fit
from controller.diagnosis.intermittent import INTERMITTENT
from controller.diagnosis.unknown_curve import UNKNOWN_CURVE

__all__ = ["EXTENSION_MARGIN", "ODD_LOG_GAIN", "RIVAL_MARGIN", "Ranked", "log_gain", "ranked_fits"]

RIVAL_MARGIN = 6.0
EXTENSION_MARGIN = 5.0
_CONTACT_MARGIN = 4.0
"""A bad contact that was bad in every reading that could show it is one and the same fault."""
ODD_LOG_GAIN = 0.25
"""A pull-up or a reference is seldom further off; a sensor of another size mostly is (common
practice, no source)."""
_NEAR_TWINS = {"leakage-to-supply", "adc-reference"}
_TWIN_MARGIN = 10.0
"""Both are a gain tied to a leakage; only the tie differs, and noise easily takes one for the
other."""

_PRIOR_HEALTHY = 0.75
_PRIOR_SINGLE = 0.238
_PRIOR_PAIR = 0.012
_WEIGHTS = {"gain": 1.5, "curve-offset": 0.5}
_PRIOR_UNKNOWN = 0.005
"""It can imitate every named fault, so it needs the readings' word to come before one."""


@dataclass(frozen=True, kw_only=True)
class Ranked:
    """Fits in the order of their scores, and the indices of the rivals of the first."""

    fits: tuple[Fit, ...]
    scores: FloatArray
    rivals: tuple[int, ...]


def ranked_fits(fits: Sequence[Fit], places: Counter[str]) -> Ranked:
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
    return Ranked(fits=listed, scores=scores, rivals=_rivals(listed, scores))


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
    if {best.hypothesis.kind, rival.hypothesis.kind} == _NEAR_TWINS:
        return _TWIN_MARGIN
    extends = best.hypothesis.parts < rival.hypothesis.parts
    if best.hypothesis.parts == frozenset() and rival.hypothesis.kind in (
        "wrong-curve",
        UNKNOWN_CURVE,
    ):
        extends = False  # another curve does not contain "healthy"
    if best.hypothesis.kind == "series-resistance" and rival.hypothesis.kind == INTERMITTENT:
        return _CONTACT_MARGIN
    return EXTENSION_MARGIN if extends else RIVAL_MARGIN


def log_gain(one: Fit) -> float | None:
    """Return the logarithm of the gain of a fit that has one."""
    for parameter, value in zip(one.hypothesis.parameters, one.inner.tolist(), strict=True):
        if parameter.name == "gain":
            return float(value)
    return None


def _gain_is_odd(one: Fit) -> bool:
    gain = log_gain(one)
    return gain is not None and abs(gain) > ODD_LOG_GAIN
