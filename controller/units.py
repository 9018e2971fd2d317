"""Units: conversions, and reading and writing quantities the way people do."""

from __future__ import annotations

import math
import re

from controller.errors import InputError

__all__ = [
    "COVERAGE_FACTOR",
    "KELVIN_AT_ZERO_CELSIUS",
    "celsius_from_fahrenheit",
    "fahrenheit_from_celsius",
    "format_ohms",
    "parse_ohms",
    "parse_temperature",
]

KELVIN_AT_ZERO_CELSIUS = 273.15
"""Exact by the definition of the degree Celsius (SI brochure, 9th edition, 2.3.1)."""

COVERAGE_FACTOR = 2.0
"""Expanded uncertainties, here and on every screen, are this many standard ones (JCGM 100:2008,
6.2)."""

# Patterns are compiled when they are first matched: the screen starts without any.
_NUMBER = r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?"
_TEMPERATURE = rf"({_NUMBER})\s*(?:°|deg)?\s*([cCfF]?)"
_OHMS = rf"({_NUMBER})\s*([mkKM]?)\s*(?:ohms?|Ω|Ω|R)?"
_OHMS_CODE = r"(\d*)([RKkMG])(\d+)\s*(?:ohms?|Ω|Ω)?"
"""A letter in place of the point (IEC 60062:2016, clause 3): 4R7, 2k2, R47."""
_CODE_PREFIX = {"R": 1.0, "K": 1e3, "k": 1e3, "M": 1e6, "G": 1e9}
_DECIMAL_COMMA = r"(?s)([+-]?\d+),(\d+)(.*)"
_PREFIX = {"": 1.0, "m": 1e-3, "k": 1e3, "K": 1e3, "M": 1e6}


def celsius_from_fahrenheit(fahrenheit: float) -> float:
    """Convert degF to degC."""
    return (fahrenheit - 32.0) / 1.8


def fahrenheit_from_celsius(celsius: float) -> float:
    """Convert degC to degF."""
    return celsius * 1.8 + 32.0


def parse_temperature(text: str, *, what: str = "temperature") -> float:
    """Read ``20``, ``20C``, ``20degC``, ``68F`` or ``68degF``; return degC.

    Raises InputError when the text is not a finite temperature above absolute zero.
    """
    match = re.fullmatch(_TEMPERATURE, text.strip())
    if match is None:
        _refuse_decimal_comma(text, what)
        raise InputError.single(
            f"{text!r} is not a temperature", where=what, hint="write 20, 20degC or 68degF"
        )
    value = float(match[1])
    if math.isinf(value):
        raise InputError.single(f"{text!r} is too large a number", where=what)
    celsius = celsius_from_fahrenheit(value) if match[2] in ("f", "F") else value
    if not math.isfinite(celsius) or celsius < -KELVIN_AT_ZERO_CELSIUS:
        raise InputError.single(f"{text!r} is not above absolute zero", where=what)
    return celsius


def parse_ohms(text: str, *, what: str = "resistance") -> float:
    """Read ``2500``, ``2500ohm``, ``2.5k``, ``2.5kohm`` or the code ``2k5``; return ohm.

    Codes are those of IEC 60062: ``4R7``, ``2k2``, ``R47``, ``1M5``.

    Raises InputError when the text is not a finite resistance of zero or more.
    """
    stripped = text.strip()
    if code := re.fullmatch(_OHMS_CODE, stripped):
        return float(f"{code[1] or 0}.{code[3]}") * _CODE_PREFIX[code[2]]
    match = re.fullmatch(_OHMS, stripped)
    if match is None:
        _refuse_decimal_comma(text, what)
        raise InputError.single(
            f"{text!r} is not a resistance", where=what, hint="write 2500, 2500ohm, 2.5k or 2k5"
        )
    ohms = float(match[1]) * _PREFIX[match[2]]
    if math.isinf(ohms):
        raise InputError.single(f"{text!r} is too large a number", where=what)
    if not math.isfinite(ohms) or ohms < 0:
        raise InputError.single(f"{text!r} is not a resistance of zero or more", where=what)
    return ohms


def format_ohms(ohms: float) -> str:
    """Write a resistance with its unit, to about five digits: ``2.500 kohm``."""
    if math.isinf(ohms):
        return "open"
    magnitude = abs(ohms)
    if magnitude >= 1e6:
        scaled, unit = ohms / 1e6, "Mohm"
    elif magnitude >= 1e3:
        scaled, unit = ohms / 1e3, "kohm"
    else:
        scaled, unit = ohms, "ohm"
    whole_digits = len(str(int(abs(scaled))))
    return f"{scaled:.{max(0, min(3, 5 - whole_digits))}f} {unit}"


def _refuse_decimal_comma(text: str, what: str) -> None:
    """Raise InputError where a comma stands for the decimal point, or parts thousands."""
    match = re.fullmatch(_DECIMAL_COMMA, text.strip())
    if match is not None:
        raise InputError.single(
            f"{text!r} has a comma, which may be a decimal sign or a thousands separator",
            where=what,
            hint=f"write {match[1]}.{match[2]}{match[3]} or {match[1]}{match[2]}{match[3]}",
        )
