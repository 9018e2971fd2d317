"""A diagnosis in words: what it means, where to look and in which order, what would tell more.

The places to look are common practice, no source; the order is from the likeliest down.
"""

from __future__ import annotations

from dataclasses import dataclass

from controller.diagnosis.fit import Interval
from controller.diagnosis.result import Diagnosis, Explanation, NextStep, Reason

__all__ = ["Words", "explain", "sentence"]


@dataclass(frozen=True, kw_only=True)
class Words:
    """A diagnosis for people. `where_to_look` is in order of likelihood.

    `not_ruled_out` are sentences on rivals, or on how large a fault the readings would not show.
    """

    headline: str
    meaning: str
    where_to_look: tuple[str, ...]
    not_ruled_out: tuple[str, ...]
    next_step: str | None
    remarks: tuple[str, ...]

    def as_text(self) -> str:
        """Return all of it as lines of text."""
        lines = [self.headline, self.meaning]
        if self.where_to_look:
            lines.append("Where to look, likeliest first:")
            lines += [f"  {i}. {place}" for i, place in enumerate(self.where_to_look, start=1)]
        lines += self.not_ruled_out
        if self.next_step:
            lines.append(self.next_step)
        lines += self.remarks
        return "\n".join(lines)


_NAMES = {
    "healthy": "no fault",
    "series-resistance": "extra resistance in series",
    "leakage-to-ground": "leakage to ground",
    "leakage-to-supply": "leakage to a supply wire",
    "gain": "a wrong pull-up or its supply",
    "curve-offset": "a fixed temperature offset",
    "wrong-curve": "the curve of another sensor",
    "second-pullup": "a second pull-up that is not described",
    "adc-reference": "a converter reference that differs from the pull-up's supply",
    "intermittent-contact": "a contact that comes and goes",
    "unknown-curve": "a smooth deviation that none of the named faults makes",
}

_MEANINGS = {
    "healthy": "Wiring, connector and module turn resistance into temperature as they should.",
    "series-resistance": (
        "The module sees more resistance than was put in, by the same ohms everywhere: small "
        "errors cold, large ones hot."
    ),
    "leakage-to-ground": (
        "Current takes a second way to ground beside the sensor: small errors hot, large ones cold."
    ),
    "leakage-to-supply": (
        "Current flows into the signal wire from a supply beside the module's own pull-up."
    ),
    "gain": (
        "The module sees every resistance off by the same factor. A leakage to the reference "
        "supply itself looks exactly like a gain above one."
    ),
    "curve-offset": "The reported temperature is off by the same degrees everywhere.",
    "wrong-curve": (
        "The module turns the right resistance into temperature by the curve of another sensor "
        "than the plan names."
    ),
    "second-pullup": (
        "Below one resistance all readings are off by one factor, above it none: the input "
        "switches to another pull-up there."
    ),
    "adc-reference": (
        "The module's converter measures against a reference of its own, and that one is off "
        "against the supply of the pull-up: all readings shift the same way, cold ones most."
    ),
    "intermittent-contact": (
        "Some readings are right and some see extra resistance in series: the readings jump."
    ),
    "unknown-curve": (
        "The readings lie on a smooth curve, but not on one that a single fault of wiring or "
        "module makes. The curve of a sensor that was not tried looks like this, and so may two "
        "or three faults at once."
    ),
}

