"""Pieces of text with a tone: what the wording hands to the widgets.

Knows: parts, tones, columns, rows, and what is said while nothing is driven.
Must not know: runs, Textual, colours. It stays light: the first frame waits for it.
"""

from __future__ import annotations

from collections.abc import Sequence
from enum import Enum
from typing import NamedTuple

from rich.cells import cell_len

from controller.tui.text import fitted

__all__ = ["NOTHING_DRIVEN", "NO_LINK", "Cells", "Column", "Part", "Tone", "within"]


class Tone(Enum):
    """How a piece of text is meant; a theme turns it into colour and weight.

    Every tone but the plain ones comes with a sign and a word, so that nothing is told by colour
    alone.
    """

    PLAIN = "plain"
    FAINT = "faint"
    STRONG = "strong"
    GOOD = "good"
    BAD = "bad"
    DOUBT = "doubt"
    ACTIVE = "active"


class Part(NamedTuple):
    """A piece of one line."""

    text: str
    tone: Tone = Tone.PLAIN


class Column(NamedTuple):
    """A column of fixed width in cells; numbers stand on the right. `key` names what it shows."""

    head: str
    width: int
    right: bool = True
    key: str = ""


class Cells(NamedTuple):
    """One row, ready to be drawn."""

    cells: tuple[str, ...]
    tone: Tone = Tone.PLAIN


NOTHING_DRIVEN = Part("○ nothing driven", Tone.FAINT)
NO_LINK = Part("no link open", Tone.FAINT)


def within(parts: Sequence[Part], room: int) -> tuple[Part, ...]:
    """Return the parts of a line that fit; what stands last is left out whole, never cut in two.

    Only a first part that is too long by itself is cut: those are words.
    """
    kept: list[Part] = []
    used = 0
    for part in parts:
        size = cell_len(part.text) + (2 if kept else 0)
        if used + size > room:
            if not kept:
                kept.append(Part(fitted(part.text, room), part.tone))
            break
        kept.append(part)
        used += size
    return tuple(kept)
