"""Two plots: the sensor's curve with the working point, and the errors in their tolerance band.

Knows: textual-plot, curves as arrays, judged points.
Must not know: events, links.

A plot is drawn again when what it shows has changed, never on a timer.
textual-plot brings numpy and is imported when the first plot is made.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from textual.app import ComposeResult
from textual.containers import Vertical

from controller.tui.scale import Scale
from controller.tui.view import Point

if TYPE_CHECKING:
    from controller.sensors.curve import Curve

__all__ = ["CurvePlot", "ErrorPlot"]

_SAMPLES = 160


class _Plot(Vertical):
    """A titled plot that is filled in once its widget is there."""

    DEFAULT_CSS = """
    _Plot { border: round $secondary; border-title-color: $primary; height: 1fr; }
    """
    title = ""

    def __init__(self, *, id: str | None = None) -> None:  # noqa: A002
        super().__init__(id=id)
        self._widget: Any = None
        self._drawn: object = None

    def compose(self) -> ComposeResult:
        """Return the parts."""
        from textual_plot import PlotWidget

        self.border_title = self.title
        self._widget = PlotWidget(allow_pan_and_zoom=False)
        self._widget.can_focus = False
        yield self._widget

    def on_mount(self) -> None:
        """Fill the parts in."""
        self._widget.margin_top = 0
        self._widget.margin_bottom = 2
        self._widget.margin_left = 8

    def _colour(self, name: str) -> str:
        colour = self.app.theme_variables.get(name, "")
        return colour if colour.startswith("#") else ""

    def _styles(self) -> dict[str, str]:
        if self.app.native_ansi_color:
            return {
                "line": "cyan", "point": "bold yellow", "good": "green",
                "bad": "bold red", "doubt": "yellow", "band": "blue",
            }  # fmt: skip
        return {
            "line": self._colour("primary"),
            "point": f"bold {self._colour('accent')}",
            "good": self._colour("success"),
            "bad": f"bold {self._colour('error')}",
            "doubt": f"bold {self._colour('warning')}",
            "band": self._colour("secondary"),
        }


class CurvePlot(_Plot):
    """Resistance over temperature, with what is at the output now and the steps to come."""

    title = "curve: ohm (log) over degC"

    def show(self, curve: Curve | None, here: tuple[float, float] | None, scale: Scale) -> None:
        """Show the curve and the working point (degC, ohm); None while there is none."""
        key = (id(curve), here, self.app.theme, scale)
        if self._widget is None or curve is None or key == self._drawn:
            return
        self._drawn = key
        import numpy as np

        plot, styles = self._widget, self._styles()
        celsius = np.linspace(curve.lowest_celsius, curve.highest_celsius, _SAMPLES)
        decades = np.log10(curve.ohms(celsius))
        plot.clear()
        plot.set_y_formatter(_decades())
        degrees = np.array([scale.of(one) for one in celsius.tolist()])
        plot.plot(degrees, decades, line_style=styles["line"], hires_mode=_hires())
        title = f"curve: ohm (log) over {scale.unit}"
        if here is not None and math.isfinite(here[1]) and here[1] > 0:
            at = scale.of(here[0])
            plot.scatter([at], [math.log10(here[1])], marker="◆", marker_style=styles["point"])
            title = f"{title}; ◆ {at:.1f} {scale.unit}"
        self.border_title = title


class ErrorPlot(_Plot):
    """Reported minus expected over expected, between the tolerance limits."""

    title = "error, degC"

    def show(
        self,
        points: Sequence[Point],
        limits: Sequence[tuple[float, float]],
        here: float | None,
        scale: Scale,
    ) -> None:
        """Show judged points, the limits (expected, tolerance) of all steps, the step under way."""
        key = (tuple(points), here, self.app.theme, scale)
        if self._widget is None or key == self._drawn or not (points or limits):
            return
        self._drawn = key
        plot, styles = self._widget, self._styles()
        plot.clear()
        band = sorted({(scale.of(at), scale.step(limit)) for at, limit in limits})
        spread = [scale.step(point.error) for point in points]
        high = max([1.0, *(limit for _, limit in band), *spread]) * 1.15
        low = min([-1.0, *(-limit for _, limit in band), *spread]) * 1.15
        plot.set_ylimits(low, high)
        if band:
            xs = [x for x, _ in band]
            pad = max(1.0, 0.03 * (xs[-1] - xs[0]))
            plot.set_xlimits(xs[0] - pad, xs[-1] + pad)
            for sign in (1.0, -1.0):
                plot.plot(
                    [xs[0] - pad, *xs, xs[-1] + pad],
                    [sign * band[0][1], *(sign * y for _, y in band), sign * band[-1][1]],
                    line_style=styles["band"],
                    hires_mode=_hires(),
                )
        good = [p for p in points if abs(p.error) <= p.tolerance]
        bad = [p for p in points if abs(p.error) > p.tolerance]
        if good:
            plot.scatter(
                [scale.of(p.expected) for p in good], [scale.step(p.error) for p in good],
                marker="●", marker_style=styles["good"],
            )  # fmt: skip
        if bad:
            plot.scatter(
                [scale.of(p.expected) for p in bad], [scale.step(p.error) for p in bad],
                marker="✗", marker_style=styles["bad"],
            )  # fmt: skip
        if here is not None:
            plot.scatter([scale.of(here)], [0.0], marker="◆", marker_style=styles["point"])
        self.border_title = f"error, {scale.unit}: ● inside, ✗ outside the limit"


def _hires() -> Any:
    from textual_hires_canvas import HiResMode

    return HiResMode.BRAILLE


def _decades() -> Any:
    """Return what writes ticks of a logarithmic axis as resistances."""
    from textual_plot.axis_formatter import AxisFormatter

    class Decades(AxisFormatter):
        def get_ticks(self, min_: float, max_: float, max_ticks: int = 8) -> list[float]:
            first, last = math.ceil(min_), math.floor(max_)
            ticks = [float(decade) for decade in range(first, last + 1)]
            if len(ticks) < 3:
                ticks = [
                    decade + math.log10(part)
                    for decade in range(first - 1, last + 1)
                    for part in (1, 2, 5)
                    if min_ <= decade + math.log10(part) <= max_
                ]
            return ticks[:max_ticks]

        def get_labels_for_ticks(self, ticks: Sequence[float]) -> list[str]:
            return [_short(10**tick) for tick in ticks]

    return Decades()


def _short(ohms: float) -> str:
    if ohms >= 999_500:
        return f"{ohms / 1e6:.3g}M"
    return f"{ohms / 1e3:.3g}k" if ohms >= 999.5 else f"{ohms:.3g}"
