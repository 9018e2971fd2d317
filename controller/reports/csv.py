"""A record as a CSV table (RFC 4180): one row for each step's result.

Knows: the columns.
Must not know: terminals, hash chains.
"""

from __future__ import annotations

import csv
import io
from typing import Any

from controller.records.decode import plan_of, results_of
from controller.records.encode import result_fields
from controller.records.lines import plain
from controller.records.reader import Record
from controller.text import one_line

__all__ = ["COLUMNS", "csv_text", "rows_of"]

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


_FORMULA = tuple("=+-@|%＝＋－＠")
"""What a spreadsheet takes for a formula (OWASP, CSV Injection), wide forms too."""


def _plain_cell(text: str) -> str:
    """Return foreign text that no spreadsheet carries out: an apostrophe before a formula."""
    cell = one_line(text)
    return f"'{cell}" if cell.lstrip().startswith(_FORMULA) else cell


def csv_text(record: Record) -> str:
    """Return the table with its heading; temperatures in degC, an open circuit left empty.

    Numbers are written so that reading them back gives the same number. Raises InputError when
    the record holds a line that this version cannot read.
    """
    columns, rows = rows_of(record)
    buffer = io.StringIO(newline="")
    writer = csv.writer(buffer)
    writer.writerow(columns)
    for fields in rows:
        fields["codes"] = "; ".join(_plain_cell(code) for code in fields["codes"])
        fields["settled"] = str(fields["settled"]).lower()
        if "input" in fields:
            fields["input"] = _plain_cell(fields["input"])
        writer.writerow(["" if fields[name] is None else fields[name] for name in columns])
    return buffer.getvalue()


def rows_of(record: Record) -> tuple[tuple[str, ...], list[dict[str, Any]]]:
    """Return the columns and the rows as they are in JSON.

    A record with two inputs has a row for each of them, and names it in a column more.
    """
    plan = plan_of(record)
    rows = []
    for result in results_of(record):
        each = (result,) if result.second is None else (result, result.second)
        for one, of_plan in zip(each, plan.inputs, strict=False):
            fields = plain(result_fields(one, plan.state_digits))
            rows.append(fields if plan.second is None else {**fields, "input": of_plan.input})
    return COLUMNS if plan.second is None else (*COLUMNS, "input"), rows
