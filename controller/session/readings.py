"""Readings that come after the run: a log laid against a record that waits, and the new record."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from controller.documents import collecting_files
from controller.errors import InputError
from controller.logs.file import LogColumns
from controller.new_file import refuse_existing
from controller.records.awaited import FromLog, from_log, record_from_log
from controller.records.reader import load_record
from controller.run.model import RunSummary

__all__ = ["Taken", "judged_name", "take_readings"]


@dataclass(frozen=True, kw_only=True)
class Taken:
    """What a log made of a record, how the run ends with it, and where that is recorded."""

    made: FromLog
    summary: RunSummary
    record: Path
    closing_hash: str


def judged_name(record: Path) -> Path:
    """Return the usual name of the record with readings: beside the one that waited."""
    return record.with_name(f"{record.stem}-read{record.suffix}")


def take_readings(
    record_path: Path, log_path: Path, columns: LogColumns, target: Path | None = None
) -> Taken:
    """Lay a log against a record, judge, and write the new record. Raises InputError.

    Nothing is written when the log is refused, and the record that waited never is.
    """
    if not record_path.name or record_path.is_dir():
        raise InputError.single("this is a folder, not a record", where=str(record_path))
    target = target or judged_name(record_path)
    refuse_existing(target, hint="name another with --record")
    record = load_record(record_path)
    with collecting_files() as files:
        made = from_log(record, log_path, columns)
    [text] = files.values()
    summary, closing_hash = record_from_log(record, made, log_path, columns, target, log_text=text)
    return Taken(made=made, summary=summary, record=target, closing_hash=closing_hash)
