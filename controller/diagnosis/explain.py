"""A diagnosis in words: what it means, where to look and in which order, what would tell more."""

from __future__ import annotations

import math
from dataclasses import dataclass

from controller.diagnosis.fit import Interval
from controller.diagnosis.ranking import ODD_LOG_GAIN
from controller.diagnosis.result import Diagnosis, Explanation, NextStep, Reason
from controller.diagnosis.wording import (
    ANOTHER_SENSOR,
    HOW_TO_TELL_A_LAG,
    HOW_TO_TELL_THE_TWIN,
    MEANINGS,
    MEASURE_THE_PULLUP,
    NAMES,
    NEXT_WHEN_MISTAKEN,
    NEXT_WHEN_NOTHING_FITS,
    PLACES,
    TWIN_OF_A_GAIN,
    UNITS,
)

__all__ = ["Words", "explain", "sentence"]


@dataclass(frozen=True, kw_only=True)
class Words:
    """A diagnosis for people. `where_to_look` is in order of likelihood, under its `heading`.

    `not_ruled_out` are sentences on rivals, or on how large a fault the readings would not show.
    `tried` says what the answer was picked from.
    """

    headline: str
    meaning: str
    where_to_look: tuple[str, ...]
    not_ruled_out: tuple[str, ...]
    next_step: str | None
    remarks: tuple[str, ...]
    tried: str | None = None
    heading: str = "Where to look, likeliest first:"

    def as_text(self) -> str:
        """Return all of it as lines of text."""
        lines = [self.headline, self.meaning]
        if self.where_to_look:
            lines.append(self.heading)
            lines += [f"  {i}. {place}" for i, place in enumerate(self.where_to_look, start=1)]
        lines += self.not_ruled_out
        if self.next_step:
            lines.append(self.next_step)
        lines += self.remarks
        if self.tried:
            lines.append(self.tried)
        return "\n".join(lines)


def explain(diagnosis: Diagnosis) -> Words:
    """Return a diagnosis in words."""
    best = diagnosis.best
    if best is None:
        return _unexplained(diagnosis)
    parts = best.kind.split("+")
    places = [place for group in zip(*(PLACES[p] for p in parts), strict=False) for place in group]
    places += [place for part in parts for place in PLACES[part] if place not in places]
    if _gain_is_odd(best):
        places.insert(0, ANOTHER_SENSOR)
    return Words(
        headline=sentence(diagnosis),
        meaning=" ".join(MEANINGS[part] for part in parts),
        where_to_look=tuple(places),
        not_ruled_out=(
            *_not_ruled_out(diagnosis, best),
            *((HOW_TO_TELL_A_LAG,) if diagnosis.may_lag else ()),
        ),
        next_step=_next_step(diagnosis.next_step) if diagnosis.next_step else None,
        remarks=_remarks(diagnosis),
        tried=_tried(diagnosis),
    )


def _unexplained(diagnosis: Diagnosis) -> Words:
    """Return the words where no explanation can be given, and what to do then."""
    nearest = diagnosis.nearest
    if nearest is None:
        return Words(
            headline=sentence(diagnosis),
            meaning=" ".join(diagnosis.missing),
            where_to_look=(),
            not_ruled_out=(),
            next_step=None,
            remarks=_remarks(diagnosis),
        )
    if diagnosis.reason is Reason.OUTSIDE_TOLERANCE:
        meaning = (
            "Wiring and module look as they should, but some readings lie outside the plan's "
            "tolerance: these readings cannot tell so finely."
        )
    elif diagnosis.reason is Reason.MISTAKEN:
        meaning = "Before the readings are taken again nothing can be said of the circuit."
    else:
        meaning = (
            "Something is at work that is not among the faults that were tried, or several are; "
            "naming one of them would be a guess."
        )
    return Words(
        headline=sentence(diagnosis),
        meaning=meaning,
        where_to_look=(
            NEXT_WHEN_MISTAKEN if diagnosis.reason is Reason.MISTAKEN else NEXT_WHEN_NOTHING_FITS
        ),
        not_ruled_out=(),
        next_step=None,
        remarks=_remarks(diagnosis),
        tried=_tried(diagnosis),
        heading="What to do, in this order:",
    )


