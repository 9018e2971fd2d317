"""Sentences of the program with their temperatures on the scale of the screen.

Knows: the words that `run.summary` and `diagnosis` put around a temperature, a difference, a span.
Must not know: where they are shown. Records keep every sentence in degC.
"""

from __future__ import annotations

import re

from controller.tui.scale import Scale
from controller.tui.text import one_line

__all__ = ["finding_on", "sentence_on"]

_JUDGED = re.compile(
    r"reported (-?[\d.]+) where (-?[\d.]+) degC was expected"
    r" \(error ([+-][\d.]+)(?:, uncertainty ([\d.]+))?(?:, tolerance ([\d.]+))?\)"
)
_DEGREES = re.compile(r"(-?\d+(?:\.\d+)?) degC")
_SPAN = re.compile(r"\b(up to|rms|offset|95 %:) ([+-]?)(\d+(?:\.\d+)?) degC")
_TO = re.compile(r"( to) ([+-])(\d+(?:\.\d+)?) degC\)")


def sentence_on(sentence: str, scale: Scale) -> str:
    """Return the sentence of a run with its temperatures on a scale."""
    sentence = one_line(sentence)
    if scale is Scale.CELSIUS:
        return sentence

    def judged(found: re.Match[str]) -> str:
        reported, expected = (f"{scale.of(float(found[n])):.1f}" for n in (1, 2))
        spans = f"error {scale.step(float(found[3])):+.1f}"
        if found[4]:
            spans += f", uncertainty {scale.step(float(found[4])):.2f}"
        if found[5]:
            spans += f", tolerance {scale.step(float(found[5])):g}"
        return f"reported {reported} where {expected} {scale.unit} was expected ({spans})"

    return _alone(_JUDGED.sub(judged, sentence), scale)


def finding_on(sentence: str, scale: Scale) -> str:
    """Return a sentence of a diagnosis with its temperatures on a scale.

    What lies off a curve is a difference, and so are both ends of its interval.
    """
    sentence = one_line(sentence)
    if scale is Scale.CELSIUS:
        return sentence

    def span(found: re.Match[str]) -> str:
        return f"{found[1]} {found[2]}{scale.step(float(found[3])):.1f} {scale.unit}"

    sentence = _SPAN.sub(span, sentence)
    sentence = _TO.sub(lambda found: f"{span(found)})", sentence)
    return _alone(sentence, scale)


def _alone(sentence: str, scale: Scale) -> str:
    """Return a sentence in which every temperature left is one on its own."""
    return _DEGREES.sub(lambda found: f"{scale.of(float(found[1])):.1f} {scale.unit}", sentence)
