"""Which readings can be used, what is missing, and which other sensors come into question."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

from controller.arrays import FloatArray
from controller.diagnosis.hypotheses import Response, response_of
from controller.diagnosis.readings import Readings
from controller.errors import InputError
from controller.sensors.curve import Curve, Sensor
from controller.units import KELVIN_AT_ZERO_CELSIUS

__all__ = [
    "LEAST_READINGS",
    "Mask",
    "covering",
    "refuse_contradictory_units",
    "sorted_out",
    "what_is_missing",
    "with_tolerance",
]

Mask: TypeAlias = npt.NDArray[np.bool_]

LEAST_READINGS = 3
_FAR_CELSIUS = 15.0
_LEAST_OHMS, _MOST_OHMS = 1e-3, 1e12
"""Outside, a reading is of a short or an open circuit by another name and is left out."""


def sorted_out(readings: Readings, response: Response) -> tuple[Mask, Mask, Mask]:
    """Return masks (n,): ordinary readings, and open and short ones whose fixed report is known.

    A fixed report that was given for an ordinary resistance, far from what belongs there, is the
    module's word for "open" or "shorted", not a temperature; such a reading is left out. At the
    end of the range it stands for everything beyond, and stays.
    """
    reporting = readings.reporting
    finite = (readings.ohms >= _LEAST_OHMS) & (readings.ohms <= _MOST_OHMS)
    far = np.abs(readings.reported_celsius - response(readings.ohms)) > _FAR_CELSIUS
    for fixed in (reporting.open_celsius, reporting.short_celsius):
        if fixed not in (None, reporting.lowest_celsius, reporting.highest_celsius):
            finite &= ~(far & (readings.reported_celsius == fixed))
    opens = np.isinf(readings.ohms) & (reporting.open_celsius is not None)
    shorts = (readings.ohms == 0) & (reporting.short_celsius is not None)
    return finite, opens, shorts


def with_tolerance(
    readings: Readings, curve: Curve, tolerance_at: Callable[[float], float]
) -> Readings:
    """Return readings that were written down by hand with the tolerance of their temperatures."""
    ends = np.sort(curve.ohms(np.array([curve.lowest_celsius, curve.highest_celsius])))
    ordinary = np.isfinite(readings.ohms) & (readings.ohms > 0)
    celsius = curve.celsius(np.clip(np.where(ordinary, readings.ohms, ends[0]), *ends))
    limits = np.array([tolerance_at(float(one)) for one in celsius])
    return replace(readings, tolerance_celsius=np.where(ordinary, limits, np.nan))


def what_is_missing(readings: Readings, used: Mask) -> tuple[str, ...]:
    """Return in sentences what a diagnosis would need; nothing when it can be tried."""
    count = int(used.sum())
    if count < LEAST_READINGS:
        message = (
            f"{count} usable of {len(readings)} readings: at least {LEAST_READINGS} at different "
            "resistances are needed, open and short not counted."
        )
        return (message,)
    ohms = readings.ohms[used]
    if np.ptp(np.log(ohms)) < np.log(1.2):
        message = (
            "All readings are at nearly the same resistance: every fault looks alike there. "
            "Add readings near both ends of the range."
        )
        return (message,)
    return ()


def refuse_contradictory_units(readings: Readings, used: Mask, response: Response) -> None:
    """Raise InputError when the readings only make sense in another unit."""
    ohms, reported = readings.ohms[used], readings.reported_celsius[used]

    def miss(as_ohms: FloatArray, as_celsius: FloatArray) -> float:
        return float(np.median(np.abs(as_celsius - response(as_ohms))))

    here = miss(ohms, reported)
    if here < _FAR_CELSIUS:
        return
    others = {
        "the ohms look like kohm": (miss(ohms * 1e3, reported), "multiply the column by 1000"),
        "the ohms look like milliohm": (miss(ohms / 1e3, reported), "divide the column by 1000"),
        "the temperatures look like degF": (
            miss(ohms, (reported - 32.0) / 1.8),
            "write degC: (F - 32) / 1.8",
        ),
        "the temperatures look like kelvin": (
            miss(ohms, reported - KELVIN_AT_ZERO_CELSIUS),
            "subtract 273.15",
        ),
    }
    message, (there, hint) = min(others.items(), key=lambda item: item[1][0])
    if there < 4.0 and there < here / 5.0:
        raise InputError.single(f"contradictory units: {message}", hint=hint)


def covering(
    candidates: Sequence[Sensor], curve: Curve, ohms: FloatArray
) -> list[tuple[str, Response]]:
    """Return the candidates that reach most of the readings and differ from the plan's curve.

    One that ends short of some readings comes twice: continued, and stopping at its ends, as a
    module does whose table is no longer than that.
    """
    own = response_of(curve)(ohms)
    found = []
    for sensor in candidates:
        ends = sensor.curve.ohms(
            np.array([sensor.curve.lowest_celsius, sensor.curve.highest_celsius])
        )
        inside = (ohms >= ends.min()) & (ohms <= ends.max())
        response = response_of(sensor.curve)
        if np.mean(inside) >= 0.7 and np.max(np.abs(response(ohms) - own)) > 0.1:
            found.append((sensor.name, response))
            if not inside.all():
                found.append((sensor.name, _stopping_at_its_ends(sensor.curve, response)))
    return found


def _stopping_at_its_ends(curve: Curve, response: Response) -> Response:
    def stopping(ohms: npt.ArrayLike) -> FloatArray:
        return np.clip(response(ohms), curve.lowest_celsius, curve.highest_celsius)

    return stopping
