"""Readings written down by hand: a CSV file with the columns `ohms` and `reported_celsius`.

Knows: the file, its columns, the ways people write numbers.
Must not know: sensors, faults.

Lines that start with # are remarks. `ohms` may be ``2500``, ``2.5k``, ``open`` or ``short``. A
file whose fields are parted by semicolons may use decimal commas.
"""

from __future__ import annotations

import csv
import math
import re
from pathlib import Path

import numpy as np

from controller.documents import read_text
from controller.errors import InputError, Problem
from controller.sweep.diagnosis.readings import Readings, Reporting
from controller.units import parse_ohms, parse_temperature

__all__ = ["readings_from_csv"]

_COLUMNS = ("ohms", "reported_celsius")
_BOM = "\ufeff"


def readings_from_csv(path: Path, *, reporting: Reporting | None = None) -> Readings:
    """Return the readings of a CSV file. Raises InputError with every line that is wrong."""
    where = str(path)
    lines = [
        (number, line)
        for number, line in enumerate(read_text(path).removeprefix(_BOM).splitlines(), start=1)
        if line.strip() and not line.lstrip().startswith("#")
    ]
    hint = "the first line is: ohms,reported_celsius"
    if not lines:
        raise InputError.single("there are no readings in this file", where=where, hint=hint)
    delimiter = ";" if ";" in lines[0][1] else "\t" if "\t" in lines[0][1] else ","
    number, header = lines[0]
    names = [name.strip().lower() for name in next(csv.reader([header], delimiter=delimiter))]
    _check_header(names, where=where, line=number, hint=hint)
    ohms: list[float] = []
    reported: list[float] = []
    problems: list[Problem] = []
    for number, line in lines[1:]:
        fields = next(csv.reader([line], delimiter=delimiter))
        if len(fields) != len(names):
            problems.append(
                Problem(
                    message=f"has {len(fields)} fields, the first line names {len(names)}",
                    where=where,
                    line=number,
                    hint="a decimal comma needs semicolons between the fields"
                    if delimiter == ","
                    else None,
                )
            )
            continue
        row = dict(zip(names, fields, strict=True))
        try:
            ohms.append(_ohms(_point(row["ohms"], delimiter)))
            reported.append(_celsius(_point(row["reported_celsius"], delimiter)))
        except InputError as error:
            problems += [
                Problem(message=one.message, where=where, key=one.where, line=number, hint=one.hint)
                for one in error.problems
            ]
    if problems:
        raise InputError(problems)
    if not reported:
        raise InputError.single("there are no readings in this file", where=where, hint=hint)
    return Readings(
        ohms=np.array(ohms),
        reported_celsius=np.array(reported),
        reporting=reporting or Reporting(),
    )


def _check_header(names: list[str], *, where: str, line: int, hint: str) -> None:
    for column in _COLUMNS:
        if names.count(column) == 1:
            continue
        if column in names:
            raise InputError.single(f"two columns named {column}", where=where, line=line)
        foreign = {
            "kohm": "ohm",
            "kohms": "ohm",
            "fahrenheit": "degC",
            "reported_fahrenheit": "degC",
        }
        unit = next((foreign[name] for name in names if name in foreign), None)
        raise InputError.single(
            f"there is no column {column}",
            where=where,
            line=line,
            hint=f"convert to {unit} first; {hint}" if unit else hint,
        )


def _point(field: str, delimiter: str) -> str:
    text = field.strip()
    if delimiter != "," and re.fullmatch(r"[+-]?\d+,\d+\D*", text):
        return text.replace(",", ".")
    return text


def _ohms(text: str) -> float:
    match text.lower():
        case "open" | "inf":
            return math.inf
        case "short":
            return 0.0
    return parse_ohms(text, what="ohms")


def _celsius(text: str) -> float:
    if text.lower().rstrip().endswith("f"):
        raise InputError.single(
            f"{text!r} is not in degC", where="reported_celsius", hint="(F - 32) / 1.8"
        )
    return parse_temperature(text, what="reported_celsius")
