"""Bath files: what was measured in which bath.

Knows: the keys of the format rungwise-bath/1, and which fixed point a kind of bath is.
Must not know: curves, verdicts.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path

from controller.documents import Table, read_document
from controller.errors import InputError
from controller.sensors.bath import BathPoint
from controller.sensors.water import (
    BOILING_UNCERTAINTY_CELSIUS,
    ICE_UNCERTAINTY_CELSIUS,
    FixedPoint,
    air_pressure_pa,
    boiling_point,
    ice_point,
)
from controller.units import KELVIN_AT_ZERO_CELSIUS

__all__ = ["BATH_FORMAT", "load_bath"]

BATH_FORMAT = "rungwise-bath/1"

_PA_PER_HPA = 100.0
_LEAST_HPA, _MOST_HPA = 300.0, 1100.0
_BAROMETER_UNCERTAINTY_HPA = 1.0
_WEATHER_UNCERTAINTY_HPA = 10.0
"""How much the weather moves the pressure about the standard one (k = 1): from memory."""


_UNKNOWN = FixedPoint(celsius=math.nan, uncertainty_celsius=math.nan)
"""Stands in while reading goes on after a problem; `finish` keeps it from being used."""


def load_bath(path: Path) -> tuple[BathPoint, ...]:
    """Read a bath file. Raises InputError with every problem found in it.

    Each ``[[point]]`` has `kind` (``ice``, ``boiling``, or ``bath`` with a reference thermometer),
    `ohms` and `uncertainty_ohms`; a bath has `celsius` and `uncertainty_celsius`; boiling has
    `air_pressure_hpa` as a barometer on the spot shows it, or `altitude_metres`, or that with
    `sea_level_pressure_hpa` as the weather report gives it. Uncertainties are standard (k = 1);
    `pressure_uncertainty_hpa` is 1 with a stated pressure and 10 with the altitude alone.
    """
    document = read_document(path, BATH_FORMAT)
    root = document.root
    root.optional_text("note")
    points = []
    for table in root.tables("point", least=1):
        kind = table.choice("kind", tuple(_KINDS))
        fixed = _KINDS[kind](table)
        ohms = table.number("ohms", above=0.0)
        uncertainty_ohms = table.number("uncertainty_ohms", least=0.0)
        if document.sound:
            points.append(
                BathPoint(
                    label=table.optional_text("label") or f"{kind}, {fixed.celsius:.2f} degC",
                    celsius=fixed.celsius,
                    uncertainty_celsius=fixed.uncertainty_celsius,
                    ohms=ohms,
                    uncertainty_ohms=uncertainty_ohms,
                )
            )
        else:
            table.optional_text("label")
    document.finish()
    return tuple(points)


def _ice(table: Table) -> FixedPoint:
    uncertainty = table.number("uncertainty_celsius", default=ICE_UNCERTAINTY_CELSIUS, least=0.0)
    return ice_point(uncertainty_celsius=uncertainty)


def _bath(table: Table) -> FixedPoint:
    return FixedPoint(
        celsius=table.number("celsius", above=-KELVIN_AT_ZERO_CELSIUS),
        uncertainty_celsius=table.number("uncertainty_celsius", least=0.0),
    )


def _boiling(table: Table) -> FixedPoint:
    measured = table.optional_number("air_pressure_hpa", least=_LEAST_HPA, most=_MOST_HPA)
    altitude = table.optional_number("altitude_metres")
    reduced = table.optional_number("sea_level_pressure_hpa", least=900.0, most=_MOST_HPA)
    own = table.number("uncertainty_celsius", default=BOILING_UNCERTAINTY_CELSIUS, least=0.0)
    known = measured is not None or reduced is not None
    pressure_uncertainty = table.number(
        "pressure_uncertainty_hpa",
        default=_BAROMETER_UNCERTAINTY_HPA if known else _WEATHER_UNCERTAINTY_HPA,
        least=0.0,
    )
    if measured is not None and (altitude is not None or reduced is not None):
        table.problem(
            "air_pressure_hpa",
            "a pressure measured on the spot needs neither altitude_metres nor "
            "sea_level_pressure_hpa",
            hint="is it the weather report's? then it is sea_level_pressure_hpa",
        )
    elif measured is None and altitude is None:
        table.problem(
            "air_pressure_hpa" if reduced is None else "altitude_metres",
            "is missing",
            hint="without the air pressure, or the altitude, the boiling point is not known",
        )
    if not table.document.sound:
        return _UNKNOWN
    try:
        return boiling_point(
            _pressure_pa(measured, altitude, reduced),
            pressure_uncertainty_pa=pressure_uncertainty * _PA_PER_HPA,
            uncertainty_celsius=own,
        )
    except InputError as error:
        table.problem("altitude_metres", error.problems[0].message)
        return _UNKNOWN


def _pressure_pa(
    measured_hpa: float | None, altitude_metres: float | None, sea_level_hpa: float | None
) -> float:
    if measured_hpa is not None:
        return measured_hpa * _PA_PER_HPA
    if altitude_metres is None:
        raise InputError.single("neither pressure nor altitude is known")
    if sea_level_hpa is None:
        return air_pressure_pa(altitude_metres)
    return air_pressure_pa(altitude_metres, sea_level_pressure_pa=sea_level_hpa * _PA_PER_HPA)


_KINDS: dict[str, Callable[[Table], FixedPoint]] = {"ice": _ice, "boiling": _boiling, "bath": _bath}
