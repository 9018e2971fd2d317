"""The sensor by itself: what it measured in a bath against what its curve says."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from controller.errors import InputError
from controller.sensors.curve import Curve
from controller.sensors.extension import extended_celsius
from controller.units import COVERAGE_FACTOR

__all__ = ["BathPoint", "BathResult", "compare_in_bath"]


@dataclass(frozen=True, kw_only=True)
class BathPoint:
    """A measured pair. Both uncertainties are standard (k = 1).

    `caution` is what the bath has to be for its temperature to hold, for people.
    """

    label: str
    celsius: float
    uncertainty_celsius: float
    ohms: float
    uncertainty_ohms: float
    caution: str | None = None


@dataclass(frozen=True, kw_only=True)
class BathResult:
    """A bath point against the curve.

    `reads_celsius` is the temperature the curve gives for the measured resistance and
    `error_celsius` is that minus the bath's. `uncertainty_celsius` is expanded (k = 2): bath,
    meter and curve. The shares in degC (k = 1) are listed in `budget`. When the resistance is
    outside the curve's span (`beyond_span`), the curve was continued to say how far.
    """

    point: BathPoint
    expected_ohms: float
    reads_celsius: float
    error_celsius: float
    uncertainty_celsius: float
    budget: tuple[tuple[str, float], ...]
    beyond_span: bool


def compare_in_bath(curve: Curve, points: Sequence[BathPoint]) -> tuple[BathResult, ...]:
    """Compare each point with the curve.

    Raises SpanError when a bath is outside the curve's span, and InputError when a resistance is
    not a finite number above zero or there are no points.
    """
    if not points:
        raise InputError.single("no bath points were given: nothing can be said of the sensor")
    extended = extended_celsius(curve)
    least, most = sorted(
        float(r) for r in curve.ohms([curve.lowest_celsius, curve.highest_celsius])
    )
    results = []
    for point in points:
        if not (math.isfinite(point.ohms) and point.ohms > 0.0):
            raise InputError.single(
                f"a resistance must be a finite number above 0 ohm, is {point.ohms:g}",
                where=point.label,
                hint="a sensor that measures open or shorted is broken: no bath is needed",
            )
        expected = float(curve.ohms(point.celsius))
        reads = float(extended(np.asarray(point.ohms)))
        near = min(max(reads, curve.lowest_celsius), curve.highest_celsius)
        slope = abs(float(curve.slope_ohms_per_kelvin(near)))
        budget = (
            ("bath", point.uncertainty_celsius),
            ("meter", point.uncertainty_ohms / slope),
            ("curve", float(curve.uncertainty_celsius(near))),
        )
        results.append(
            BathResult(
                point=point,
                expected_ohms=expected,
                reads_celsius=reads,
                error_celsius=reads - point.celsius,
                uncertainty_celsius=COVERAGE_FACTOR * math.hypot(*(u for _, u in budget)),
                budget=budget,
                beyond_span=not least <= point.ohms <= most,
            )
        )
    return tuple(results)
