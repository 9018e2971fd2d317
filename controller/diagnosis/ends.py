"""Open and shorted inputs, and the step that would tell two explanations apart."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from controller.diagnosis.fit import Fit
from controller.diagnosis.intermittent import INTERMITTENT
from controller.diagnosis.likelihood import SLIP_PROBABILITY, Likelihood
from controller.diagnosis.readings import Readings
from controller.diagnosis.result import NextStep
from controller.sensors.curve import Curve
from controller.units import format_ohms

__all__ = ["EndReadings", "end_remarks", "next_step"]

_NEAR_CELSIUS = 5.0
"""This near to the fixed report counts as that report."""


@dataclass(frozen=True, kw_only=True)
class EndReadings:
    """What open and short readings say: a leakage makes an open input look like a resistance."""

    readings: Readings
    opens: npt.NDArray[np.bool_]
    shorts: npt.NDArray[np.bool_]
    curve: Curve

    def deviance(self, one: Fit) -> float:
        """Return what the open and short readings add; a wrong kind of report counts as a slip."""
        reporting = self.readings.reporting
        total = 0.0
        for mask, ohms, fixed in (
            (self.opens, math.inf, reporting.open_celsius),
            (self.shorts, 0.0, reporting.short_celsius),
        ):
            if not mask.any() or fixed is None:
                continue
            seen = report_at_end(one, ohms, self.curve)
            expected = fixed if seen is None else seen
            # The edge of detection is not known, so near is near enough.
            near = max(_NEAR_CELSIUS, 2.0 * reporting.resolution_celsius)
            good = np.abs(self.readings.reported_celsius[mask] - expected) <= near
            total += float(np.where(good, 0.0, -2.0 * math.log(SLIP_PROBABILITY)).sum())
        return total


def report_at_end(one: Fit, ohms: float, curve: Curve) -> float | None:
    """Return the temperature an open or shorted input would show; None: seen as open or shorted."""
    celsius = float(one.predict(np.array([ohms]))[0])
    return celsius if curve.lowest_celsius <= celsius <= curve.highest_celsius else None


def end_remarks(readings: Readings, curve: Curve) -> tuple[str, ...]:
    """Return a sentence for each kind of end that the module did not report as such.

    That needs no fit: an open input that shows a temperature has something across it, a shorted
    one something in series, and the curve says how many ohms.
    """
    reporting = readings.reporting
    found = []
    for mask, what, fixed, fault in (
        (np.isinf(readings.ohms), "open", reporting.open_celsius, "a leakage to ground"),
        (readings.ohms == 0, "shorted", reporting.short_celsius, "a series resistance"),
    ):
        if fixed is None:
            continue
        near = max(_NEAR_CELSIUS, 2.0 * reporting.resolution_celsius)
        for celsius in np.unique(readings.reported_celsius[mask]):
            inside = curve.lowest_celsius <= celsius <= curve.highest_celsius
            if abs(celsius - fixed) > near and inside:
                ohms = format_ohms(float(f"{float(curve.ohms(celsius)):.2g}"))
                found.append(
                    f"The {what} input is reported as {celsius:g} degC instead of {fixed:g} degC, "
                    f"as if about {ohms} were there: that points to {fault}."
                )
    return tuple(found)


def next_step(
    best: Fit, rival: Fit, kept: Readings, curve: Curve, likelihood: Likelihood
) -> NextStep:
    """Return the step at which the two explanations would differ most, in noise of one reading.

    A temperature is preferred to an open or short input, which sets fault codes, as long as it
    separates the two by three standard deviations. A contact that comes and goes shows in no other
    step, but in the same one again: the one where a resistance in series moves most.
    """
    kinds = (best.hypothesis.kind, rival.hypothesis.kind)
    if INTERMITTENT in kinds:
        inside = curve.celsius(np.clip(kept.ohms, *_span_ohms(curve)))
        hot = float(inside[int(np.argmin(np.abs(curve.slope_ohms_per_kelvin(inside))))])
        return NextStep(
            kind="repeat",
            target_celsius=hot,
            expected=tuple((kind, None) for kind in kinds),
            separation=math.inf,
        )
    reporting = kept.reporting
    celsius = np.linspace(curve.lowest_celsius, curve.highest_celsius, 101)
    ohms = curve.ohms(celsius)
    low = reporting.lowest_celsius if reporting.lowest_celsius is not None else -math.inf
    high = reporting.highest_celsius if reporting.highest_celsius is not None else math.inf
    first, second = (np.clip(one.predict(ohms), low, high) for one in (best, rival))
    sigma = likelihood.typical_sigma(best.predict(kept.ohms))
    spread = math.sqrt(sigma**2 + reporting.resolution_celsius**2 / 12.0)
    separation = np.abs(first - second) / spread
    at = int(np.argmax(separation))
    found = NextStep(
        kind="temperature",
        target_celsius=float(celsius[at]),
        expected=((kinds[0], float(first[at])), (kinds[1], float(second[at]))),
        separation=float(separation[at]),
    )
    if found.separation >= 3.0:
        return found
    for kind, end in (("open", math.inf), ("short", 0.0)):
        expected = (report_at_end(best, end, curve), report_at_end(rival, end, curve))
        if (expected[0] is None) != (expected[1] is None):
            return NextStep(
                kind=kind,
                target_celsius=None,
                expected=((kinds[0], expected[0]), (kinds[1], expected[1])),
                separation=math.inf,
            )
    return found


def _span_ohms(curve: Curve) -> tuple[float, float]:
    ends = curve.ohms(np.array([curve.lowest_celsius, curve.highest_celsius]))
    return float(ends.min()), float(ends.max())
