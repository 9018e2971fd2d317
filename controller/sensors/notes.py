"""What a person should know before believing a curve, as sentences."""

from __future__ import annotations

from controller.sensors.chart_fit import ChartFitCurve, unsupported_spans
from controller.sensors.curve import Curve
from controller.sensors.tolerance import ToleranceClass
from controller.units import format_ohms

__all__ = ["sensor_notes", "tolerance_warning"]

_MUCH_SCATTER = 3.0
"""Chi-square per degree of freedom from which a chart is said to contradict its uncertainty."""


def sensor_notes(
    curve: Curve,
    *,
    tolerance_celsius: float | None = None,
    tolerance_class: ToleranceClass | None = None,
) -> tuple[str, ...]:
    """Return the sentences about a sensor's curve and how it fits the sensor's tolerance."""
    sentences: list[str] = []
    if isinstance(curve, ChartFitCurve):
        sentences += _chart_notes(curve)
    if tolerance_celsius is not None:
        unsupported = tolerance_warning(curve, tolerance_celsius)
        sentences += [unsupported] if unsupported else []
    if tolerance_class is not None:
        low, high = tolerance_class.lowest_celsius, tolerance_class.highest_celsius
        if curve.lowest_celsius < low or curve.highest_celsius > high:
            sentences.append(
                f"Class {tolerance_class.name} of IEC 60751 holds from {low:g} to {high:g} degC "
                "only; beyond that the sensor has no tolerance."
            )
    return tuple(sentences)


def tolerance_warning(curve: Curve, tolerance_celsius: float) -> str | None:
    """Return where a curve cannot support a tolerance, as a sentence; None when it can."""
    spans = unsupported_spans(curve, tolerance_celsius)
    if not spans:
        return None
    places = ", ".join(f"{low:g} to {high:g}" for low, high in spans)
    return (
        f"The curve cannot support a tolerance of {tolerance_celsius:g} degC at {places} "
        "degC: its own expanded uncertainty (k = 2) is larger there."
    )


def _chart_notes(curve: ChartFitCurve) -> list[str]:
    sentences = [
        f"The chart point at {point.celsius:g} degC, {format_ohms(point.ohms)}, does not "
        f"belong: it lies {abs(point.deviation_celsius):.2g} degC "
        f"{'above' if point.deviation_celsius > 0 else 'below'} the curve through the others "
        "and was left out. Read it again."
        for point in curve.left_out
    ]
    if curve.suspects:
        places = " or ".join(f"{celsius:g} degC" for celsius, _ in curve.suspects)
        sentences.append(
            f"One chart point does not belong, that at {places}: which one cannot be told. None "
            "was left out. Read them again."
        )
    if not curve.stated_uncertainty:
        sentences.append(
            "The chart states no reading uncertainty: the scatter of its points was taken for it, "
            "and again for errors of the axes, which do not show in the points."
        )
    elif curve.scatter > _MUCH_SCATTER:
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
    return sentences
