"""Sentences of the program with their temperatures on the scale of the screen.

Knows: the words that the program puts around a temperature, a difference, a span.
Must not know: where they are shown. Records keep every sentence in degC.
"""

from __future__ import annotations

import re

from controller.tui.scale import Scale
from controller.tui.text import one_line

__all__ = ["sentence_on"]

_N = r"[+-]?\d+(?:\.\d+)?(?:e[+-]?\d+)?"
_SPAN_WORDS = (
    "at once|brings it to|by|is only|it lies|offset|rms|strays|tolerance of|uncertainty of"
    "|up to|within"
)
_SENTENCES = re.compile(
    # What a step reported and by how much that is off, in one breath.
    rf"reported (?P<reported>{_N}) where (?P<expected>{_N}) degC was expected"
    rf" \(error (?P<error>{_N})(?:, uncertainty (?P<unsure>{_N}))?"
    rf"(?:, tolerance (?P<limit>{_N}))?\)"
    # Differences: an interval of one, one after its words, one in front of them, one in brackets.
    rf"|95 %: (?P<low>{_N}) degC to (?P<high>{_N}) degC"
    rf"|\b(?P<words>{_SPAN_WORDS}) (?P<after>{_N}) degC"
    rf"|(?P<off>{_N}) degC(?= off\b)"
    rf"|\((?P<part>{_N}) degC\)"
    rf"|hysteresis between (?P<least>{_N}) and (?P<most>{_N}) K"
    rf"|\(U (?P<expanded>{_N})\)"
    rf"|\bare (?P<much>{_N}) (?P<too>too high)"
    # Temperatures: some with one unit for all, or one alone.
    rf"|(?P<several>{_N} (?:to|and) {_N}(?:, {_N} to {_N})*) degC"
    rf"|(?P<alone>{_N}) degC",
)


def sentence_on(sentence: str, scale: Scale) -> str:
    """Return a sentence of the program with its temperatures on a scale."""
    sentence = one_line(sentence)
    if scale is Scale.CELSIUS:
        return sentence
    return _SENTENCES.sub(lambda found: _told(found.groupdict(), found[0], scale), sentence)


def _told(found: dict[str, str | None], whole: str, scale: Scale) -> str:
    unit = scale.unit
    match found:
        case {"reported": str(reported), "expected": str(expected), "error": str(error)}:
            spans = f"error {scale.step(float(error)):+.1f}"
            if (unsure := found["unsure"]) is not None:
                spans += f", uncertainty {scale.step(float(unsure)):.2f}"
            if (limit := found["limit"]) is not None:
                spans += f", tolerance {scale.step(float(limit)):g}"
            values = f"{_place(reported, scale)} where {_place(expected, scale)}"
            return f"reported {values} {unit} was expected ({spans})"
        case {"low": str(low), "high": str(high)}:
            return f"95 %: {_span(low, scale)} {unit} to {_span(high, scale)} {unit}"
        case {"words": str(words), "after": str(after)}:
            return f"{words} {_span(after, scale)} {unit}"
        case {"off": str(off)}:
            return f"{_span(off, scale)} {unit}"
        case {"part": str(part)}:
            return f"({_span(part, scale)} {unit})"
        case {"least": str(least), "most": str(most)}:
            return f"hysteresis between {_span(least, scale)} and {_span(most, scale)} {unit}"
        case {"expanded": str(expanded)}:
            return f"(U {_span(expanded, scale)})"
        case {"much": str(much), "too": str(too)}:
            return f"are {_span(much, scale)} {too}"
        case {"several": str(several)}:
            return f"{re.sub(_N, lambda one: _place(one[0], scale), several)} {unit}"
        case {"alone": str(alone)}:
            return f"{_place(alone, scale)} {unit}"
    return whole


def _place(celsius: str, scale: Scale) -> str:
    """Write a temperature as finely as it was written, to a tenth at least."""
    return _as_fine(celsius, scale.of(float(celsius)))


def _span(kelvin: str, scale: Scale) -> str:
    """Write a difference likewise, with its sign where it had one; a small one more finely."""
    value = scale.step(float(kelvin))
    sign = "+" if kelvin[0] == "+" else ""
    return _as_fine(kelvin, value, sign=sign, least=2 if 0.0 < abs(value) < 1.0 else 1)


def _as_fine(written: str, value: float, *, sign: str = "", least: int = 1) -> str:
    if "e" in written:
        return f"{value:{sign}.3g}"
    digits = max(least, len(written.partition(".")[2]))
    return f"{value:{sign}.{digits}f}"