def _tried(diagnosis: Diagnosis) -> str | None:
    """Return what was tried, in words: an answer is only as good as the list it is picked from."""
    parts = {part for one in diagnosis.explanations for part in one.kind.split("+")}
    pairs = any("+" in one.kind for one in diagnosis.explanations)
    names = [name for kind, name in NAMES.items() if kind in parts - {"healthy", "unknown-curve"}]
    told = f"Tried: {', '.join(names)}"
    told += "; and two of the wiring faults at once." if pairs else "."
    return told if names else None


def _gain_is_odd(best: Explanation) -> bool:
    """Whether a gain is larger than a wrong pull-up mostly is."""
    gains = [p.value for p in best.parameters if p.name == "gain" and p.value]
    return any(abs(math.log(gain)) > ODD_LOG_GAIN for gain in gains)


def sentence(diagnosis: Diagnosis) -> str:
    """Return the diagnosis as one sentence."""
    best = diagnosis.best
    if best is None:
        return _sentence_without_answer(diagnosis)
    name = _named(best)
    values = _values(best)
    twin = f", or {TWIN_OF_A_GAIN}" if best.twins and "+" not in best.kind else ""
    lag = ", or readings that were taken too early" if diagnosis.may_lag else ""
    told = f"{name}{twin}{lag}: {values}" if values else name
    if diagnosis.rivals:
        others = _joined([_named(one) for one in _rivals(diagnosis)])
        return f"Cannot tell apart: {name}{f' ({values})' if values else ''}, or {others}."
    if best.kind == "unknown-curve" and diagnosis.misfit is not None:
        return (
            f"None of the explanations fits: the readings are up to "
            f"{abs(diagnosis.misfit.worst_celsius):.1f} degC off the plan's curve (reading "
            f"{diagnosis.misfit.worst_reading + 1}) and lie on another smooth one, as of a sensor "
            "that was not tried."
        )
    if not diagnosis.distinguishable:
        jumping = diagnosis.slips or best.jumping
        jump = f"{_numbered(jumping)} jump{'' if len(jumping) > 1 else 's'}"
        if best.kind == "intermittent-contact":
            return f"Cannot tell: {jump}. A contact that comes and goes, or a slip: take it again."
        return f"Cannot tell: {told} fits the rest, but {jump}. A contact that comes and goes?"
    if best.kind == "healthy":
        return (
            f"No fault found: the readings agree with the curve (rms {best.rms_celsius:.1f} degC)."
        )
    if best.kind == "intermittent-contact":
        return f"Readings jump: {told} in {_numbered(best.jumping)}."
    return f"{told[0].upper()}{told[1:]}; nothing else that was tried fits as well."


def _sentence_without_answer(diagnosis: Diagnosis) -> str:
    nearest, misfit = diagnosis.nearest, diagnosis.misfit
    if nearest is None or misfit is None:
        return "Undecided: the readings are not enough for a diagnosis."
    if diagnosis.mistake is not None:
        return f"The readings look mistaken: {diagnosis.mistake[0].lower()}{diagnosis.mistake[1:]}"
    left = (
        f"up to {abs(misfit.worst_celsius):.1f} degC (reading {misfit.worst_reading + 1}), "
        f"rms {misfit.rms_celsius:.1f} degC"
    )
    if diagnosis.reason is Reason.OUTSIDE_TOLERANCE:
        return f"Undecided: no fault shows, but readings lie outside the tolerance, {left}."
    return f"None of the explanations fits: the nearest, {_named(nearest)}, leaves {left}."


def _named(one: Explanation) -> str:
    name = " and ".join(NAMES[part] for part in one.kind.split("+"))
    return f"{name} ({one.sensor})" if one.sensor else name


def _rivals(diagnosis: Diagnosis) -> list[Explanation]:
    return [one for one in diagnosis.explanations if one.kind in diagnosis.rivals]


