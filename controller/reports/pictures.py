"""The pictures of one run, each with its numbers as a table below it."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

from controller.planning.plan import ToleranceBand
from controller.reports.chart import Chart, span_of
from controller.reports.markup import heading, paragraph, table
from controller.reports.scale import Scale
from controller.reports.svg import content, element
from controller.run.model import StepResult
from controller.text import ohms

__all__ = ["errors", "excursions", "expected_against_reported", "figure", "warming"]

_KEY = (
    "Triangles point the way the run went: up beside it on the left, down on the right."
    " Full: pass; crossed out: fail; hollow: undecided."
)
_ZOOM_FROM = 2.5
"""Errors this many times the widest tolerance get a second panel, drawn to the tolerance's size."""


def figure(picture: str, caption: str) -> str:
    """Return a picture with its caption."""
    return element("figure", picture, element("figcaption", content(caption)))


def warming(results: Sequence[StepResult]) -> list[bool]:
    """Return for each result whether its temperature lies above that of the one before.

    The first goes the way the second one does; open and shorted inputs count as going up.
    """
    if not results:
        return []
    ways: list[bool] = []
    for before, now in itertools.pairwise(results):
        one, other = before.step.achieved_celsius, now.step.achieved_celsius
        ways.append(one is None or other is None or other > one)
    return [*(ways[:1] or [True]), *ways]


def expected_against_reported(results: Sequence[StepResult], scale: Scale) -> str:
    """Return the picture of what was reported over what was expected, and every step's numbers."""
    drawn = [
        (scale.at(one.step.expected_celsius), scale.at(one.reported_celsius), one, up)
        for one, up in zip(results, warming(results), strict=True)
        if _has_place(one)
        and one.step.expected_celsius is not None
        and one.reported_celsius is not None
    ]
    parts = [heading("Expected against reported")]
    if drawn:
        expected, reported = [x for x, *_ in drawn], [y for _, y, *_ in drawn]
        chart = Chart(
            title="Reported over expected temperature",
            x=span_of(expected),
            y=span_of(expected + reported),
            x_name=f"expected, {scale.unit}",
            y_name=f"reported, {scale.unit}",
        )
        chart.line([(chart.x[0], chart.x[0]), (chart.x[1], chart.x[1])], "ideal")
        for x, y, one, up in drawn:
            chart.mark(x, y, kind=one.verdict.value, up=up, words=_words(one, scale))
        parts.append(figure(chart.svg(), f"Dashed: reported as expected. {_KEY}"))
    if len(drawn) < len(results):
        parts.append(
            paragraph(
                "Open and shorted inputs, and steps without a reading, are in the table alone.",
                class_="faint",
            )
        )
    return "".join([*parts, _every_step(results, scale)])


def errors(results: Sequence[StepResult], bands: Sequence[ToleranceBand], scale: Scale) -> str:
    """Return the errors with tolerance and uncertainty, drawn a second time where they are large.

    `bands` are the plan's; the tolerance steps where they step. Without them each step's own
    tolerance is drawn.
    """
    ways = warming(results)
    drawn = [
        (one, up)
        for one, up in zip(results, ways, strict=True)
        if _has_place(one) and one.error_celsius is not None
    ]
    parts = [heading("Error, tolerance and uncertainty")]
    if not drawn:
        return "".join([*parts, paragraph("No step at a temperature has a reading.")])
    tolerances = [one.step.tolerance_celsius or 0.0 for one, _ in drawn]
    sizes = [abs(one.error_celsius or 0.0) + one.step.uncertainty_celsius for one, _ in drawn]
    widest, largest = max(tolerances), max(sizes)
    parts.append(
        figure(
            _error_chart(drawn, bands, scale, reach=max(largest, widest), title="Errors"),
            "Shaded: the tolerance; upright bars: expanded uncertainty (k = 2). " + _KEY,
        )
    )
    if widest > 0 and largest > _ZOOM_FROM * widest:
        parts.append(
            figure(
                _error_chart(drawn, bands, scale, reach=1.5 * widest, title="Errors, drawn larger"),
                "The same, drawn larger about the tolerance. An arrow at the edge: further out.",
            )
        )
    rows = [
        [
            str(one.step.index + 1),
            "up" if up else "down",
            scale.temperature(one.step.achieved_celsius),
            scale.difference(one.error_celsius, sign=True),
            scale.difference(one.step.shown_uncertainty_celsius),
            scale.difference(one.step.tolerance_celsius),
            one.verdict.value,
        ]
        for one, up in drawn
    ]
    heads = ["step", "way", f"at, {scale.unit}", "error", "U (k=2)", "tolerance", "verdict"]
    return "".join([*parts, table(heads, rows, words=(1, 6))])


