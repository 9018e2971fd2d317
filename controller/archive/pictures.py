"""An answer as a picture: one line for each bench, module or ladder over time.

Knows: answers, charts, the page's colours.
Must not know: SQL, folders.
"""

from __future__ import annotations

from datetime import date

from controller.archive.questions import Answer, Question
from controller.errors import InputError
from controller.reports.chart import Chart, span_of
from controller.reports.svg import content, element, polyline, text

__all__ = ["MOST_LINES", "picture"]

MOST_LINES = 8
"""More lines than this in one picture cannot be told apart."""

_WAYS = (
    ("#1b6ca8", "none"), ("#b3541e", "7 3"), ("#2e7d4f", "2 3"), ("#7a3e9d", "9 3 2 3"),
    ("#8a6d00", "5 5"), ("#a02c5a", "1 4"), ("#35606e", "12 4"), ("#555555", "9 2 2 2 2 2"),
)  # fmt: skip
"""Colour and dashes of each line: never colour alone."""

_STYLE = (
    "svg{background:#fff}text{font:12px sans-serif;fill:#222}.axis,.grid{fill:none;stroke:#888}"
    ".grid{stroke-width:.4}polyline{stroke-width:1.8}"
)


def picture(answer: Answer, question: Question, title: str) -> str:
    """Return an answer drawn over time as SVG. Raises InputError for one that cannot be."""
    if question.drawn is None:
        raise InputError.single("this question has no picture", where="--svg")
    along, up, each = (answer.columns.index(name) for name in question.drawn)
    lines: dict[str, list[tuple[float, float]]] = {}
    for row in answer.rows:
        if isinstance(row[along], date) and row[up] is not None:
            name = "not named" if row[each] is None else str(row[each])
            lines.setdefault(name, []).append((float(row[along].toordinal()), float(row[up])))
    if not lines:
        raise InputError.single("there is nothing to draw", where="--svg")
    shown = dict(list(lines.items())[:MOST_LINES])
    first = min(x for line in shown.values() for x, _ in line)
    shown = {name: [(x - first, y) for x, y in line] for name, line in shown.items()}
    points = [point for line in shown.values() for point in line]
    begun = date.fromordinal(int(first)).isoformat()
    chart = Chart(
        title=title,
        x=span_of([x for x, _ in points]),
        y=span_of([y for _, y in points]),
        x_name=f"{question.drawn[0]}: days from {begun}",
        y_name=question.drawn[1],
    )
    chart.drawn.append(element("style", content(_STYLE)))
    for number, (name, line) in enumerate(shown.items()):
        _draw(chart, number, name, line)
    if len(lines) > len(shown):
        chart.drawn.append(text(f"and {len(lines) - len(shown)} more", 520, 26 + 15 * MOST_LINES))
    return chart.svg()


def _draw(chart: Chart, number: int, name: str, line: list[tuple[float, float]]) -> None:
    """Draw one line, its points with what they say, and its name in the key."""
    colour, dashes = _WAYS[number]
    ways = {"stroke": colour, "stroke_dasharray": dashes}
    chart.drawn.append(polyline([chart.at(*point) for point in line], **ways))
    for x, y in line:
        cx, cy = chart.at(x, y)
        words = element("title", content(f"{name}: {y:g} on day {x:g}"))
        chart.drawn.append(element("circle", words, cx=cx, cy=cy, r=2.2, fill=colour))
    key = 22.0 + 15 * number
    chart.drawn.append(polyline([(486, key), (514, key)], **ways))
    chart.drawn.append(text(name[:30], 520, key + 4))
