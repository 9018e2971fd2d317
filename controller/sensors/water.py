"""Temperatures that water gives for free: melting ice, boiling at the air pressure of the day."""

from __future__ import annotations

import math
from dataclasses import dataclass

from controller.errors import InputError
from controller.units import KELVIN_AT_ZERO_CELSIUS

__all__ = [
    "BOILING_CAUTION",
    "BOILING_UNCERTAINTY_CELSIUS",
    "ICE_CAUTION",
    "ICE_UNCERTAINTY_CELSIUS",
    "LAPSE_KELVIN_PER_METRE",
    "STANDARD_PRESSURE_PA",
    "STANDARD_SEA_LEVEL_KELVIN",
    "FixedPoint",
    "air_pressure_pa",
    "air_pressure_uncertainty_pa",
    "boiling_celsius",
    "boiling_point",
    "ice_point",
]

STANDARD_PRESSURE_PA = 101_325.0

# IAPWS R7-97(2012), table 34: coefficients of the saturation line, region 4.
_N = (
    0.11670521452767e4,
    -0.72421316703206e6,
    -0.17073846940092e2,
    0.12020824702470e5,
    -0.32325550322333e7,
    0.14915108613530e2,
    -0.48232657361591e4,
    0.40511340542057e6,
    -0.23855557567849,
    0.65017534844798e3,
)
_LEAST_PA, _MOST_PA = 611.213, 22.064e6

# ISO 2533:1975, 2.1 to 2.7: the troposphere of the standard atmosphere.
STANDARD_SEA_LEVEL_KELVIN = 288.15
LAPSE_KELVIN_PER_METRE = 0.0065
_EXPONENT = 9.80665 / (287.05287 * LAPSE_KELVIN_PER_METRE)
_LEAST_METRES, _MOST_METRES = -2000.0, 11000.0

ICE_UNCERTAINTY_CELSIUS = 0.05
"""Crushed ice and a little water, well stirred: from memory; needs clean water."""
BOILING_UNCERTAINTY_CELSIUS = 0.1
"""Open vessel, rolling boil, sensor clear of the bottom: from memory; needs clean water."""

# Sea water of 35 g/kg; both figures from memory, as is what salt does to ice.
ICE_CAUTION = (
    "The ice point is that of fresh, clean water: crushed ice, well stirred, no salt. Sea water "
    "freezes at -1.9 degC, and salt on the ice makes it colder still."
)
BOILING_CAUTION = (
    "The boiling point is that of fresh, clean water: sea water boils 0.6 degC hotter, and scale "
    "or salt in the kettle counts as well."
)


@dataclass(frozen=True, kw_only=True)
class FixedPoint:
    """A temperature in degC with its standard uncertainty (k = 1)."""

    celsius: float
    uncertainty_celsius: float


def boiling_celsius(pressure_pa: float) -> float:
    """Return the temperature in degC at which water boils under a pressure in Pa (absolute).

    The saturation-temperature equation of IAPWS-IF97, region 4 (IAPWS R7-97(2012), equation 31),
    from 611.213 Pa to 22.064 MPa. Raises InputError outside.
    """
    if not _LEAST_PA <= pressure_pa <= _MOST_PA:
        raise InputError.single(
            f"water does not boil at {pressure_pa:g} Pa in this equation's range, "
            f"{_LEAST_PA:g} to {_MOST_PA:g} Pa",
            where="air pressure",
        )
    beta = (pressure_pa / 1e6) ** 0.25
    e = beta**2 + _N[2] * beta + _N[5]
    f = _N[0] * beta**2 + _N[3] * beta + _N[6]
    g = _N[1] * beta**2 + _N[4] * beta + _N[7]
    d = 2.0 * g / (-f - math.sqrt(f * f - 4.0 * e * g))
    total = _N[9] + d
    kelvin = 0.5 * (total - math.sqrt(total * total - 4.0 * (_N[8] + _N[9] * d)))
    return float(kelvin - KELVIN_AT_ZERO_CELSIUS)


def air_pressure_pa(
    altitude_metres: float,
    *,
    sea_level_pressure_pa: float = STANDARD_PRESSURE_PA,
    sea_level_kelvin: float = STANDARD_SEA_LEVEL_KELVIN,
) -> float:
    """Return the air pressure in Pa at an altitude, by the atmosphere of ISO 2533.

    Weather reports give the pressure reduced to sea level; with `sea_level_pressure_pa` this
    undoes the reduction. On a day that is not the standard one the column of air has another
    temperature at its foot, `sea_level_kelvin`. Raises InputError outside -2000 to 11000 m.
    """
    if not _LEAST_METRES <= altitude_metres <= _MOST_METRES:
        raise InputError.single(
            f"{altitude_metres:g} m is outside {_LEAST_METRES:g} to {_MOST_METRES:g} m",
            where="altitude",
        )
    share = 1.0 - LAPSE_KELVIN_PER_METRE * altitude_metres / sea_level_kelvin
    return float(sea_level_pressure_pa * share**_EXPONENT)


def air_pressure_uncertainty_pa(
    altitude_metres: float,
    *,
    sea_level_pressure_pa: float = STANDARD_PRESSURE_PA,
    sea_level_kelvin: float = STANDARD_SEA_LEVEL_KELVIN,
    sea_level_pressure_uncertainty_pa: float,
    sea_level_uncertainty_kelvin: float,
    altitude_uncertainty_metres: float,
) -> float:
    """Return the standard uncertainty (k = 1) in Pa of the pressure at an altitude.

    The pressure falls by g/(R T) per metre, so the temperature of the day counts in proportion to
    the altitude: ``dp/p = g h/(R T^2) dT`` to first order. Raises as `air_pressure_pa` does.
    """
    here = air_pressure_pa(
        altitude_metres,
        sea_level_pressure_pa=sea_level_pressure_pa,
        sea_level_kelvin=sea_level_kelvin,
    )
    top_kelvin = sea_level_kelvin - LAPSE_KELVIN_PER_METRE * altitude_metres
    fall = _EXPONENT * LAPSE_KELVIN_PER_METRE / top_kelvin
    by_pressure = here / sea_level_pressure_pa * sea_level_pressure_uncertainty_pa
    by_temperature = here * fall * altitude_metres / sea_level_kelvin * sea_level_uncertainty_kelvin
    by_altitude = here * fall * altitude_uncertainty_metres
    return math.hypot(by_pressure, by_temperature, by_altitude)


def ice_point(*, uncertainty_celsius: float = ICE_UNCERTAINTY_CELSIUS) -> FixedPoint:
    """Return the temperature of melting ice; air pressure moves it by less than 0.001 degC."""
    return FixedPoint(celsius=0.0, uncertainty_celsius=uncertainty_celsius)


def boiling_point(
    pressure_pa: float,
    *,
    pressure_uncertainty_pa: float,
    uncertainty_celsius: float = BOILING_UNCERTAINTY_CELSIUS,
) -> FixedPoint:
    """Return the boiling point with the uncertainty of the pressure (k = 1) carried into it."""
    step = 1e-3 * pressure_pa
    slope = (boiling_celsius(pressure_pa + step) - boiling_celsius(pressure_pa - step)) / (2 * step)
    return FixedPoint(
        celsius=boiling_celsius(pressure_pa),
        uncertainty_celsius=math.hypot(slope * pressure_uncertainty_pa, uncertainty_celsius),
    )
