"""Sensor files: TOML to a named curve."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path

from controller.documents import Table, read_document
from controller.errors import InputError
from controller.sensors.curve import Curve, Sensor
from controller.sensors.notes import sensor_notes, tolerance_warning
from controller.sensors.points_file import (
    COLDEST_CELSIUS,
    Build,
    read_chart_fit,
    read_span,
    read_table,
)
from controller.sensors.polynomial import (
    PLATINUM_HIGHEST_CELSIUS,
    PLATINUM_LOWEST_CELSIUS,
    PolynomialCurve,
    Term,
    platinum_curve,
    power_terms,
)
from controller.sensors.thermistor import (
    BEND_KELVIN2,
    BETA_TO_CELSIUS,
    BetaCurve,
    RatioCurve,
    SteinhartHartCurve,
)
from controller.sensors.tolerance import PLATINUM_CLASSES, ToleranceClass

__all__ = ["SENSOR_FORMAT", "load_sensor", "tolerance_warning"]

SENSOR_FORMAT = "rungwise-sensor/1"


def load_sensor(path: Path) -> Sensor:
    """Read a sensor file. Raises InputError with every problem found in it."""
    document = read_document(path, SENSOR_FORMAT)
    root = document.root
    name = root.optional_text("name") or path.stem
    root.optional_text("note")
    tolerance = root.optional_number("tolerance_celsius", above=0.0)
    kind = root.choice("kind", tuple(_KINDS), default="" if "kind" in root else None)
    tolerance_class = _tolerance_class(root, kind)
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
        tolerance_class=tolerance_class,
        warnings=sensor_notes(curve, tolerance_celsius=tolerance, tolerance_class=tolerance_class),
    )


def _tolerance_class(root: Table, kind: str) -> ToleranceClass | None:
    """Read `tolerance`, the class of a platinum sensor."""
    if "tolerance" not in root:
        return None
    name = root.choice("tolerance", tuple(PLATINUM_CLASSES), default="B")
    if kind != "platinum":
        root.problem(
            "tolerance",
            "classes of tolerance are those of platinum sensors",
            hint="write tolerance_celsius",
        )
    if "tolerance_celsius" in root:
        root.problem(
            "tolerance",
            "the tolerance is stated twice",
            hint="either a class as tolerance, or one number as tolerance_celsius",
        )
    return PLATINUM_CLASSES[name]


def _model_uncertainty(root: Table) -> float:
    """Read how well a formula follows the sensor, k = 1; by default it defines the sensor."""
    return root.number("model_uncertainty_celsius", default=0.0, least=0.0)


def _ntc_beta(root: Table) -> Build:
    reference_ohms = root.number("reference_ohms", above=0.0)
    reference_celsius = root.number("reference_celsius", above=COLDEST_CELSIUS)
    beta_kelvin = root.number("beta_kelvin", above=0.0)
    beta_to = root.number("beta_to_celsius", default=BETA_TO_CELSIUS, above=COLDEST_CELSIUS)
    # Who states how good the formula is knows better than what thermistors in general do.
    bend = 0.0 if "model_uncertainty_celsius" in root else BEND_KELVIN2
    model = _model_uncertainty(root)
    low, high = read_span(root)
    return lambda label: BetaCurve(
        reference_ohms=reference_ohms,
        reference_celsius=reference_celsius,
        beta_kelvin=beta_kelvin,
        beta_to_celsius=beta_to,
        bend_kelvin2=bend,
        model_uncertainty_celsius=model,
        lowest_celsius=low,
        highest_celsius=high,
        label=label,
    )


def _ntc_steinhart_hart(root: Table) -> Build:
    a, b, c = (root.number(key) for key in ("a", "b", "c"))
    model = _model_uncertainty(root)
    low, high = read_span(root)
    return lambda label: SteinhartHartCurve(
        a=a,
        b=b,
        c=c,
        model_uncertainty_celsius=model,
        lowest_celsius=low,
        highest_celsius=high,
        label=label,
    )


def _ntc_ratio(root: Table) -> Build:
    reference_ohms = root.number("reference_ohms", above=0.0)
    a, b, c, d = (root.number(key) for key in ("a", "b", "c", "d"))
    model = _model_uncertainty(root)
    low, high = read_span(root)
    return lambda label: RatioCurve(
        reference_ohms=reference_ohms,
        a=a,
        b=b,
        c=c,
        d=d,
        model_uncertainty_celsius=model,
        lowest_celsius=low,
        highest_celsius=high,
        label=label,
    )


def _platinum(root: Table) -> Build:
    reference_ohms = root.number("reference_ohms", above=0.0)
    model = _model_uncertainty(root)
    low, high = read_span(root, lowest=PLATINUM_LOWEST_CELSIUS, highest=PLATINUM_HIGHEST_CELSIUS)
    return lambda label: platinum_curve(
        reference_ohms=reference_ohms,
        model_uncertainty_celsius=model,
        lowest_celsius=low,
        highest_celsius=high,
        label=label,
    )


def _polynomial(root: Table) -> Build:
    reference_ohms = root.number("reference_ohms", above=0.0)
    origin = root.number("reference_celsius", default=0.0, above=COLDEST_CELSIUS)
    coefficients = root.numbers("coefficients")
    if coefficients and coefficients[0] == 1.0:
        # R/R0 = 1 + ...: some write the 1. As a slope it would be 100 % per kelvin.
        del coefficients[0]
    terms = list(power_terms(tuple(coefficients), origin_celsius=origin))
    for extra in root.tables("extra"):
        terms += _extra_terms(extra, origin)
    model = _model_uncertainty(root)
    low, high = read_span(root)
    return lambda label: PolynomialCurve(
        reference_ohms=reference_ohms,
        terms=tuple(terms),
        model_uncertainty_celsius=model,
        lowest_celsius=low,
        highest_celsius=high,
        label=label,
    )


def _extra_terms(extra: Table, default_origin: float) -> tuple[Term, ...]:
    """Read one extra piece: `coefficients` of whole powers, or one `coefficient` and `power`."""
    origin = extra.number("origin_celsius", default=default_origin, above=COLDEST_CELSIUS)
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


_KINDS: dict[str, Callable[[Table], Build]] = {
    "ntc-beta": _ntc_beta,
    "ntc-steinhart-hart": _ntc_steinhart_hart,
    "ntc-ratio": _ntc_ratio,
    "table": read_table,
    "chart-fit": read_chart_fit,
    "platinum": _platinum,
    "polynomial": _polynomial,
}

_ALL_KEYS = (
    *("reference_ohms", "reference_celsius", "beta_kelvin", "a", "b", "c", "d"),
    *("beta_to_celsius", "model_uncertainty_celsius", "tolerance"),
    *("points", "reading_uncertainty_percent", "reading_uncertainty_celsius", "degree"),
    *("common_uncertainty_percent", "common_uncertainty_celsius"),
    *("coefficients", "extra", "lowest_celsius", "highest_celsius"),
)