def excursions(results: Sequence[StepResult], scale: Scale) -> str:
    """Return how far the value strays while relays switch on the way to each step."""
    known = [one for one in results if one.step.excursion_celsius is not None]
    parts = [
        heading("Switching excursions"),
        paragraph(
            "How far the value strays outside the span between two steps while relays switch, as"
            " planned; it is not measured.",
            class_="faint",
        ),
    ]
    if known:
        sizes = [scale.by(one.step.excursion_celsius or 0.0) for one in known]
        chart = Chart(
            title="Switching excursions by step",
            x=(0.0, float(max(one.step.index for one in known) + 2)),
            y=(0.0, max(1.0, 1.08 * max(sizes))),
            x_name="step",
            y_name=f"excursion, {scale.unit}",
            height=220.0,
        )
        for one, size in zip(known, sizes, strict=True):
            number = one.step.index + 1
            words = f"step {number}: {scale.difference(one.step.excursion_celsius)} {scale.unit}"
            chart.bar(number, size, half=0.32, words=words)
            if one.step.filtered_excursion_celsius is not None:
                chart.ring(number, scale.by(one.step.filtered_excursion_celsius))
        parts.append(
            figure(chart.svg(), "Bars: at the input; circles: after the module's input filter.")
        )
    rows = [
        [
            str(one.step.index + 1),
            scale.difference(one.step.excursion_celsius),
            scale.difference(one.step.filtered_excursion_celsius),
            str(len(one.step.path)),
        ]
        for one in results
    ]
    heads = ["step", f"excursion, {scale.unit}", "after the filter", "states on the way"]
    return "".join([*parts, table(heads, rows)])


def _error_chart(
    drawn: Sequence[tuple[StepResult, bool]],
    bands: Sequence[ToleranceBand],
    scale: Scale,
    *,
    reach: float,
    title: str,
) -> str:
    places = [scale.at(one.step.achieved_celsius or 0.0) for one, _ in drawn]
    limit = 1.08 * scale.by(reach) or 1.0
    chart = Chart(
        title=title,
        x=span_of(places),
        y=(-limit, limit),
        x_name=f"temperature put in, {scale.unit}",
        y_name=f"error, {scale.unit}",
    )
    if bands:
        for band in bands:
            tolerance = scale.by(band.tolerance_celsius)
            chart.band(
                scale.at(band.from_celsius), scale.at(band.to_celsius), -tolerance, tolerance
            )
    else:
        half = (chart.x[1] - chart.x[0]) / 160
        for x, (one, _) in zip(places, drawn, strict=True):
            tolerance = scale.by(one.step.tolerance_celsius or 0.0)
            chart.band(x - half, x + half, -tolerance, tolerance)
    chart.line([(chart.x[0], 0.0), (chart.x[1], 0.0)], "ideal")
    for x, (one, up) in zip(places, drawn, strict=True):
        chart.mark(
            x,
            scale.by(one.error_celsius or 0.0),
            kind=one.verdict.value,
            up=up,
            words=_words(one, scale),
            spread=scale.by(one.step.uncertainty_celsius),
        )
    return chart.svg()


def _every_step(results: Sequence[StepResult], scale: Scale) -> str:
    rows = [
        [
            str(one.step.index + 1),
            one.step.kind.value
            if one.step.target_celsius is None
            else scale.temperature(one.step.target_celsius),
            ohms(one.step.achieved_ohms),
            scale.temperature(one.step.expected_celsius),
            scale.temperature(one.reported_celsius),
            scale.difference(one.error_celsius, sign=True),
            f"{one.settle_s:.1f}",
            str(one.attempt),
            one.verdict.value,
            one.reason.value if one.reason else "",
        ]
        for one in results
    ]
    heads = [
        "step", f"target, {scale.unit}", "ohm", "expected", "reported", "error", "settled after, s",
        "attempt", "verdict", "",
    ]  # fmt: skip
    return table(heads, rows, words=(8, 9))


def _has_place(one: StepResult) -> bool:
    return one.step.achieved_celsius is not None


def _words(one: StepResult, scale: Scale) -> str:
    return (
        f"step {one.step.index + 1}: expected {scale.temperature(one.step.expected_celsius)},"
        f" reported {scale.temperature(one.reported_celsius)},"
        f" error {scale.difference(one.error_celsius, sign=True)},"
        f" U {scale.difference(one.step.shown_uncertainty_celsius)} {scale.unit},"
        f" {one.verdict.value}"
    )
