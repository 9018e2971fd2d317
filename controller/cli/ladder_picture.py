"""A wiring picture of a ladder of series rungs: what is soldered to what, relay by relay.

Every rung is drawn with its relay's contact beside it, as it stands at rest. The line runs from
one output terminal through the isolate relay, the fixed resistor and all rungs to the other.
"""

from __future__ import annotations

from collections.abc import Iterator

from controller.ladder.model import Contacts, Ladder, Rung
from controller.reports.svg import content, element, polyline, text

__all__ = ["wiring_picture"]

_IN_ROW = 6
_CELL, _ROW = 140.0, 130.0
_LEFT, _TOP = 150.0, 140.0
_WIDTH = _LEFT + _IN_ROW * _CELL + 50.0

_STYLE = """
.card{fill:#ffffff}.wire{stroke:#1f2328;stroke-width:1.6}.part{fill:#ffffff;stroke:#1f2328}
text{font-family:system-ui,"DejaVu Sans",sans-serif;font-size:12px;fill:#1f2328}
.head{font-size:17px;font-weight:600}.value{font-weight:600}.faint{fill:#57606a}
.dot{fill:#1f2328}
@media (prefers-color-scheme:dark){.card{fill:#16191d}.wire{stroke:#e6edf3}
.part{fill:#16191d;stroke:#e6edf3}text{fill:#e6edf3}.faint{fill:#9da7b3}.dot{fill:#e6edf3}}
"""


def wiring_picture(ladder: Ladder) -> str:
    """Return the picture as the text of an SVG file, for a ladder of one series group."""
    rungs = ladder.groups[0].rungs
    rows = -(-len(rungs) // _IN_ROW)
    height = _TOP + rows * _ROW + 20.0
    body = [
        element("title", content(f"Wiring of {ladder.name}"), id="title"),
        element("desc", content(_described(ladder)), id="desc"),
        element("style", _STYLE),
        element("rect", class_="card", x=0, y=0, width=_WIDTH, height=height, rx=8),
        text(ladder.name, 24, 34, class_="head"),
        text(
            "Contacts are drawn at rest. An energised relay bypasses its rung;"
            " K is the relay's number.",
            24,
            56,
            class_="faint",
        ),
        *_input(ladder, _TOP),
        *(part for index, rung in enumerate(rungs) for part in _rung(ladder, rung, index)),
        *_turns(len(rungs)),
        *_return(ladder, len(rungs), height),
    ]
    return (
        element(
            "svg",
            *body,
            xmlns="http://www.w3.org/2000/svg",
            viewBox=f"0 0 {_WIDTH:g} {height:g}",
            role="img",
            aria_labelledby="title desc",
        )
        + "\n"
    )


def _value(ohms: float) -> str:
    """Write a part's value as it stands on a parts list."""
    return f"{ohms / 1000:g} kohm" if ohms >= 1000 else f"{ohms:g} ohm"


def _described(ladder: Ladder) -> str:
    rungs = ladder.groups[0].rungs
    values = ", ".join(_value(rung.ohms) for rung in rungs)
    fixed = f" after a fixed {_value(ladder.fixed_ohms)}" if ladder.fixed_ohms else ""
    return f"{len(rungs)} rungs in series{fixed}, each bypassed by its relay: {values}."


def _place(index: int) -> tuple[float, float]:
    """Return where a rung's cell begins: rows run from left to right and each starts anew."""
    return _LEFT + index % _IN_ROW * _CELL, _TOP + index // _IN_ROW * _ROW


def _line(*points: tuple[float, float]) -> str:
    return polyline(points, class_="wire")


def _resistor(x: float, y: float, value: str) -> Iterator[str]:
    yield element("rect", class_="part", x=x, y=y - 9, width=60, height=18)
    yield text(value, x + 30, y + 26, class_="value", text_anchor="middle")


def _contact(x: float, y: float, name: str, *, closed: bool) -> Iterator[str]:
    """Draw a contact from x to x + 60: the blade lies down when it is closed at rest."""
    yield element("circle", class_="dot", cx=x + 12, cy=y, r=3)
    yield element("circle", class_="dot", cx=x + 48, cy=y, r=3)
    yield _line((x, y), (x + 12, y))
    yield _line((x + 12, y), (x + 48, y if closed else y - 12))
    yield _line((x + 48, y), (x + 60, y))
    yield text(name, x + 30, y - 16, text_anchor="middle")


def _closed_at_rest(ladder: Ladder, relay: int) -> bool:
    return ladder.relays[relay].contacts is Contacts.NORMALLY_CLOSED


def _rung(ladder: Ladder, rung: Rung, index: int) -> Iterator[str]:
    x, y = _place(index)
    yield _line((x, y), (x + 40, y))
    yield from _resistor(x + 40, y, _value(rung.ohms))
    yield _line((x + 100, y), (x + _CELL, y))
    yield _line((x + 24, y), (x + 24, y - 38), (x + 40, y - 38))
    yield from _contact(
        x + 40, y - 38, f"K{rung.relay}", closed=_closed_at_rest(ladder, rung.relay)
    )
    yield _line((x + 100, y - 38), (x + 116, y - 38), (x + 116, y))


def _input(ladder: Ladder, y: float) -> Iterator[str]:
    """Draw from the signal terminal to the first rung; the isolate relay stands in the way."""
    yield element("circle", class_="part", cx=22, cy=y, r=5)
    yield text("signal", 8, y - 14)
    x = 28.0
    if ladder.isolate_relay is not None:
        name = f"K{ladder.isolate_relay} isolate"
        yield from _contact(x + 24, y, name, closed=_closed_at_rest(ladder, ladder.isolate_relay))
        yield _line((x, y), (x + 24, y))
        x += 84.0
    yield _line((x, y), (_LEFT, y))


def _turns(count: int) -> Iterator[str]:
    """Draw the wire from the end of each row to the beginning of the next."""
    for last in range(_IN_ROW - 1, count - 1, _IN_ROW):
        x, y = _place(last)
        below = y + _ROW - 76.0
        start, next_y = _place(last + 1)
        yield _line(
            (x + _CELL, y),
            (x + _CELL, below),
            (start - 12, below),
            (start - 12, next_y),
            (start, next_y),
        )


def _return(ladder: Ladder, count: int, height: float) -> Iterator[str]:
    """Draw from the last rung through the fixed resistor to the other terminal."""
    x, y = _place(count - 1)
    ground = height - 46.0
    yield _line((x + _CELL, y), (x + _CELL + 12, y), (x + _CELL + 12, ground), (_LEFT + 60, ground))
    if ladder.fixed_ohms:
        yield from _resistor(_LEFT, ground, f"{_value(ladder.fixed_ohms)}, always in")
    else:
        yield _line((_LEFT + 60, ground), (_LEFT, ground))
    yield _line((_LEFT, ground), (27, ground))
    yield element("circle", class_="part", cx=22, cy=ground, r=5)
    yield text("ground", 12, ground + 22)
    if ladder.short_relay is not None:
        relay = ladder.short_relay
        middle = (_TOP + ground) / 2
        yield _line((44, ground), (44, middle), (48, middle))
        yield from _contact(48, middle, f"K{relay} short", closed=_closed_at_rest(ladder, relay))
        yield _line((108, middle), (114, middle), (114, middle - 40), (36, middle - 40))
        yield _line((36, middle - 40), (36, _TOP + 16), (27, _TOP + 4))
