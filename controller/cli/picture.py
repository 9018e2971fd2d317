"""A picture of one change of state, both ways of switching side by side.

Knows: how a transition is drawn: panels, axes, words.
Must not know: how a transition comes about, files.

It stands on a card of its own, light or dark as the viewer asks for, so that it can be read on
any page. Lines differ by shape as well as by colour, and each is named in words.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

from controller.module.model import Module
from controller.planning.transition import Trace, Transition
from controller.reports.svg import content, element, polyline, text
from controller.units import format_ohms

__all__ = ["switching_picture"]

_WIDTH, _HEIGHT = 960.0, 490.0
_TOP, _BOTTOM = 138.0, 394.0
_PANELS = ((62.0, 426.0), (534.0, 898.0))
_MARGIN = 0.1  # of the voltages shown, above and below them
_LEAST_SPAN_VOLTS = 0.2
_LEAST_GAP = 14.0  # between two words on an axis

_STYLE = """
.card{fill:#ffffff}.frame{fill:none;stroke:#8a8f98}.grid{stroke:#d9dce1}
text{font-family:system-ui,"DejaVu Sans",sans-serif;font-size:11.5px;fill:#1f2328}
.head{font-size:17px;font-weight:600}.name{font-size:14px;font-weight:600}.faint{fill:#57606a}
.raw{stroke:#b35900;stroke-width:1.4}.filtered{stroke:#0a5cad;stroke-width:2.6;stroke-dasharray:7 3}
.limit{stroke:#a4262c;stroke-dasharray:2 3}
.limit-word{fill:#a4262c;stroke:#ffffff;stroke-width:3px;paint-order:stroke}
@media (prefers-color-scheme:dark){
.card{fill:#16191d}.frame{stroke:#6e7681}.grid{stroke:#30363d}text{fill:#e6edf3}.faint{fill:#9da7b3}
.raw{stroke:#f0a04b}.filtered{stroke:#6cb6ff}.limit{stroke:#ff8a80}.limit-word{fill:#ff8a80;stroke:#16191d}}
"""


def switching_picture(change: Transition, module: Module, *, heading: str) -> str:
    """Return the picture as the text of an SVG file. `heading` says which change it is."""
    ways = (
        (f"{change.moved} relays all at once", change.together),
        ("by path, one relay at a time", change.by_path),
    )
    span = _span_volts(change, module)
    parts = [
        element("title", content(heading), id="title"),
        element("desc", content(_description(change, module)), id="desc"),
        element("style", _STYLE),
        element("rect", class_="card", x=0, y=0, width=_WIDTH, height=_HEIGHT, rx=8),
        text(heading, 24, 34, class_="head"),
        text(
            f"Voltage at the input of {module.name}"
            f" ({module.reference_volts:g} V behind {format_ohms(module.pullup_ohms)},"
            f" filter {module.filter_time_constant_s * 1000:g} ms). The time scales differ.",
            24,
            55,
            class_="faint",
        ),
    ]
    for (left, right), (name, trace) in zip(_PANELS, ways, strict=True):
        parts += _panel(left, right, name, trace, module, span)
    parts += _legend()
    return (
        element(
            "svg",
            *(f"\n{part}" for part in parts),
            "\n",
            xmlns="http://www.w3.org/2000/svg",
            viewBox=f"0 0 {_WIDTH:g} {_HEIGHT:g}",
            width=_WIDTH,
            height=_HEIGHT,
            role="img",
            aria_labelledby="title desc",
        )
        + "\n"
    )


def _description(change: Transition, module: Module) -> str:
    return (
        f"From {_ohms(change.start_ohms)} to {_ohms(change.end_ohms)}. All relays at once, the"
        f" input of {module.name} sees {_extent(change.together)} and"
        f" {_strays(change.together)}; by path it sees {_extent(change.by_path)} and"
        f" {_strays(change.by_path)}."
    )


def _extent(trace: Trace) -> str:
    return f"{_ohms(trace.least_ohms)} to {_ohms(trace.most_ohms)} on the way"


def _strays(trace: Trace) -> str:
    return (
        f"strays {trace.excursion_celsius:.1f} °C, after the filter"
        f" {trace.filtered_excursion_celsius:.1f} °C"
    )


def _ohms(value: float) -> str:
    return "open" if math.isinf(value) else format_ohms(value)


def _panel(
    left: float, right: float, name: str, trace: Trace, module: Module, span: tuple[float, float]
) -> Iterator[str]:
    first_ms, last_ms = float(trace.at_ms[0]), float(trace.at_ms[-1])
    low, high = span

    def x_of(ms: float) -> float:
        return left + (right - left) * (ms - first_ms) / (last_ms - first_ms)

    def y_of(volts: float) -> float:
        return _BOTTOM - (_BOTTOM - _TOP) * (volts - low) / (high - low)

    yield text(name, left, _TOP - 48, class_="name")
    yield text(_strays(trace), left, _TOP - 29)
    yield text(_extent(trace), left, _TOP - 11, class_="faint")
    for volts in _round_values(low, high, 6):
        y = y_of(volts)
        yield element("line", class_="grid", x1=left, x2=right, y1=y, y2=y)
        yield text(f"{volts:g} V", left - 6, y + 4, text_anchor="end", class_="faint")
    for celsius, volts in _degrees(module, low, high):
        y = y_of(volts)
        yield element("line", class_="frame", x1=right, x2=right + 4, y1=y, y2=y)
        yield text(f"{celsius} °C", right + 7, y + 4, class_="faint")
    for ms in _round_values(max(first_ms, 0.0), last_ms, 7):
        yield element("line", class_="grid", x1=x_of(ms), x2=x_of(ms), y1=_TOP, y2=_BOTTOM)
        yield text(f"{ms:g} ms", x_of(ms), _BOTTOM + 17, text_anchor="middle", class_="faint")
    raw = ((x_of(ms), y_of(volts)) for ms, volts in _corners(trace, last_ms))
    yield polyline(raw, class_="raw")
    filtered = zip(trace.at_ms, trace.filtered_volts, strict=True)
    yield polyline(((x_of(ms), y_of(volts)) for ms, volts in filtered), class_="filtered")
    for volts, words in (
        (module.low_volts, f"below {module.low_volts:g} V: short circuit"),
        (module.high_volts, f"above {module.high_volts:g} V: open circuit"),
    ):
        if low <= volts <= high:
            y = y_of(volts)
            yield element("line", class_="limit", x1=left, x2=right, y1=y, y2=y)
            yield text(words, right - 5, y - 4, text_anchor="end", class_="limit-word")
    yield element("rect", class_="frame", x=left, y=_TOP, width=right - left, height=_BOTTOM - _TOP)


def _corners(trace: Trace, last_ms: float) -> Iterator[tuple[float, float]]:
    """Yield the corners of a line that holds each value until the next."""
    ends = [*trace.edges_ms[1:], last_ms]
    for since_ms, until_ms, volts in zip(trace.edges_ms, ends, trace.edge_volts, strict=True):
        if since_ms <= last_ms:
            yield float(since_ms), float(volts)
            yield float(min(until_ms, last_ms)), float(volts)


def _span_volts(change: Transition, module: Module) -> tuple[float, float]:
    """Return what both panels show: all voltages of either way, and some room."""
    traces = (change.together, change.by_path)
    low = min(float(trace.edge_volts.min()) for trace in traces)
    high = max(float(trace.edge_volts.max()) for trace in traces)
    if high > 0.9 * module.high_volts:
        high = max(high, module.high_volts)
    margin = max(_MARGIN * (high - low), (_LEAST_SPAN_VOLTS - (high - low)) / 2)
    return low - margin, high + margin


def _degrees(module: Module, low: float, high: float) -> list[tuple[int, float]]:
    """Return temperatures to mark on the axis and their voltages: as round as may be, not dense."""
    curve = module.sensor.curve
    room = _LEAST_GAP / (_BOTTOM - _TOP) * (high - low)
    marks: list[tuple[int, float]] = []
    for step in (20, 10, 5, 2, 1):
        first = math.ceil(curve.lowest_celsius / step)
        last = math.floor(curve.highest_celsius / step)
        marks = []
        for celsius in range(first * step, last * step + 1, step):
            ohms = float(curve.ohms(float(celsius)))
            volts = module.reference_volts * ohms / (ohms + module.pullup_ohms)
            apart = not marks or abs(volts - marks[-1][1]) >= room
            if low <= volts <= high and apart:
                marks.append((celsius, volts))
        if len(marks) >= 4:
            break
    return marks


def _round_values(first: float, last: float, most: int) -> list[float]:
    """Return round numbers from first to last, `most` of them and one more at most."""
    steps = (base * 10.0**power for power in range(-4, 8) for base in (1, 2, 5))
    step = next(s for s in steps if (last - first) / s <= most)
    return [step * i for i in range(math.ceil(first / step), math.floor(last / step) + 1)]


def _legend() -> Iterator[str]:
    y = _HEIGHT - 46
    for x, style, words in (
        (62.0, "raw", "at the input, as the contacts move and bounce"),
        (410.0, "filtered", "after the module's input filter"),
    ):
        yield element("line", class_=style, x1=x, x2=x + 36, y1=y, y2=y)
        yield text(words, x + 44, y + 4)
    yield text(
        "All at once: the worst of 50 simulated chances, each relay with operate, release and"
        " bounce times of its own within 25 % of those stated.",
        62,
        y + 26,
        class_="faint",
    )
