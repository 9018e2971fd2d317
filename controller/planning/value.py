"""What a person may ask to have at the output, as it is typed.

Knows: words, temperatures, resistances, relays and states as text, and the nearest ones up or down.
Must not know: ladders, curves, whether it can be had. It loads nothing heavy: `--help` reads it.
"""

from __future__ import annotations

import difflib
import re
from dataclasses import dataclass, replace

from controller.errors import InputError
from controller.units import parse_ohms, parse_temperature

__all__ = ["HINT", "Wish", "nudged", "parse_wish"]

HINT = "20degC, 68degF, 2.5k, 2500ohm, open, short, park, relay 3, or a state as 0x0a3f"
NUDGE_CELSIUS = 0.5
NUDGE_SHARE = 0.01
_WORDS = ("open", "short", "park")
_TEMPERATURE = re.compile(r".*\d\s*(?:°|deg)?\s*[cCfF]")
_STATE = re.compile(r"0[xX][0-9a-fA-F]+")
_RELAY = re.compile(r"(?:relay|r)\s*(\d{1,3})", re.IGNORECASE)


@dataclass(frozen=True, kw_only=True)
class Wish:
    """What is to be at the output; one of the five is given.

    `relay` is one to change over, `state` a whole state as text, ``0x0a3f``.
    """

    word: str | None = None
    celsius: float | None = None
    ohms: float | None = None
    relay: int | None = None
    state: str | None = None


def parse_wish(text: str) -> Wish:
    """Return what a line asks for. Raises InputError.

    A bare number is refused: 20 may mean ohm or degC, and the difference matters.
    """
    stripped = text.strip()
    if stripped.lower() in _WORDS:
        return Wish(word=stripped.lower())
    if relay := _RELAY.fullmatch(stripped):
        return Wish(relay=int(relay[1]))
    if _STATE.fullmatch(stripped):
        return Wish(state=stripped)
    if _TEMPERATURE.fullmatch(stripped):
        return Wish(celsius=parse_temperature(stripped, what="value"))
    if re.fullmatch(r"[+-]?[\d.]+(?:[eE][+-]?\d+)?", stripped):
        raise InputError.single("a number needs its unit", hint=f"write {HINT}")
    try:
        return Wish(ohms=parse_ohms(stripped, what="value"))
    except InputError as error:
        if re.match(r"[+-]?[\d.,]+", stripped):  # a number: what is wrong with it is known
            raise InputError(replace(one, where="value") for one in error.problems) from None
        near = difflib.get_close_matches(
            stripped.lower().partition(" ")[0], (*_WORDS, "relay"), n=1
        )
        hint = f"did you mean {near[0]}?" if near and near[0] != "relay" else f"write {HINT}"
        if near == ["relay"]:
            hint = "write relay and its number: relay 3"
        raise InputError.single(f"{stripped!r} is no value that can be set", hint=hint) from None


def nudged(text: str, direction: int) -> str | None:
    """Return a typed value moved a little up or down; None where there is nothing to move."""
    try:
        wish = parse_wish(text)
    except InputError:
        return None
    if wish.celsius is not None:
        return f"{wish.celsius + direction * NUDGE_CELSIUS:.4g}degC"
    if wish.ohms is not None:
        return f"{wish.ohms * (1 + NUDGE_SHARE) ** direction:.5g}ohm"
    return None
