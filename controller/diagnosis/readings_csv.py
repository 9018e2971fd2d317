"""Readings written down by hand: a CSV file with the columns `ohms` and `reported_celsius`.

Knows: the two columns. `ohms` may be ``2500``, ``2.5k``, ``open`` or ``short``.
Must not know: sensors, faults.
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np

from controller.csv_table import read_csv_table
from controller.diagnosis.readings import Readings, Reporting
from controller.errors import InputError
from controller.units import parse_ohms, parse_temperature

__all__ = ["readings_from_csv"]

_FOREIGN_UNITS = {
    "kohm": "ohm",
    "kohms": "ohm",
    "fahrenheit": "degC",
    "reported_fahrenheit": "degC",
    "kelvin": "degC",
    "reported_kelvin": "degC",
}


def readings_from_csv(path: Path, *, reporting: Reporting | None = None) -> Readings:
    """Return the readings of a CSV file. Raises InputError with every line that is wrong."""
    table = read_csv_table(
        path, {"ohms": _ohms, "reported_celsius": _celsius}, foreign_units=_FOREIGN_UNITS
    )
    return Readings(
        ohms=np.array(table["ohms"]),
        reported_celsius=np.array(table["reported_celsius"]),
        reporting=reporting or Reporting(),
    )


def _ohms(text: str) -> float:
    match text.lower():
        case "open" | "inf":
            return math.inf
        case "short":
            return 0.0
    return parse_ohms(text, what="ohms")


def _celsius(text: str) -> float:
    if text.lower().endswith("f"):
        raise InputError.single(f"{text!r} is not in degC", hint="write degC: (F - 32) / 1.8")
    return parse_temperature(text, what="reported_celsius")
