"""Axes, marks and bars of a picture, as SVG that takes its colours from the page."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from controller.reports.svg import content, element, polyline, text

__all__ = ["Chart", "span_of"]

_WIDTH, _LEFT, _RIGHT, _TOP, _BOTTOM = 720.0, 58.0, 14.0, 14.0, 44.0
_MARK = 5.0


def span_of(values: list[float], *, least: float = 1.0) -> tuple[float, float]:
    """Return the span of the values with a margin, at least so wide."""
    low, high = min(values), max(values)
    room = max(0.06 * (high - low), (least - (high - low)) / 2, 0.0)
    return low - room, high + room


@dataclass(kw_only=True)
class Chart:
    """A picture under way: a span of x and of y, what was drawn so far."""

    title: str
    x: tuple[float, float]
    y: tuple[float, float]
    x_name: str
    y_name: str
    height: float = 330.0
    drawn: list[str] = field(default_factory=list)

    def at(self, x: float, y: float) -> tuple[float, float]:
        """Return the place of a point; a point outside stands at the edge."""
        (x0, x1), (y0, y1) = self.x, self.y
        across = min(max((x - x0) / (x1 - x0), 0.0), 1.0)
        up = min(max((y - y0) / (y1 - y0), 0.0), 1.0)
        return (
            _LEFT + across * (_WIDTH - _LEFT - _RIGHT),
            self.height - _BOTTOM - up * (self.height - _TOP - _BOTTOM),
        )

    def band(self, x0: float, x1: float, y0: float, y1: float) -> None:
        """Fill a rectangle, as far as it lies inside."""
        (left, bottom), (right, top) = self.at(x0, y0), self.at(x1, y1)
        if right > left:
            self.drawn.append(
                element(
                    "rect", class_="band", x=left, y=top, width=right - left, height=bottom - top
                )
            )

    def line(self, points: list[tuple[float, float]], kind: str) -> None:
        """Draw a line."""
        self.drawn.append(polyline((self.at(*one) for one in points), class_=kind))

    def bar(self, x: float, y: float, *, half: float, words: str) -> None:
        """Fill a bar from zero up."""
        (left, top), (right, base) = self.at(x - half, y), self.at(x + half, 0.0)
        self.drawn.append(
            element(
                "rect",
                element("title", content(words)),
                class_="bar",
                x=left,
                y=top,
                width=right - left,
                height=base - top,
            )
        )

    def ring(self, x: float, y: float) -> None:
        """Draw a small circle."""
        cx, cy = self.at(x, y)
        self.drawn.append(element("circle", class_="hollow", cx=cx, cy=cy, r=2.4))

    def mark(
        self, x: float, y: float, *, kind: str, up: bool, words: str, spread: float = 0.0
    ) -> None:
        """Draw a triangle that says which way, beside its bar of uncertainty.

        Up stands a little to the left and down to the right, or one would hide the other. A pass
        is full, a fail is crossed out, anything else is hollow. Outside the picture an arrow
        stands at its edge.
        """
        px, py = self.at(x, y)
        px += -_MARK if up else _MARK
        pieces = [element("title", content(words))]
        inside = self.y[0] <= y <= self.y[1]
        if spread and inside:
            _, low = self.at(x, y - spread)
            _, high = self.at(x, y + spread)
            pieces.append(element("path", d=_path((px, low), (px, high)), fill="none"))
        tip = -_MARK if up else _MARK
        shape = _path((px - _MARK, py - tip), (px + _MARK, py - tip), (px, py + tip)) + " Z"
        pieces.append(element("path", d=shape, class_="full" if kind == "pass" else "open"))
        if kind == "fail":
            cross = _path((px - 6, py - 6), (px + 6, py + 6))
            cross += " " + _path((px - 6, py + 6), (px + 6, py - 6))
            pieces.append(element("path", d=cross, fill="none"))
        if not inside:
            way = 12.0 if y > self.y[1] else -12.0
            arrow = _path((px - 4, py + way), (px, py + way / 3), (px + 4, py + way))
            pieces.append(element("path", d=arrow, fill="none"))
        self.drawn.append(element("g", *pieces, class_=kind))

    def svg(self) -> str:
        """Return the picture."""
        pieces = []
        (left, bottom), (right, top) = self.at(self.x[0], self.y[0]), self.at(self.x[1], self.y[1])
        for value, label in _ticks(*self.x):
            px, _ = self.at(value, self.y[0])
            pieces.append(element("path", class_="grid", d=_path((px, bottom), (px, top))))
            pieces.append(text(label, px, bottom + 16, text_anchor="middle"))
        for value, label in _ticks(*self.y):
            _, py = self.at(self.x[0], value)
            pieces.append(element("path", class_="grid", d=_path((left, py), (right, py))))
            pieces.append(text(label, left - 6, py + 4, text_anchor="end"))
        frame = _path((left, top), (left, bottom), (right, bottom))
        middle = (top + bottom) / 2
        return element(
            "svg",
            element("title", content(self.title)),
            *[one for one in self.drawn if 'class="band"' in one],
            *pieces,
            element("path", class_="axis", d=frame),
            *[one for one in self.drawn if 'class="band"' not in one],
            text(self.x_name, (left + right) / 2, self.height - 8, text_anchor="middle"),
            text(
                self.y_name,
                14,
                middle,
                text_anchor="middle",
                transform=f"rotate(-90 14 {middle:.1f})",
            ),
            xmlns="http://www.w3.org/2000/svg",
            viewBox=f"0 0 {_WIDTH:g} {self.height:g}",
            role="img",
        )


def _path(*points: tuple[float, float]) -> str:
    return " ".join(
        f"{'L' if index else 'M'}{x:.1f} {y:.1f}" for index, (x, y) in enumerate(points)
    )


def _ticks(low: float, high: float) -> list[tuple[float, str]]:
    """Return round numbers inside a span, with their labels."""
    rough = (high - low) / 9
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(m * power for m in (1, 2, 5, 10) if m * power >= rough)
    first = math.ceil(low / step)
    digits = max(0, -math.floor(math.log10(step)))
    count = math.floor(high / step) - first + 1
    return [(k * step, f"{k * step:.{digits}f}") for k in range(first, first + count)]
