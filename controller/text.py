"""Text for people: tables, numbers, and what may not pass from a device or a file to a terminal.

Knows: how columns line up at the decimal point and which characters a terminal acts on.
Must not know: what the columns mean, terminals, colours.
"""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Sequence

__all__ = ["clean", "number", "ohms", "one_line", "table"]

_NONE = "-"


def clean(text: str) -> str:
    """Replace every control, format and surrogate character but the newline by a question mark.

    Escape sequences, carriage returns and direction marks in a device's name or a file would
    otherwise act on the terminal.
    """
    if text.replace("\n", "").isprintable():  # nearly always, and some thirty times as fast
        return text
    return "".join(
        "?" if char != "\n" and unicodedata.category(char) in ("Cc", "Cf", "Cs") else char
        for char in text
    )


def one_line(text: str) -> str:
    """Return text cleaned and on one line: a name with line ends could pass for lines of ours."""
    return clean(text).replace("\n", " ")


def number(value: float | None, digits: int, *, sign: bool = False) -> str:
    """Write a number with that many decimals; a dash for None. Never a minus before a zero."""
    if value is None:
        return _NONE
    text = f"{value:{'+' if sign else ''}.{digits}f}"
    return text.replace("-", "+" if sign else "") if float(text) == 0 else text


def table(heads: Sequence[str], rows: Sequence[Sequence[str]]) -> list[str]:
    """Return lines with columns two spaces apart, numbers aligned at the decimal point.

    A column counts as numbers when each of its cells starts like one or is a dash; other columns
    are left-aligned. Every cell is cleaned.
    """
    columns: list[list[str]] = []
    for index, head in enumerate(heads):
        cells = [one_line(row[index]) for row in rows]
        numeric = bool(cells) and all(_is_number(cell) for cell in cells)
        if numeric:
            cells = _align_decimals(cells)
        width = max(len(head), *(len(cell) for cell in cells), 0) if cells else len(head)
        pad = str.rjust if numeric else str.ljust
        columns.append([pad(head, width), *(pad(cell, width) for cell in cells)])
    return ["  ".join(cells).rstrip() for cells in zip(*columns, strict=True)]


def _is_number(cell: str) -> bool:
    if cell in (_NONE, "open"):
        return True
    first = cell.split(" ")[0]
    return first[:2] not in ("0x", "0X") and first.lstrip("+-").replace(".", "", 1).isdigit()


def _align_decimals(cells: Sequence[str]) -> list[str]:
    """Pad cells on the right so that their decimal points stand under each other."""
    tails = [_tail(cell) for cell in cells]
    longest = max(tails)
    return [cell + " " * (longest - tail) for cell, tail in zip(cells, tails, strict=True)]


def _tail(cell: str) -> int:
    """Return how many characters stand right of where the units digit ends."""
    numeral = cell.split(" ")[0]
    if cell in (_NONE, "open"):
        return 0
    point = numeral.find(".")
    return len(cell) - (point if point >= 0 else len(numeral))


def ohms(value: float | None, *, sign: bool = False) -> str:
    """Write a resistance in ohm with about five digits; ``open`` for an infinite one."""
    if value is None:
        return _NONE
    if math.isinf(value):
        return "open"
    size = abs(value)
    digits = 3 if size < 100 else 2 if size < 1000 else 1 if size < 100_000 else 0
    return number(value, digits, sign=sign)
