"""The words of a board that takes lines of text, as data: patterns with places for a state.

Knows: how a pattern is filled in, and how a line is read by one.
Must not know: ports, time, any board's words.

A pattern is literal text with places in braces:

    {hex}             the state in hexadecimal digits, as many as the outputs need
    {bits}            one 0 or 1 for each output, output 0 last
    {bits-low-first}  the same with output 0 first
    {decimal}         the state as a decimal number
    {name}            in the reply to identify: who the board is
    {any}             in a reply: anything, also nothing
"""

from __future__ import annotations

import re

__all__ = ["STATE_PLACES", "Words", "pattern_problem"]

STATE_PLACES = ("hex", "bits", "bits-low-first", "decimal")
"""The places that stand for a state."""

_PLACE = re.compile(r"\{([^{}]*)\}")


def pattern_problem(pattern: str, *, states: int, reply: bool = False) -> str | None:
    """Return what is wrong with a pattern that has to hold `states` places for a state.

    None when nothing is. A reply may have {any} and {name} as well.
    """
    others = ("any", "name") if reply else ()
    places = _PLACE.findall(pattern)
    known = (*STATE_PLACES, *others)
    for place in places:
        if place not in known:
            return f"has no place {{{place}}}; there is {', '.join(f'{{{one}}}' for one in known)}"
    if re.search(r"[{}]", _PLACE.sub("", pattern)):
        return "has a brace without its partner"
    if not pattern.isprintable() or not pattern.isascii():
        return "must be plain text without control characters"
    found = sum(place in STATE_PLACES for place in places)
    if found != states:
        needs = "one place for the state" if states else "no place for a state"
        return f"needs {needs}, such as {{hex}}" if states else f"needs {needs}"
    return None


class Words:
    """Patterns for the states of so many outputs."""

    def __init__(self, outputs: int) -> None:
        self._outputs = outputs
        self._digits = -(-outputs // 4)

    def filled(self, pattern: str, state: int = 0) -> str:
        """Return a pattern with a state in its places."""
        return _PLACE.sub(lambda place: self._written(place[1], state), pattern)

    def fits(self, pattern: str, line: str) -> bool:
        """Return whether a line is one of a pattern, whatever stands in its places."""
        return self._expression(pattern).fullmatch(line) is not None

    def state_in(self, pattern: str, line: str) -> int | None:
        """Return the state that a line tells by a pattern; None when it does not tell one.

        A state that needs more outputs than there are is none.
        """
        match = self._expression(pattern).fullmatch(line)
        if match is None:
            return None
        places = [place for place in _PLACE.findall(pattern) if place in ("name", *STATE_PLACES)]
        for place, text in zip(places, match.groups(), strict=True):
            if place in STATE_PLACES:
                state = self._read(place, text)
                return None if state >> self._outputs else state
        return None

    def name_in(self, pattern: str, line: str) -> str | None:
        """Return the name that a line tells by a pattern; the whole line where it has no place."""
        match = self._expression(pattern).fullmatch(line)
        if match is None:
            return None
        places = [place for place in _PLACE.findall(pattern) if place in ("name", *STATE_PLACES)]
        found = zip(places, match.groups(), strict=True)
        return next((str(text) for place, text in found if place == "name"), line).strip()

    def _written(self, place: str, state: int) -> str:
        bits = f"{state:0{self._outputs}b}"
        return {
            "hex": f"{state:0{self._digits}X}",
            "bits": bits,
            "bits-low-first": bits[::-1],
            "decimal": str(state),
        }.get(place, "")

    def _read(self, place: str, text: str) -> int:
        match place:
            case "hex":
                return int(text, 16)
            case "bits":
                return int(text, 2)
            case "bits-low-first":
                return int(text[::-1], 2)
        return int(text)

    def _expression(self, pattern: str) -> re.Pattern[str]:
        places = {
            "hex": f"([0-9A-Fa-f]{{{self._digits}}})",
            "bits": f"([01]{{{self._outputs}}})",
            "bits-low-first": f"([01]{{{self._outputs}}})",
            "decimal": f"([0-9]{{1,{len(str((1 << self._outputs) - 1))}}})",
            "name": "(.*?)",
            "any": ".*?",
        }
        pieces = re.split(r"(\{[^{}]*\})", pattern)
        return re.compile(
            "".join(
                places[piece[1:-1]] if index % 2 else re.escape(piece)
                for index, piece in enumerate(pieces)
            )
        )
