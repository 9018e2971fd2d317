"""Points of a sensor file: charts and tables, and how well they are known."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from itertools import pairwise

from controller.documents import Table
from controller.sensors.chart_fit import LEAST_POINTS, fit_chart
from controller.sensors.curve import Curve
from controller.sensors.error_parts import PUBLISHED_CELSIUS
from controller.sensors.table import TableCurve
from controller.units import KELVIN_AT_ZERO_CELSIUS

__all__ = ["COLDEST_CELSIUS", "Build", "read_chart_fit", "read_span", "read_table"]

COLDEST_CELSIUS = -KELVIN_AT_ZERO_CELSIUS

Build = Callable[[str], Curve]
"""Makes the curve, given its label; called only when every key read so far is sound."""


def read_span(
    root: Table, *, lowest: float | None = None, highest: float | None = None
) -> tuple[float, float]:
    """Read the span; without defaults both ends are required."""
    low = root.number("lowest_celsius", default=lowest, above=COLDEST_CELSIUS)
    high = root.number("highest_celsius", default=highest, above=COLDEST_CELSIUS)
    if math.isfinite(low) and math.isfinite(high) and not low < high:
        root.problem(
            "highest_celsius",
            f"the span is reversed: lowest_celsius is {low:g}, highest_celsius is {high:g}",
        )
    return low, high


def read_table(root: Table) -> Build:
    """Read a table.

    Where nothing is said of how well its points are known, they are rounded to the figures they are
    written with, and hold as well as published tables do.
    """
    points = _points(root, least=2)
    _refuse_turning_table(root, points)
    low, high = _chart_span(root, points)
    percent, celsius = _reading(root)
    common_percent, common_celsius = _common(root)
    stated = percent > 0.0 or celsius > 0.0
    return lambda label: TableCurve(
        points=tuple((t, r) for t, r, _ in points),
        reading_uncertainty_percent=percent,
        reading_uncertainty_celsius=celsius if stated else PUBLISHED_CELSIUS,
        common_uncertainty_percent=common_percent or 0.0,
        common_uncertainty_celsius=common_celsius or 0.0,
        figures=None if stated else max(_figures(r) for _, r, _ in points),
        lowest_celsius=low,
        highest_celsius=high,
        label=label,
    )


def read_chart_fit(root: Table) -> Build:
    """Read a chart to be fitted; what is not stated has the defaults of `fit_chart`."""
    points = _points(root, least=LEAST_POINTS)
    low, high = _chart_span(root, points)
    percent, celsius = _reading(root)
    common_percent, common_celsius = _common(root)
    degree = root.optional_integer("degree", least=1, most=3)
    return lambda label: fit_chart(
        [(t, r) for t, r, _ in points],
        lowest_celsius=low,
        highest_celsius=high,
        reading_uncertainty_percent=percent,
        reading_uncertainty_celsius=celsius,
        common_uncertainty_percent=common_percent,
        common_uncertainty_celsius=common_celsius,
        degree=degree,
        label=label,
    )


def _reading(root: Table) -> tuple[float, float]:
    """Read the standard uncertainty of single points: percent and degC."""
    return (
        root.number("reading_uncertainty_percent", default=0.0, least=0.0, most=100.0),
        root.number("reading_uncertainty_celsius", default=0.0, least=0.0),
    )


def _common(root: Table) -> tuple[float | None, float | None]:
    """Read the standard uncertainty that all points share: percent and degC."""
    return (
        root.optional_number("common_uncertainty_percent", least=0.0, most=100.0),
        root.optional_number("common_uncertainty_celsius", least=0.0),
    )


def _figures(value: float) -> int:
    """Return how many significant figures a number was written with, trailing zeros not counted."""
    mantissa = f"{value:.15e}".partition("e")[0].replace(".", "")
    return max(len(mantissa.rstrip("0")), 1)


def _points(root: Table, *, least: int) -> list[tuple[float, float, int]]:
    """Return the sound points as (degC, ohm, index in the file), sorted by temperature."""
    rows = root.number_rows("points", columns=2, least=least, ohms_column=1)
    raw = root.raw("points")
    if not isinstance(raw, list) or len(raw) != len(rows):
        return []
    points = []
    for index, (celsius, ohms) in enumerate(rows):
        if not (math.isfinite(celsius) and math.isfinite(ohms)):
            continue
        if celsius <= COLDEST_CELSIUS:
            root.problem(f"points[{index}][0]", f"{celsius:g} degC is not above absolute zero")
        if ohms <= 0.0:
            root.problem(
                f"points[{index}][1]",
                f"a resistance must be more than 0 ohm, is {ohms:g}",
                hint="points are [celsius, ohms]",
            )
        points.append((celsius, ohms, index))
    points.sort()
    for before, after in pairwise(points):
        if before[0] == after[0]:
            first, second = sorted((before[2], after[2]))
            root.problem(
                f"points[{second}]", f"{after[0]:g} degC is already there, in points[{first}]"
            )
    return points


def _chart_span(root: Table, points: Sequence[tuple[float, float, int]]) -> tuple[float, float]:
    if len(points) < 2 or points[0][0] == points[-1][0]:
        # The ends of the points are no help; what is stated is still checked.
        if "lowest_celsius" in root and "highest_celsius" in root:
            return read_span(root)
        return (
            root.number("lowest_celsius", default=0.0, above=COLDEST_CELSIUS),
            root.number("highest_celsius", default=1.0, above=COLDEST_CELSIUS),
        )
    return read_span(root, lowest=points[0][0], highest=points[-1][0])


def _refuse_turning_table(root: Table, points: Sequence[tuple[float, float, int]]) -> None:
    if len(points) < 2:
        return
    rises = points[-1][1] > points[0][1]
    word = "rise" if rises else "fall"
    for before, after in pairwise(points):
        if before[0] == after[0]:
            continue
        if (after[1] <= before[1]) if rises else (after[1] >= before[1]):
            root.problem(
                f"points[{after[2]}]",
                f"the table is not monotone: {after[1]:g} ohm at {after[0]:g} degC does not "
                f"{word} from {before[1]:g} ohm at {before[0]:g} degC",
                hint="was a digit misread?",
            )
