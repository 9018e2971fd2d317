"""What is handed over after a run: its record as a page, with what the readings say.

What a person writes about a run (machine, codes before and after, a note) lies beside its record: a
record is closed with the run, and what is said afterwards is no part of what was measured.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

from controller.errors import InputError
from controller.new_file import write_new
from controller.records.reader import Record, load_record
from controller.reports.told import Told

if TYPE_CHECKING:
    from controller.diagnosis import Words

__all__ = ["forget_told", "keep_told", "page_beside", "page_of", "told_beside"]

TOLD_FORMAT = "rungwise-told/1"
_MOST_BYTES = 1 << 20


def page_of(
    records: Sequence[Record], told: Told | None = None, *, fahrenheit: bool = False
) -> str:
    """Return the page of one or several records, each with its diagnosis. Raises InputError."""
    from controller.reports.html import report_html

    return report_html(
        records,
        [_diagnosed(record) for record in records],
        of_second=[
            _diagnosed(record, second=True) if "second" in record.opening["plan"] else None
            for record in records
        ],
        told=told,
        fahrenheit=fahrenheit,
    )


def _diagnosed(record: Record, *, second: bool = False) -> Words | str:
    """Return the diagnosis of a record in words, or why there is none."""
    from controller.diagnosis import explain
    from controller.session.evidence import evidence_of_record

    try:
        return explain(evidence_of_record(record, second=second).diagnosed())
    except InputError as error:
        return f"No diagnosis: {error}"


def told_beside(record_path: Path) -> Told:
    """Return what a person wrote about a run; what cannot be read counts as not written."""
    try:
        with _told_path(record_path).open("rb") as file:
            found = json.loads(file.read(_MOST_BYTES))
    except (OSError, ValueError, RecursionError):
        return Told()
    if not isinstance(found, dict) or found.get("format") != TOLD_FORMAT:
        return Told()
    note = _text(found, "note")
    return Told(
        machine=_text(found, "machine"),
        notes=(note,) if note else (),
        codes_before=_text(found, "codes_before"),
        codes_after=_text(found, "codes_after"),
    )


def keep_told(record_path: Path, told: Told) -> None:
    """Keep what a person wrote about a run beside its record. Raises InputError."""
    target = _told_path(record_path)
    fields = {
        "format": TOLD_FORMAT,
        "machine": told.machine,
        "codes_before": told.codes_before,
        "codes_after": told.codes_after,
        "note": " ".join(told.notes),
    }
    beside = target.with_name(f".{target.name}")
    try:
        beside.write_text(json.dumps(fields, ensure_ascii=False, indent=1), encoding="utf-8")
        beside.replace(target)
    except OSError as error:
        with suppress(OSError):
            beside.unlink()
        raise InputError.single(f"cannot be written: {error.strerror}", where=str(target)) from None


def forget_told(record_path: Path) -> None:
    """Take away what was written about a run that has left no record. Never raises."""
    with suppress(OSError):
        _told_path(record_path).unlink()


def page_beside(record_path: Path, *, fahrenheit: bool = False) -> Path:
    """Write a record's page beside it and return where. Raises InputError; overwrites nothing."""
    target = record_path.with_suffix(".html")
    told = told_beside(record_path)
    page = page_of([load_record(record_path)], told, fahrenheit=fahrenheit)
    write_new(target, page)
    return target


def _told_path(record_path: Path) -> Path:
    return record_path.with_suffix(".told.json")


def _text(found: dict[str, object], key: str) -> str:
    value = found.get(key)
    return value if isinstance(value, str) else ""
