"""Text that may be put on the screen: cleaned, cut to cells, and in ASCII where nothing else is.

Knows: terminal cells, the glyphs this program draws and what stands for them in ASCII.
Must not know: Textual, events, what the words mean.

Device names, file names and file contents reach the screen through `one_line` or `lines` only, and
widgets are given finished text, never markup.
"""

from __future__ import annotations

import unicodedata
from functools import lru_cache

from rich.cells import cell_len, set_cell_size

from controller.text import clean

__all__ = ["ascii_only", "fitted", "lines", "one_line", "short_middle"]

_ASCII = {
    "✓": "+",
    "✗": "x",
    "▶": ">",
    "■": "#",
    "○": "o",
    "●": "*",
    "·": "-",
    "…": ".",
    "±": "~",
    "–": "-",
    "—": "-",
    "×": "x",
    "°": "o",
    "Ω": "R",
    "←": "<",
    "→": ">",
    "↑": "^",
    "↓": "v",
    "│": "|",
    "┃": "|",
    "║": "|",
    "─": "-",
    "━": "-",
    "═": "=",
    "▔": " ",
    "▁": "_",
    "▎": "|",
    "▊": "|",
    "▌": "|",
    "▐": "|",
    "▏": "|",
    "▕": "|",
    "▲": "^",
    "▼": "v",
    "◀": "<",
    "◆": "*",
    "⬤": "*",
    "^": "^",
}


def one_line(text: str) -> str:
    """Return any text as one line that cannot act on the terminal."""
    return " ".join(clean(text).split())


def lines(text: str) -> list[str]:
    """Return any text as lines that cannot act on the terminal."""
    return [one_line(line) for line in clean(text).splitlines()]


def fitted(text: str, width: int, *, right: bool = False) -> str:
    """Return a text of exactly `width` cells; what does not fit ends in an ellipsis.

    For words only: numbers get columns that are wide enough.
    """
    text = one_line(text)
    size = cell_len(text)
    if size > width:
        return set_cell_size(text, width - 1) + "…" if width > 0 else ""
    pad = " " * (width - size)
    return pad + text if right else text + pad


def short_middle(text: str, width: int) -> str:
    """Return a text of at most `width` cells that keeps its beginning and its end."""
    text = one_line(text)
    if cell_len(text) <= width:
        return text
    tail = (width - 1) // 2
    end = ""
    for char in reversed(text):
        if cell_len(char + end) > tail:
            break
        end = char + end
    return set_cell_size(text, width - 1 - tail).rstrip() + "…" + end


@lru_cache(maxsize=4096)
def ascii_only(text: str) -> str:
    """Return a text of the same width in cells with nothing but ASCII in it."""
    if text.isascii():
        return text
    # The space after the sign gives the room for its second character.
    return "".join(_ascii_char(char) for char in text.replace("± ", "+-"))


def _ascii_char(char: str) -> str:
    if char.isascii():
        return char
    known = _ASCII.get(char)
    if known is not None:
        return known
    code = ord(char)
    if 0x2500 <= code <= 0x257F:  # box drawing: what is left are corners and crossings
        return "+"
    if 0x2800 <= code <= 0x28FF:  # braille: a dot low, a dot high, or several
        return _braille(code - 0x2800)
    if 0x2580 <= code <= 0x259F:  # blocks
        return "#"
    plain = unicodedata.normalize("NFKD", char).encode("ascii", "ignore").decode("ascii")
    width = cell_len(char)
    return (plain if len(plain) == width else "?" * width) if width else ""


def _braille(dots: int) -> str:
    if not dots:
        return " "
    low, high = dots & 0b11100100, dots & 0b00011011
    return ":" if low and high else "." if low else "'"
