"""A record as a CSV table (RFC 4180): one row for each step's result.

A profile's rows also say when each step was due and when it was set. A search has no results: its
table has a row for each look, then one for each switching point.

Knows: the columns.
Must not know: terminals, hash chains.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from typing import Any

from controller.planning.plan import PlanKind
from controller.records.course_lines import course_of, point_fields, timed_fields
from controller.records.decode import plan_of, results_of, understood
from controller.records.encode import result_fields
from controller.records.lines import plain
from controller.records.reader import Record
from controller.text import one_line

__all__ = ["COLUMNS", "SEARCH_COLUMNS", "TIMED_COLUMNS", "csv_rows", "csv_text"]

COLUMNS = (
    "index",
    "kind",
    "target_celsius",
    "target_ohms",
    "state",
    "achieved_ohms",
    "achieved_celsius",
    "expected_celsius",
    "reported_celsius",
    "error_celsius",
    "tolerance_celsius",
    "uncertainty_celsius",
    "excursion_celsius",
    "verdict",
    "settled",
    "settle_s",
    "attempt",
    "codes",
    "reason",
)
TIMED_COLUMNS = (*COLUMNS, "planned_s", "set_s", "late")
"""Those of a profile."""

SEARCH_COLUMNS = (
    "row",
    "index",
    "celsius",
    "seen",
    "reported_celsius",
    "codes",
    "way",
    "low_celsius",
    "high_celsius",
    "uncertainty_celsius",
    "lowest_limit",
    "highest_limit",
    "verdict",
)
"""Those of a search: `row` is look or point. A hysteresis and its limits are differences."""

_FORMULA = tuple("=+-@|%＝＋－＠")
"""What a spreadsheet takes for a formula (OWASP, CSV Injection), wide forms too."""


def _plain_cell(text: str) -> str:
    """Return foreign text that no spreadsheet carries out: an apostrophe before a formula."""
    cell = one_line(text)
    return f"'{cell}" if cell.lstrip().startswith(_FORMULA) else cell


def csv_rows(record: Record) -> tuple[tuple[str, ...], list[dict[str, Any]]]:
    """Return the columns and, by column, the rows; None where there is nothing to say.

    Raises InputError when the record holds a line that this version cannot read.
    """
    return understood(record, lambda: _rows(record))


def csv_text(record: Record) -> str:
    """Return the table with its heading; temperatures in degC, an open circuit left empty.

    Numbers are written so that reading them back gives the same number. Raises InputError when
    the record holds a line that this version cannot read.
    """
    columns, rows = csv_rows(record)
    buffer = io.StringIO(newline="")
    writer = csv.writer(buffer)
    writer.writerow(columns)
    for row in rows:
        writer.writerow([_cell(row[name]) for name in columns])
    return buffer.getvalue()


def _rows(record: Record) -> tuple[tuple[str, ...], list[dict[str, Any]]]:
    plan = plan_of(record)
    if plan.kind == PlanKind.THRESHOLD.value:
        return SEARCH_COLUMNS, _search_rows(record)
    fields = [plain(result_fields(result, plan.state_digits)) for result in results_of(record)]
    if plan.kind != PlanKind.PROFILE.value:
        return COLUMNS, [_only(COLUMNS, row) for row in fields]
    times = {one.step_index: timed_fields(one) for one in course_of(record.lines).timed}
    # Steps that stood too briefly to be judged have times, and no result.
    planned = {step["index"]: step for step in plain(record.opening["plan"])["steps"]}
    by_index = {row["index"]: row for row in fields}
    return TIMED_COLUMNS, [
        _only(TIMED_COLUMNS, {**planned[index], **by_index.get(index, {}), **times[index]})
        for index in sorted(times)
    ]


def _search_rows(record: Record) -> list[dict[str, Any]]:
    course = course_of(record.lines)
    looks = [
        {
            "row": "look",
            "index": look.step_index,
            "celsius": look.celsius,
            "seen": look.seen,
            "reported_celsius": look.reported_celsius,
            "codes": list(look.codes),
        }
        for look in course.looks
    ]
    points = [{"row": "point", **point_fields(point)} for point in course.points]
    return [_only(SEARCH_COLUMNS, row) for row in [*looks, *points]]


def _only(columns: Sequence[str], fields: Mapping[str, Any]) -> dict[str, Any]:
    return {name: fields.get(name) for name in columns}


def _cell(value: Any) -> Any:
    match value:
        case None:
            return ""
        case bool():
            return str(value).lower()
        case list():
            return "; ".join(_plain_cell(str(code)) for code in value)
        case _:
            return value