_PLACES = {
    "healthy": (
        "the sensor that was unplugged: judge it by itself, in a bath of known temperature",
        "what comes and goes: move harness and connector while a reading is shown",
    ),
    "series-resistance": (
        "connector pins at the sensor: corrosion, spread or pushed-back contacts",
        "ground wire and ground point of the sensor circuit",
        "splices and chafed or broken strands in the harness",
        "connector pins at the module",
    ),
    "leakage-to-ground": (
        "water or coolant in the sensor connector",
        "chafed insulation of the signal wire against metal",
        "moisture in splices and in the module's connector",
        "the protection parts at the module's input",
    ),
    "leakage-to-supply": (
        "signal wire chafed against a supply wire in the harness",
        "water between neighbouring pins of the connector, one of them a supply",
        "the module's input",
    ),
    "gain": (
        "the pull-up that the module file states: measure it, or read the short-circuit current",
        "the sensor reference supply: measure it at the connector and at other sensors",
        "signal wire in contact with the reference supply wire (gain above one)",
        "the module's pull-up resistor or input stage",
    ),
    "curve-offset": (
        "an adjustment or trim stored in the module",
        "the instrument the temperature was read from: its own offset or conversion",
        "the chart the curve was read from: a shifted axis",
    ),
    "wrong-curve": (
        "the sensor file of the plan: does it belong to this machine?",
        "part number and configuration of the module",
        "the sensor that was fitted: it must be of the module's type, not the plan's",
    ),
    "second-pullup": (
        "the module file: describe the second pull-up there and judge again",
        "the module's switched pull-up, if the maker does not know of one",
    ),
    "adc-reference": (
        "the supply that feeds the pull-up: measure it against ground at the connector, open",
        "other inputs of the module: a converter reference that is off shows on all of them",
        "the module file: pull-up and reference as stated",
    ),
    "intermittent-contact": (
        "connector pins at the sensor: move harness and connector while a reading is shown",
        "ground point and splices: pull gently, heat, cool",
        "the clips of the bench leads and the ladder's own relays",
    ),
    "unknown-curve": (
        "the sensor the module expects: diagnose again with other sensors as candidates",
        "pull-up and reference: measure open-circuit voltage and short-circuit current",
        "more than one fault: repair what is visible, then take the readings again",
    ),
}

_NEXT_WHEN_NOTHING_FITS = (
    "repeat the steps that fit worst, and once more with the harness held still",
    "move harness and connectors while one reading is shown: a bad contact jumps",
    "take more steps, ten or more, spread from the coldest to the hottest",
    "diagnose again with the sensors that may be meant as candidates",
)

_ANOTHER_SENSOR = (
    "the sensor the module expects: two thermistors of one material differ by a factor alone; "
    "diagnose again with other sensors as candidates"
)
_ODD_GAIN = 1.5
_MEASURE_THE_PULLUP = (
    " Measuring tells: open-circuit voltage over short-circuit current is the pull-up."
)

_TWIN_OF_A_GAIN = "a sensor of the same material and another size"
_HOW_TO_TELL_THE_TWIN = (
    f"No reading can tell a gain from {_TWIN_OF_A_GAIN}: if the pull-up and its supply measure "
    "right, the module expects another sensor."
)

_UNITS = {
    "series_ohms": "{}",
    "leakage_ohms": "{}",
    "gain": "factor {}",
    "gain_below": "factor {}",
    "switch_ohms": "below {}",
    "offset_celsius": "offset {}",
    "reference_share": "factor {}",
    "share": "in {} of the readings",
}


def explain(diagnosis: Diagnosis) -> Words:
    """Return a diagnosis in words."""
    best = diagnosis.best
    if best is None:
        return _unexplained(diagnosis)
    parts = best.kind.split("+")
    places = [place for group in zip(*(_PLACES[p] for p in parts), strict=False) for place in group]
    places += [place for part in parts for place in _PLACES[part] if place not in places]
    if _gain_is_odd(best):
        places.insert(0, _ANOTHER_SENSOR)
    return Words(
        headline=sentence(diagnosis),
        meaning=" ".join(_MEANINGS[part] for part in parts),
        where_to_look=tuple(places),
        not_ruled_out=_not_ruled_out(diagnosis, best),
        next_step=_next_step(diagnosis.next_step) if diagnosis.next_step else None,
        remarks=(*_remarks(diagnosis), *_tried(diagnosis)),
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
            "tolerance: it is tighter than the readings are sure."
        )
    else:
        meaning = (
            "Something is at work that is not among the faults that were tried, or several are; "
            "naming one of them would be a guess."
        )
    return Words(
        headline=sentence(diagnosis),
        meaning=meaning,
        where_to_look=_NEXT_WHEN_NOTHING_FITS,
        not_ruled_out=(),
        next_step=None,
        remarks=(*_remarks(diagnosis), *_tried(diagnosis)),
    )


