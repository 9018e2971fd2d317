"""The file a tool writes: columns of times and temperatures, found by heading or named.

Knows: CSV as such tools write it: lines before the headings, a line of units after them, gaps.
Must not know: runs, where the values belong.

The format is ours: one line of headings, fields parted by commas, semicolons or tabs, each further
line one time and one temperature. Times are seconds (milliseconds where the heading says ms),
``hh:mm:ss`` or ISO 8601, as in ``2026-03-01T10:20:30``.
A temperature that is empty, ``-``, ``--``, ``nan`` or ``n/a`` is a gap. Decimal commas and degF
are taken only where that is said, by heading or by option.
"""

from __future__ import annotations

import csv
import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Literal

from controller.documents import read_text
from controller.errors import InputError, Problem
from controller.logs.model import LogRow, ReadingsLog
from controller.units import KELVIN_AT_ZERO_CELSIUS, celsius_from_fahrenheit

__all__ = ["LogColumns", "read_log"]

_LINES_BEFORE = 50
"""So many lines may stand before the headings."""

_MOST_PROBLEMS = 10
_GAPS = frozenset({"", "-", "--", "---", "nan", "n/a", "na", "null"})
_TIME = re.compile(r"\b(?:time|timestamp|seconds|elapsed)\b|^(?:t|s)$", re.IGNORECASE)
_VALUE = re.compile(
    r"\b(?:temperature|temp|celsius|fahrenheit|deg ?[cf]|value|reading)\b|°\s*[cf]", re.IGNORECASE
)
_FAHRENHEIT = re.compile(r"fahrenheit|deg ?f\b|°\s*f", re.IGNORECASE)
_MILLISECONDS = re.compile(r"\bms\b|millisecond", re.IGNORECASE)
_CLOCK = re.compile(r"(\d{1,2}):(\d{2}):(\d{2}(?:\.\d+)?)")
_NUMBER = re.compile(r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?")
_DECIMAL_COMMA = re.compile(r"[+-]?\d+,\d+")
_TIMES = "seconds, hh:mm:ss, or as in 2026-03-01T10:20:30"
_DAY_S = 86_400.0


@dataclass(frozen=True, kw_only=True)
class LogColumns:
    """What a person says of a log's columns; None leaves it to the headings.

    `time` and `value` are headings, or numbers of columns counted from 1.
    """

    time: str | None = None
    value: str | None = None
    unit: Literal["C", "F"] | None = None
    decimal_comma: bool = False


@dataclass(frozen=True)
class _Found:
    """Where the headings are, and the two columns."""

    line: int
    names: tuple[str, ...]
    time: int
    value: int


def read_log(path: Path, columns: LogColumns = LogColumns()) -> ReadingsLog:
    """Return the rows of a log. Raises InputError with the lines that are wrong."""
    where = str(path)
    lines = read_text(path).removeprefix("\ufeff").splitlines()
    delimiter = _delimiter(lines)
    if columns.decimal_comma and delimiter == ",":
        raise InputError.single(
            "fields are separated by commas, so a comma cannot be the decimal sign",
            where=where,
            hint="leave --decimal-comma out",
        )
    fields = [(number, _fields(line, delimiter)) for number, line in enumerate(lines, 1)]
    found = _found(fields, columns, where)
    time_name, value_name = found.names[found.time], found.names[found.value]
    unit = columns.unit or ("F" if _FAHRENHEIT.search(_words(value_name)) else "C")
    scale = 1e-3 if _MILLISECONDS.search(_words(time_name)) else 1.0
    rows: list[LogRow] = []
    problems: list[Problem] = []
    empty, day_s, starts_at = 0, 0.0, ""
    for number, cells in fields:
        if number <= found.line or not any(cells) or cells[0].startswith("#"):
            continue
        try:
            if len(cells) <= max(found.time, found.value):
                raise _Wrong(f"has {len(cells)} fields, the headings name {len(found.names)}")
            said, shown = cells[found.time], cells[found.value]
            at_s = day_s + scale * _time_s(said, columns)
            if rows and at_s < rows[-1].at_s - _DAY_S / 2 and _CLOCK.fullmatch(said):
                day_s += _DAY_S  # past midnight
                at_s += _DAY_S
            if shown.lower() in _GAPS:
                empty += 1
                continue
            value = _number(shown, columns)
            celsius = celsius_from_fahrenheit(value) if unit == "F" else value
            if celsius < -KELVIN_AT_ZERO_CELSIUS:
                raise _Wrong(f"{shown!r} is below absolute zero")
            if rows and at_s < rows[-1].at_s:
                raise _Wrong(f"the time {said!r} is before that of the row above")
        except _Wrong as wrong:
            if not rows and number == found.line + 1 and not _starts_a_number(cells, found):
                continue  # a line of units below the headings
            problems.append(Problem(message=str(wrong), where=where, line=number, hint=wrong.hint))
            if len(problems) == _MOST_PROBLEMS:
                break
            continue
        starts_at = starts_at or said
        rows.append(LogRow(at_s=at_s, celsius=celsius))
    if problems:
        raise InputError(problems)
    if not rows:
        raise InputError.single("there are no values in this log", where=where)
    return ReadingsLog(
        rows=tuple(rows),
        empty=empty,
        time_column=time_name,
        value_column=value_name,
        unit=unit,
        starts_at=starts_at,
    )


class _Wrong(Exception):  # noqa: N818 - becomes a Problem with its line
    """A cell is not what its column holds."""

    def __init__(self, message: str, *, hint: str | None = None) -> None:
        super().__init__(message)
        self.hint = hint


def _delimiter(lines: Sequence[str]) -> str:
    """Return the mark that parts most of the lines; a semicolon or a tab before a comma."""
    for mark in ";\t":
        if sum(mark in line for line in lines) > len(lines) / 2:
            return mark
    return ","


def _fields(line: str, delimiter: str) -> list[str]:
    try:
        return [cell.strip() for cell in next(csv.reader([line], delimiter=delimiter), [])]
    except csv.Error:
        return [line]


def _words(name: str) -> str:
    """Return a heading with its underscores and brackets as spaces, so that words stand alone."""
    return re.sub(r"[_()\[\]/]", " ", name)


def _found(fields: list[tuple[int, list[str]]], columns: LogColumns, where: str) -> _Found:
    """Return the line of headings and the two columns. Raises InputError."""
    by_number = [name for name in (columns.time, columns.value) if name and name.isdigit()]
    seen: list[str] = []
    for number, names in fields[:_LINES_BEFORE]:
        if len(names) < 2 or names[0].startswith("#"):
            continue
        row = _is_row(names)
        if row and len(by_number) < 2:
            continue
        times = _matching(names, columns.time, _TIME)
        values = _matching(names, columns.value, _VALUE)
        if columns.value is None:
            values = [index for index in values if index not in times]
        if len(times) == 1 and len(values) == 1 and times != values:
            if row:  # no headings: the columns were told by number
                names = [f"column {index + 1}" for index in range(len(names))]
            return _Found(number - row, tuple(names), times[0], values[0])
        seen = seen or names
    heads = ", ".join(repr(name) for name in seen) or "none"
    raise InputError.single(
        f"the columns of times and temperatures cannot be told (headings: {heads})",
        where=where,
        hint="name them: --time HEADING --value HEADING, or by number, counted from 1",
    )


def _matching(names: Sequence[str], told: str | None, usual: re.Pattern[str]) -> list[int]:
    if told is None:
        return [index for index, name in enumerate(names) if usual.search(_words(name))]
    if told.isdigit():
        return [int(told) - 1] if 0 < int(told) <= len(names) else []
    return [index for index, name in enumerate(names) if name.lower() == told.strip().lower()]


def _is_row(cells: Sequence[str]) -> bool:
    """Return whether a line holds values rather than headings."""
    return any(cell[:1].isdigit() or cell[:2].lstrip("+-.")[:1].isdigit() for cell in cells)


def _starts_a_number(cells: Sequence[str], found: _Found) -> bool:
    both = [cells[index] for index in (found.time, found.value) if index < len(cells)]
    return _is_row(both)


def _number(text: str, columns: LogColumns) -> float:
    """Return a number. Raises _Wrong."""
    if _DECIMAL_COMMA.fullmatch(text):
        if not columns.decimal_comma:
            raise _Wrong(
                f"{text!r} has a comma", hint="where it is the decimal sign, add --decimal-comma"
            )
        text = text.replace(",", ".")
    if not _NUMBER.fullmatch(text) or not math.isfinite(float(text)):
        raise _Wrong(f"{text[:40]!r} is not a number")
    return float(text)


def _time_s(text: str, columns: LogColumns) -> float:
    """Return seconds from an origin that all rows share. Raises _Wrong."""
    clock = _CLOCK.fullmatch(text.replace(",", ".") if columns.decimal_comma else text)
    if clock is not None:
        return int(clock[1]) * 3600.0 + int(clock[2]) * 60.0 + float(clock[3])
    if "-" in text[1:] and ":" in text:
        try:
            moment = datetime.fromisoformat(text)
        except ValueError:
            raise _Wrong(
                f"{text[:40]!r} is not a time",
                hint=_TIMES,
            ) from None
        return (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).timestamp()
    try:
        return _number(text, columns)
    except _Wrong as wrong:
        raise _Wrong(
            str(wrong).replace("a number", "a time"),
            hint=wrong.hint or _TIMES,
        ) from None