def _values(one: Explanation) -> str:
    told = []
    for parameter in one.parameters:
        text = UNITS[parameter.name].format(_quantity(parameter, parameter.value))
        if parameter.low is not None or parameter.high is not None:
            low, high = (_quantity(parameter, end) for end in (parameter.low, parameter.high))
            text += f" (95 %: {low} to {high})"
        told.append(text)
    return ", ".join(told)


def _quantity(parameter: Interval, value: float | None) -> str:
    if value is None:
        return "without limit"
    if parameter.name.endswith("_ohms"):
        return _three_digits(value)
    if parameter.name.endswith("_celsius"):
        return f"{value:+.1f} degC"
    if parameter.name == "share":
        return f"{100 * value:.0f} %"
    return f"{value:.3f}"


def _three_digits(ohms: float) -> str:
    """Write a resistance as precisely as a diagnosis knows it."""
    scale, unit = next(s for s in ((1e6, "Mohm"), (1e3, "kohm"), (0.0, "ohm")) if ohms >= s[0])
    digits = float(f"{ohms:.3g}") / (scale or 1.0)
    return f"{digits:.6g} {unit}"


def _not_ruled_out(diagnosis: Diagnosis, best: Explanation) -> tuple[str, ...]:
    if not diagnosis.distinguishable:
        return tuple(
            f"Explains the readings nearly as well: {_named(one)}"
            + (f", {_values(one)}." if one.parameters else ".")
            for one in _rivals(diagnosis)
        )
    if best.twins:
        return (HOW_TO_TELL_THE_TWIN,)
    if best.kind != "healthy":
        return ()
    found = []
    for one in diagnosis.explanations:
        if one.kind == "series-resistance" and one.parameters[0].high is not None:
            most = _quantity(one.parameters[0], one.parameters[0].high)
            found.append(f"A series resistance of up to {most} would not show in these readings.")
        if one.kind == "leakage-to-ground" and one.parameters[0].low is not None:
            least = _quantity(one.parameters[0], one.parameters[0].low)
            found.append(f"A leakage of {least} or more would not show in these readings.")
    return tuple(found)


def _next_step(step: NextStep) -> str:
    if step.kind == "repeat":
        return (
            f"Take the step at {step.target_celsius:.0f} degC again several times, harness and "
            "connectors moved in between: a bad contact jumps, everything else stays."
        )
    expected = "; ".join(
        f"{' and '.join(NAMES[part] for part in kind.split('+'))}: "
        + ("the circuit is reported as at fault" if value is None else f"{value:.1f} degC")
        for kind, value in step.expected
    )
    kinds = {part for kind, _ in step.expected for part in kind.split("+")}
    where = step.kind if step.target_celsius is None else f"{step.target_celsius:.0f} degC"
    if step.separation < 3.0:
        return (
            f"No single step would tell. The best is {where} ({expected}), read several times: "
            f"one reading separates the two by {step.separation:.1f} standard deviations."
            + (MEASURE_THE_PULLUP if "gain" in kinds else "")
        )
    return f"One more step would tell: {where} ({expected})."


def _remarks(diagnosis: Diagnosis) -> tuple[str, ...]:
    found = list(diagnosis.end_remarks)
    if diagnosis.left_out:
        found.append(
            f"Left out, since they are no temperatures: {_numbered(diagnosis.left_out)} "
            "(open, shorted, or reported as such)."
        )
    if diagnosis.slips and diagnosis.mistake is None:
        found.append(f"Fits no explanation, take it again: {_numbered(diagnosis.slips)}.")
    return tuple(found)


def _numbered(indices: tuple[int, ...]) -> str:
    return f"reading{'s' if len(indices) > 1 else ''} " + _joined(
        [str(i + 1) for i in indices], "and"
    )


def _joined(items: list[str], word: str = "or") -> str:
    if len(items) < 2:
        return "".join(items)
    return f"{', '.join(items[:-1])} {word} {items[-1]}"
