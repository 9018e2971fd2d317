"""Bath files: what was measured in which bath."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path

from controller.documents import Table, read_document
from controller.errors import InputError
from controller.sensors.bath import BathPoint
from controller.sensors.water import (
    BOILING_CAUTION,
    BOILING_UNCERTAINTY_CELSIUS,
    ICE_CAUTION,
    ICE_UNCERTAINTY_CELSIUS,
    LAPSE_KELVIN_PER_METRE,
    STANDARD_PRESSURE_PA,
    STANDARD_SEA_LEVEL_KELVIN,
    FixedPoint,
    air_pressure_pa,
    air_pressure_uncertainty_pa,
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
_DAY_UNCERTAINTY_KELVIN = 12.0
_MEASURED_DAY_UNCERTAINTY_KELVIN = 4.0
"""How far the air between here and the sea is from standard, and from what a thermometer here lets
one expect (k = 1): from memory."""
_ALTITUDE_UNCERTAINTY_METRES = 10.0
"""Read off a map (k = 1): from memory."""

_UNKNOWN = FixedPoint(celsius=math.nan, uncertainty_celsius=math.nan)
"""Stands in while reading goes on after a problem; `finish` keeps it from being used."""


def load_bath(path: Path) -> tuple[BathPoint, ...]:
    """Read a bath file. Raises InputError with every problem found in it.

    Each ``[[point]]`` has `kind` (``ice``, ``boiling``, or ``bath`` with a reference thermometer),
    `ohms` and `uncertainty_ohms`; a bath has `celsius` and `uncertainty_celsius`; boiling has
    `air_pressure_hpa` as a barometer on the spot shows it, or `altitude_metres`, or that with
    `sea_level_pressure_hpa` as the weather report gives it. Uncertainties are standard (k = 1);
    `pressure_uncertainty_hpa` is 1 with a stated pressure and 10 with the altitude alone, at sea
    level. With an altitude, `altitude_uncertainty_metres` (10 unless stated) and the temperature of
    the day add to it: 12 K, or 4 K where `air_celsius` is stated.
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
                    caution=_CAUTIONS.get(kind),
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
    own = table.number("uncertainty_celsius", default=BOILING_UNCERTAINTY_CELSIUS, least=0.0)
    air = _air_pressure(table)
    if air is None:
        return _UNKNOWN
    pressure_pa, uncertainty_pa = air
    try:
        return boiling_point(
            pressure_pa, pressure_uncertainty_pa=uncertainty_pa, uncertainty_celsius=own
        )
    except InputError as error:
        table.problem("altitude_metres", error.problems[0].message)
        return _UNKNOWN


def _air_pressure(table: Table) -> tuple[float, float] | None:
    """Read the pressure here and its standard uncertainty in Pa; None after a problem."""
    measured = table.optional_number("air_pressure_hpa", least=_LEAST_HPA, most=_MOST_HPA)
    altitude = table.optional_number("altitude_metres")
    reduced = table.optional_number("sea_level_pressure_hpa", least=900.0, most=_MOST_HPA)
    air_celsius = table.optional_number("air_celsius", least=-60.0, most=60.0)
    altitude_uncertainty = table.number(
        "altitude_uncertainty_metres", default=_ALTITUDE_UNCERTAINTY_METRES, least=0.0
    )
    known = measured is not None or reduced is not None
    uncertainty_hpa = table.number(
        "pressure_uncertainty_hpa",
        default=_BAROMETER_UNCERTAINTY_HPA if known else _WEATHER_UNCERTAINTY_HPA,
        least=0.0,
    )
    if measured is not None and (altitude is not None or reduced is not None):
        table.problem(
            "air_pressure_hpa",
            "a pressure measured on the spot needs neither altitude_metres nor "
            "sea_level_pressure_hpa",
            hint="a pressure from the weather report goes into sea_level_pressure_hpa",
        )
    elif measured is None and altitude is None:
        table.problem(
            "air_pressure_hpa" if reduced is None else "altitude_metres",
            "is missing",
            hint="without the air pressure, or the altitude, the boiling point is not known",
        )
    if not table.document.sound:
        return None
    if measured is not None:
        return measured * _PA_PER_HPA, uncertainty_hpa * _PA_PER_HPA
    metres = altitude or 0.0
    sea_level_pa = STANDARD_PRESSURE_PA if reduced is None else reduced * _PA_PER_HPA
    kelvin = (
        STANDARD_SEA_LEVEL_KELVIN
        if air_celsius is None
        else air_celsius + KELVIN_AT_ZERO_CELSIUS + LAPSE_KELVIN_PER_METRE * metres
    )
    try:
        here = air_pressure_pa(metres, sea_level_pressure_pa=sea_level_pa, sea_level_kelvin=kelvin)
    except InputError as error:
        table.problem("altitude_metres", error.problems[0].message)
        return None
    return here, air_pressure_uncertainty_pa(
        metres,
        sea_level_pressure_pa=sea_level_pa,
        sea_level_kelvin=kelvin,
        sea_level_pressure_uncertainty_pa=uncertainty_hpa * _PA_PER_HPA,
        sea_level_uncertainty_kelvin=(
            _DAY_UNCERTAINTY_KELVIN if air_celsius is None else _MEASURED_DAY_UNCERTAINTY_KELVIN
        ),
        altitude_uncertainty_metres=altitude_uncertainty,
    )


_KINDS: dict[str, Callable[[Table], FixedPoint]] = {"ice": _ice, "boiling": _boiling, "bath": _bath}

_CAUTIONS = {"ice": ICE_CAUTION, "boiling": BOILING_CAUTION}
