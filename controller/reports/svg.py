"""Scalable vector graphics as text, the little of it that a chart needs.

Knows: elements, attributes, how text is escaped.
Must not know: what is drawn.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from xml.sax.saxutils import escape, quoteattr

from controller.text import clean

__all__ = ["content", "element", "polyline", "text"]


def element(name: str, *children: str, **attributes: str | float) -> str:
    """Return an element. An underscore in an attribute's name becomes a dash, one at its end goes.

    Children are markup; use `text` for words.
    """
    written = "".join(
        f" {key.rstrip('_').replace('_', '-')}={quoteattr(_value(value))}"
        for key, value in attributes.items()
    )
    if not children:
        return f"<{name}{written}/>"
    inner = "".join(children)
    return f"<{name}{written}>{inner}</{name}>"


def text(words: str, x: float, y: float, **attributes: str | float) -> str:
    """Return words at a place."""
    return element("text", content(words), x=x, y=y, **attributes)


def content(words: str) -> str:
    """Return words as the content of an element."""
    return escape(_sound(words))


def polyline(points: Iterable[tuple[float, float]], **attributes: str | float) -> str:
    """Return a line through points."""
    joined = " ".join(f"{_value(x)},{_value(y)}" for x, y in points)
    return element("polyline", points=joined, fill="none", **attributes)


def _sound(words: str) -> str:
    """Replace what XML 1.0, section 2.2, has no place for."""
    return re.sub("[\ufffe\uffff]", "?", clean(words))


def _value(value: str | float) -> str:
    return _sound(value) if isinstance(value, str) else f"{value:.2f}".rstrip("0").rstrip(".")