def _tried(diagnosis: Diagnosis) -> tuple[str, ...]:
    """Return what was tried, in words: an answer is only as good as the list it is picked from."""
    parts = {part for one in diagnosis.explanations for part in one.kind.split("+")}
    pairs = any("+" in one.kind for one in diagnosis.explanations)
    names = [name for kind, name in _NAMES.items() if kind in parts - {"healthy", "unknown-curve"}]
    told = f"Tried: {', '.join(names)}"
    told += "; and two of the wiring faults at once." if pairs else "."
    return (told,) if names else ()


def _gain_is_odd(best: Explanation) -> bool:
    """Whether a gain is larger than a wrong pull-up mostly is."""
    gains = [p.value for p in best.parameters if p.name == "gain" and p.value]
    return any(not 1 / _ODD_GAIN <= gain <= _ODD_GAIN for gain in gains)


def sentence(diagnosis: Diagnosis) -> str:
    """Return the diagnosis as one sentence."""
    best = diagnosis.best
    if best is None:
        return _sentence_without_answer(diagnosis)
    name = _named(best)
    values = _values(best)
    twin = f", or {_TWIN_OF_A_GAIN}" if best.twins and "+" not in best.kind else ""
    told = f"{name}{twin}: {values}" if values else name
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
        return (
            f"Cannot tell: {told}, were it not for {_numbered(jumping)}, which "
            f"{'jump' if len(jumping) > 1 else 'jumps'}. An intermittent contact?"
        )
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
    left = (
        f"up to {abs(misfit.worst_celsius):.1f} degC (reading {misfit.worst_reading + 1}), "
        f"rms {misfit.rms_celsius:.1f} degC"
    )
    if diagnosis.reason is Reason.OUTSIDE_TOLERANCE:
        return f"Undecided: no fault shows, but readings lie outside the tolerance, {left}."
    return f"None of the explanations fits: the nearest, {_named(nearest)}, leaves {left}."


def _named(one: Explanation) -> str:
    name = " and ".join(_NAMES[part] for part in one.kind.split("+"))
    return f"{name} ({one.sensor})" if one.sensor else name


def _rivals(diagnosis: Diagnosis) -> list[Explanation]:
    return [one for one in diagnosis.explanations if one.kind in diagnosis.rivals]


def _values(one: Explanation) -> str:
    told = []
    for parameter in one.parameters:
        text = _UNITS[parameter.name].format(_quantity(parameter, parameter.value))
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
        return (_HOW_TO_TELL_THE_TWIN,)
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
    expected = "; ".join(
        f"{' and '.join(_NAMES[part] for part in kind.split('+'))}: "
        + ("the circuit is reported as at fault" if value is None else f"{value:.1f} degC")
        for kind, value in step.expected
    )
    kinds = {part for kind, _ in step.expected for part in kind.split("+")}
    where = step.kind if step.target_celsius is None else f"{step.target_celsius:.0f} degC"
    if step.separation < 3.0:
        return (
            f"No single step would tell. The best is {where} ({expected}), read several times: "
            f"one reading separates the two by {step.separation:.1f} standard deviations."
            + (_MEASURE_THE_PULLUP if "gain" in kinds else "")
        )
    return f"One more step would tell: {where} ({expected})."


def _remarks(diagnosis: Diagnosis) -> tuple[str, ...]:
    found = list(diagnosis.end_remarks)
    if diagnosis.left_out:
        found.append(
            f"Left out, since they are no temperatures: {_numbered(diagnosis.left_out)} "
            "(open, shorted, or reported as such)."
        )
    if diagnosis.slips:
        found.append(f"Fits no explanation, take it again: {_numbered(diagnosis.slips)}.")
    return tuple(found)


def _numbered(indices: tuple[int, ...]) -> str:
    return f"reading{'s' if len(indices) > 1 else ''} " + _joined([str(i + 1) for i in indices])


def _joined(items: list[str]) -> str:
    if len(items) < 2:
        return "".join(items)
    return f"{', '.join(items[:-1])} or {items[-1]}"
