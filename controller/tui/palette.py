"""How the screen looks: tones as styles, themes, and the filter that leaves only ASCII.

Knows: Textual's themes and line filters, and the terminal's means.
Must not know: what is being said.
"""

from __future__ import annotations

import locale
from collections.abc import Callable, Mapping, Sequence
from functools import lru_cache

from rich.color import Color as RichColor
from rich.segment import Segment
from rich.style import Style
from textual.color import Color
from textual.content import Content
from textual.filter import LineFilter
from textual.theme import Theme

from controller.tui.parts import Part, Tone
from controller.tui.text import ascii_only

__all__ = [
    "DARK",
    "LIGHT",
    "SIXTEEN",
    "THEMES",
    "AsciiFilter",
    "NoColourFilter",
    "content_of",
    "needs_ascii",
    "sentences",
]

DARK = Theme(
    name="rungwise-dark",
    primary="#5fb3d9",
    secondary="#8fa3ad",
    accent="#f0b429",
    warning="#f0b429",
    error="#ff6b6b",
    success="#6fcf7f",
    foreground="#e8edf0",
    background="#10181d",
    surface="#17222a",
    panel="#22313b",
    dark=True,
)
LIGHT = Theme(
    name="rungwise-light",
    primary="#00587c",
    secondary="#4a5a63",
    accent="#8a4b00",
    warning="#8a4b00",
    error="#a80f0f",
    success="#0f6b2b",
    foreground="#10181d",
    background="#f7f9fa",
    surface="#eef2f4",
    panel="#dbe3e8",
    dark=False,
)

SIXTEEN = Theme(
    name="rungwise-16",
    ansi=True,
    primary="ansi_cyan",
    secondary="ansi_blue",
    accent="ansi_yellow",
    warning="ansi_yellow",
    error="ansi_red",
    success="ansi_green",
    foreground="ansi_default",
    background="ansi_default",
    surface="ansi_default",
    panel="ansi_default",
    boost="ansi_default",
    dark=True,
    variables={
        "ansi-background": "ansi_black",
        "ansi-foreground": "ansi_white",
        "border-blurred": "ansi_black",
        "block-cursor-foreground": "ansi_black",
        "block-cursor-background": "ansi_white",
        "input-cursor-background": "ansi_white",
        "input-cursor-foreground": "ansi_black",
        "input-cursor-text-style": "none",
        "input-selection-background": "ansi_cyan",
        "input-selection-foreground": "ansi_black",
        "screen-selection-background": "ansi_cyan",
        "screen-selection-foreground": "ansi_black",
    },
)
THEMES = (DARK, LIGHT, SIXTEEN)
"""Dark, light, and one that leaves the sixteen colours to the terminal."""

STYLES = {
    Tone.PLAIN: "",
    Tone.FAINT: "$text-muted",
    Tone.STRONG: "bold",
    Tone.GOOD: "$success",
    Tone.BAD: "bold $error",
    Tone.DOUBT: "bold $warning",
    Tone.ACTIVE: "bold $accent",
}


def content_of(parts: Sequence[Part], gap: str = "  ") -> Content:
    """Return one line. The texts are taken as they are: nothing in them is markup."""
    pieces: list[Content] = []
    for part in parts:
        if pieces:
            pieces.append(Content(gap))
        style = STYLES[part.tone]
        pieces.append(Content.styled(part.text, style) if style else Content(part.text))
    return Content("").join(pieces)


def sentences(parts: Sequence[Part]) -> Content:
    """Return one line for each part."""
    return content_of(parts, gap="\n")


def needs_ascii(environ: Mapping[str, str]) -> bool:
    """Return whether the terminal has nothing but ASCII for certain.

    LANG=C says so, though Python itself then reads and writes UTF-8 and sets LC_CTYPE to C.UTF-8
    for that (PEP 538, PEP 540). Where nothing is said, what Python takes the encoding for counts.
    """
    said = environ.get("LC_ALL", "")
    if not said:
        own = environ.get("LC_CTYPE", "")
        said = environ.get("LANG", "") if own in ("", "C.UTF-8") else own
    if said in ("C", "POSIX"):
        return True
    return "utf" not in locale.getpreferredencoding(do_setlocale=False).lower()


class AsciiFilter(LineFilter):
    """Replaces every other glyph, whichever widget drew it, by one of ASCII, cell for cell."""

    def apply(self, segments: list[Segment], background: Color) -> list[Segment]:
        """Return the segments in ASCII."""
        del background
        texts = [segment.text for segment in segments]
        for i, text in enumerate(texts[:-1]):
            # The sign's second character stands in the space after it, whoever drew that.
            if text.endswith("±") and texts[i + 1].startswith(" "):
                texts[i], texts[i + 1] = f"{text} ", texts[i + 1][1:]
        return [
            Segment(ascii_only(text), segment.style, segment.control)
            for text, segment in zip(texts, segments, strict=True)
            if text
        ]


class NoColourFilter(LineFilter):
    """Takes every colour away, and shows in reverse what stood dark on light, or light on dark
    where the theme is light: the bar of a list, the cursor of a line.
    """

    def __init__(self, is_dark: Callable[[], bool]) -> None:
        super().__init__()
        self._is_dark = is_dark

    def apply(self, segments: list[Segment], background: Color) -> list[Segment]:
        """Return the segments in the terminal's own two colours."""
        del background
        dark = self._is_dark()
        return [
            Segment(segment.text, _colourless(segment.style or Style.null(), dark), segment.control)
            for segment in segments
        ]


@lru_cache(1024)
def _colourless(style: Style, dark: bool) -> Style:
    swapped = False
    if not (_is_own(style.color) or _is_own(style.bgcolor)):
        ink, paper = _lightness(style.color), _lightness(style.bgcolor)
        swapped = ink < paper if dark else ink > paper
    return style + _OWN + Style(reverse=bool(style.reverse) != swapped)


def _is_own(colour: RichColor | None) -> bool:
    return colour is None or colour.is_default


def _lightness(colour: RichColor | None) -> float:
    return 0.0 if colour is None else Color(*colour.get_truecolor()).brightness


_OWN = Style(color="default", bgcolor="default")
