"""Reading the small CSV files people write by hand: columns by name, problems with their line.

Knows: CSV, remarks, the ways people part fields and write decimals.
Must not know: what the columns mean.

Lines that start with # are remarks. Fields are parted by commas, semicolons or tabs, as the first
line shows; unless it is commas, numbers may have decimal commas.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TypeAlias

from controller.documents import read_text
from controller.errors import InputError, Problem
from controller.text import one_line

__all__ = ["CellReader", "read_csv_table"]

CellReader: TypeAlias = Callable[[str], float]
"""Turns one field into a number; raises InputError when it cannot."""

_BOM = "\ufeff"
_DECIMAL_COMMA = re.compile(r"[+-]?\d+,\d+\D*")


def read_csv_table(
    path: Path,
    columns: Mapping[str, CellReader],
    *,
    foreign_units: Mapping[str, str] | None = None,
) -> dict[str, list[float]]:
    """Return the named columns, each a list of equal length; other columns are passed over.

    `foreign_units` maps names of columns in another unit to the unit to convert them to. Raises
    InputError with every line that is wrong, or when there is no line with values.
    """
    where = str(path)
    hint = f"the first line must name the columns: {','.join(columns)}"
    lines = [
        (number, line)
        for number, line in enumerate(read_text(path).removeprefix(_BOM).splitlines(), start=1)
        if line.strip() and not line.lstrip().startswith("#")
    ]
    if not lines:
        raise InputError.single("there are no values in this file", where=where, hint=hint)
    number, header = lines[0]
    delimiter = next((mark for mark in ";\t" if mark in header), ",")
    names = [name.strip().lower() for name in _fields(header, delimiter, where, number)]
    _check_header(names, columns, foreign_units or {}, where=where, line=number, hint=hint)
    found: dict[str, list[float]] = {column: [] for column in columns}
    problems: list[Problem] = []
    empty: list[tuple[int, str]] = []
    for number, line in lines[1:]:
        fields = _fields(line, delimiter, where, number)
        if len(fields) != len(names):
            problems.append(
                Problem(
                    message=f"has {len(fields)} fields, the first line names {len(names)}",
                    where=where,
                    line=number,
                    hint="a decimal comma needs semicolons between fields"
                    if delimiter == ","
                    else None,
                )
            )
            continue
        row = dict(zip(names, fields, strict=True))
        for column, read in columns.items():
            if not row[column].strip():
                empty.append((number, column))
                continue
            try:
                found[column].append(read(_with_point(row[column], delimiter)))
            except InputError as error:
                problems += [
                    Problem(
                        message=one.message, where=where, key=column, line=number, hint=one.hint
                    )
                    for one in error.problems
                ]
    if empty:  # one sentence for all: a table that was never filled in has nothing else
        rows = f"{len(empty)} fields are" if len(empty) > 1 else "a field is"
        first, column = empty[0]
        problems.append(
            Problem(
                message=f"{rows} still empty, the first one here",
                where=where,
                key=column,
                line=first,
                hint="fill it in, or take the line out",
            )
        )
    if problems:
        raise InputError(problems)
    if len(lines) == 1:
        raise InputError.single("there are no values in this file", where=where, hint=hint)
    return found


def _check_header(
    names: Sequence[str],
    columns: Mapping[str, CellReader],
    foreign_units: Mapping[str, str],
    *,
    where: str,
    line: int,
    hint: str,
) -> None:
    problems = []
    found = one_line(", ".join(name for name in names if name))[:60] or "nothing"
    unit = next((foreign_units[name] for name in names if name in foreign_units), None)
    for column in columns:
        if column not in names:
            problems.append(
                Problem(
                    message=f"there is no column {column}; the first line names {found}",
                    where=where,
                    line=line,
                    hint=f"convert to {unit} first; {hint}" if unit else hint,
                )
            )
        elif names.count(column) > 1:
            problems.append(Problem(message=f"two columns named {column}", where=where, line=line))
    if problems:
        raise InputError(problems)


def _fields(line: str, delimiter: str, where: str, number: int) -> list[str]:
    try:
        return next(csv.reader([line], delimiter=delimiter))
    except csv.Error as error:
        raise InputError.single(f"is not CSV: {error}", where=where, line=number) from None


def _with_point(field: str, delimiter: str) -> str:
    text = field.strip()
    if delimiter != "," and _DECIMAL_COMMA.fullmatch(text):
        return text.replace(",", ".")
    return text
