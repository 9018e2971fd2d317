"""Sensor files: TOML to a named curve.

Knows: the keys of the format rungwise-sensor/1 and which belong to which kind.
Must not know: how curves compute.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from itertools import pairwise
from pathlib import Path

from controller.documents import Table, read_document
from controller.errors import InputError
from controller.sensors.chart_fit import (
    LEAST_POINTS,
    ChartFitCurve,
    fit_chart,
    unsupported_spans,
)
from controller.sensors.curve import Curve, Sensor
from controller.sensors.polynomial import (
    PLATINUM_HIGHEST_CELSIUS,
    PLATINUM_LOWEST_CELSIUS,
    PolynomialCurve,
    Term,
    platinum_curve,
    power_terms,
)
from controller.sensors.table import TableCurve
from controller.sensors.thermistor import BetaCurve, RatioCurve, SteinhartHartCurve
from controller.units import KELVIN_AT_ZERO_CELSIUS, format_ohms

__all__ = ["SENSOR_FORMAT", "load_sensor", "tolerance_warning"]

SENSOR_FORMAT = "rungwise-sensor/1"

_COLDEST = -KELVIN_AT_ZERO_CELSIUS
_MUCH_SCATTER = 3.0
"""Chi-square per degree of freedom from which a chart is said to contradict its uncertainty."""

_Build = Callable[[str], Curve]
"""Makes the curve, given its label; called only when every key read so far is sound."""


def load_sensor(path: Path) -> Sensor:
    """Read a sensor file. Raises InputError with every problem found in it."""
    document = read_document(path, SENSOR_FORMAT)
    root = document.root
    name = root.optional_text("name") or path.stem
    root.optional_text("note")
    tolerance = root.optional_number("tolerance_celsius", above=0.0)
    kind = root.choice("kind", tuple(_KINDS), default="" if "kind" in root else None)
    curve: Curve | None = None
    if root.raw("kind") in tuple(_KINDS):
        build = _KINDS[kind](root)
        if document.sound:
            try:
                curve = build(name)
            except InputError as error:
                for problem in error.problems:
                    root.problem(problem.key or "", problem.message, hint=problem.hint)
    else:
        for key in _ALL_KEYS:  # which of them belong here cannot be told
            root.raw(key)
    document.finish()
    if curve is None:
        raise AssertionError("finish raises when there is no curve")
    return Sensor(
        name=name,
        kind=kind,
        curve=curve,
        tolerance_celsius=tolerance,
        warnings=_warnings(curve, tolerance),
    )


def _span(
    root: Table, *, lowest: float | None = None, highest: float | None = None
) -> tuple[float, float]:
    """Read the span; without defaults both ends are required."""
    low = root.number("lowest_celsius", default=lowest, above=_COLDEST)
    high = root.number("highest_celsius", default=highest, above=_COLDEST)
    if math.isfinite(low) and math.isfinite(high) and not low < high:
        root.problem(
            "highest_celsius",
            f"the span is reversed: lowest_celsius is {low:g}, highest_celsius is {high:g}",
        )
    return low, high


def _ntc_beta(root: Table) -> _Build:
    reference_ohms = root.number("reference_ohms", above=0.0)
    reference_celsius = root.number("reference_celsius", above=_COLDEST)
    beta_kelvin = root.number("beta_kelvin", above=0.0)
    low, high = _span(root)
    return lambda label: BetaCurve(
        reference_ohms=reference_ohms,
        reference_celsius=reference_celsius,
        beta_kelvin=beta_kelvin,
        lowest_celsius=low,
        highest_celsius=high,
        label=label,
    )


def _ntc_steinhart_hart(root: Table) -> _Build:
    a, b, c = (root.number(key) for key in ("a", "b", "c"))
    low, high = _span(root)
    return lambda label: SteinhartHartCurve(
        a=a, b=b, c=c, lowest_celsius=low, highest_celsius=high, label=label
    )


def _ntc_ratio(root: Table) -> _Build:
    reference_ohms = root.number("reference_ohms", above=0.0)
    a, b, c, d = (root.number(key) for key in ("a", "b", "c", "d"))
    low, high = _span(root)
    return lambda label: RatioCurve(
        reference_ohms=reference_ohms,
        a=a,
        b=b,
        c=c,
        d=d,
        lowest_celsius=low,
        highest_celsius=high,
        label=label,
    )


def _platinum(root: Table) -> _Build:
    reference_ohms = root.number("reference_ohms", above=0.0)
    low, high = _span(root, lowest=PLATINUM_LOWEST_CELSIUS, highest=PLATINUM_HIGHEST_CELSIUS)
    return lambda label: platinum_curve(
        reference_ohms=reference_ohms, lowest_celsius=low, highest_celsius=high, label=label
    )


def _polynomial(root: Table) -> _Build:
    reference_ohms = root.number("reference_ohms", above=0.0)
    origin = root.number("reference_celsius", default=0.0, above=_COLDEST)
    coefficients = root.numbers("coefficients")
    if coefficients and coefficients[0] == 1.0:
        # R/R0 = 1 + ...: some write the 1. As a slope it would be 100 % per kelvin.
        del coefficients[0]
    terms = list(power_terms(tuple(coefficients), origin_celsius=origin))
    for extra in root.tables("extra"):
        terms += _extra_terms(extra, origin)
    low, high = _span(root)
    return lambda label: PolynomialCurve(
        reference_ohms=reference_ohms,
        terms=tuple(terms),
        lowest_celsius=low,
        highest_celsius=high,
        label=label,
    )


def _extra_terms(extra: Table, default_origin: float) -> tuple[Term, ...]:
    """Read one extra piece: `coefficients` of whole powers, or one `coefficient` and `power`."""
    origin = extra.number("origin_celsius", default=default_origin, above=_COLDEST)
    start = extra.optional_number("from_celsius")
    stop = extra.optional_number("to_celsius")
    if start is not None and stop is not None and not start < stop:
        extra.problem("to_celsius", f"the range is reversed: {start:g} to {stop:g} degC")
    from_celsius = -math.inf if start is None else start
    to_celsius = math.inf if stop is None else stop
    if "coefficients" in extra and "power" not in extra and "coefficient" not in extra:
        return power_terms(
            tuple(extra.numbers("coefficients")),
            origin_celsius=origin,
            from_celsius=from_celsius,
            to_celsius=to_celsius,
        )
    if "coefficients" in extra:
        extra.raw("coefficients")
        extra.problem("coefficients", "give either coefficients, or one coefficient and its power")
    coefficient = extra.number("coefficient")
    power = extra.number("power", above=0.0)
    if math.isfinite(power) and power != int(power) and from_celsius < origin:
        extra.problem(
            "power",
            f"{power:g} is not a whole number, so from_celsius must be at least "
            f"origin_celsius ({origin:g})",
        )
    return (
        Term(
            coefficient=coefficient,
            power=power,
            origin_celsius=origin,
            from_celsius=from_celsius,
            to_celsius=to_celsius,
        ),
    )


def _table(root: Table) -> _Build:
    points = _points(root, least=2)
    _refuse_turning_table(root, points)
    low, high = _chart_span(root, points)
    percent = root.number("reading_uncertainty_percent", default=0.0, least=0.0, most=100.0)
    axis = root.number("reading_uncertainty_celsius", default=0.0, least=0.0)
    return lambda label: TableCurve(
        points=tuple((t, r) for t, r, _ in points),
        reading_uncertainty_percent=percent,
        reading_uncertainty_celsius=axis,
        lowest_celsius=low,
        highest_celsius=high,
        label=label,
    )


def _chart_fit(root: Table) -> _Build:
    points = _points(root, least=LEAST_POINTS)
    low, high = _chart_span(root, points)
    percent = root.number("reading_uncertainty_percent", default=0.0, least=0.0, most=100.0)
    axis = root.number("reading_uncertainty_celsius", default=0.0, least=0.0)
    degree = root.optional_integer("degree", least=1, most=3)
    return lambda label: fit_chart(
        [(t, r) for t, r, _ in points],
        lowest_celsius=low,
        highest_celsius=high,
        reading_uncertainty_percent=percent,
        reading_uncertainty_celsius=axis,
        degree=degree,
        label=label,
    )


_KINDS: dict[str, Callable[[Table], _Build]] = {
    "ntc-beta": _ntc_beta,
    "ntc-steinhart-hart": _ntc_steinhart_hart,
    "ntc-ratio": _ntc_ratio,
    "table": _table,
    "chart-fit": _chart_fit,
    "platinum": _platinum,
    "polynomial": _polynomial,
}

_ALL_KEYS = (
    *("reference_ohms", "reference_celsius", "beta_kelvin", "a", "b", "c", "d"),
    *("points", "reading_uncertainty_percent", "reading_uncertainty_celsius", "degree"),
    *("coefficients", "extra", "lowest_celsius", "highest_celsius"),
)


def _points(root: Table, *, least: int) -> list[tuple[float, float, int]]:
    """Return the sound points as (degC, ohm, index in the file), sorted by temperature."""
    rows = root.number_rows("points", columns=2, least=least)
    raw = root.raw("points")
    if not isinstance(raw, list) or len(raw) != len(rows):
        return []
    points = []
    for index, (celsius, ohms) in enumerate(rows):
        if not (math.isfinite(celsius) and math.isfinite(ohms)):
            continue
        if celsius <= _COLDEST:
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
            return _span(root)
        return (
            root.number("lowest_celsius", default=0.0, above=_COLDEST),
            root.number("highest_celsius", default=1.0, above=_COLDEST),
        )
    return _span(root, lowest=points[0][0], highest=points[-1][0])


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


def _warnings(curve: Curve, tolerance_celsius: float | None) -> tuple[str, ...]:
    """Return what a person should know before believing the curve."""
    sentences = []
    if isinstance(curve, ChartFitCurve):
        sentences += [
            f"The chart point at {point.celsius:g} degC, {format_ohms(point.ohms)}, does not "
            f"belong: it lies {abs(point.deviation_celsius):.2g} degC "
            f"{'above' if point.deviation_celsius > 0 else 'below'} the curve through the others "
            "and was left out. Read it again."
            for point in curve.left_out
        ]
        if curve.stated_uncertainty and curve.scatter > _MUCH_SCATTER:
            sentences.append(
                f"The chart points scatter {curve.scatter**0.5:.2g} times as much as their stated "
                "reading uncertainty allows; the curve's uncertainty was raised to match."
            )
        first, last = curve.points[0][0], curve.points[-1][0]
        if curve.lowest_celsius < first or curve.highest_celsius > last:
            sentences.append(
                f"The chart covers {first:g} to {last:g} degC only; beyond that the curve is the "
                "continuation of the fit."
            )
    if tolerance_celsius is not None:
        unsupported = tolerance_warning(curve, tolerance_celsius)
        sentences += [unsupported] if unsupported else []
    return tuple(sentences)


def tolerance_warning(curve: Curve, tolerance_celsius: float) -> str | None:
    """Return where a curve cannot support a tolerance, as a sentence; None when it can."""
    spans = unsupported_spans(curve, tolerance_celsius)
    if not spans:
        return None
    places = ", ".join(f"{low:g} to {high:g}" for low, high in spans)
    return (
        f"The chart cannot support a tolerance of {tolerance_celsius:g} degC at {places} "
        "degC: its own expanded uncertainty (k = 2) is larger there."
    )
