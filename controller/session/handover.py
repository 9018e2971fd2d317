"""What is handed over after a run: its record as a page, with what the readings say."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from controller.diagnosis import Words, explain
from controller.errors import InputError
from controller.records.reader import Record, load_record
from controller.reports.html import Told, report_html
from controller.session.evidence import evidence_of_record

__all__ = ["page_beside", "page_of"]


def page_of(
    records: Sequence[Record], told: Told | None = None, *, fahrenheit: bool = False
) -> str:
    """Return the page of one or several records, each with its diagnosis. Raises InputError."""
    diagnoses: list[Words | str] = []
    for record in records:
        try:
            diagnoses.append(explain(evidence_of_record(record).diagnosed()))
        except InputError as error:
            diagnoses.append(f"No diagnosis: {error}")
    return report_html(records, diagnoses, told=told, fahrenheit=fahrenheit)


def page_beside(record_path: Path) -> Path:
    """Write a record's page beside it and return where. Raises InputError; overwrites nothing."""
    target = record_path.with_suffix(".html")
    data = page_of([load_record(record_path)]).encode("utf-8")
    try:
        with target.open("xb") as file:
            file.write(data)
    except FileExistsError:
        raise InputError.single(
            "this file exists already and is not overwritten", where=str(target)
        ) from None
    except OSError as error:
        raise InputError.single(f"cannot be written: {error.strerror}", where=str(target)) from None
    return target
