"""`rungwise export`: a record as a CSV table."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from controller.errors import ExitCode, InputError

if TYPE_CHECKING:
    from controller.cli.output import Output

__all__ = ["add_arguments", "run", "write_new"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the verb's arguments."""
    parser.add_argument("record", metavar="RECORD", type=Path, help="record of a run")
    parser.add_argument(
        "--output", metavar="FILE", type=Path, help="write to a new file, not standard output"
    )


def run(arguments: argparse.Namespace, output: Output) -> int:
    """Print or write the table."""
    from controller.records.reader import load_record
    from controller.reports.csv import csv_text, rows_of

    record = load_record(arguments.record)
    text = csv_text(record)
    if arguments.output is not None:
        write_new(arguments.output, text.encode("utf-8"))
        output.say(f"Written to {arguments.output}.")
    elif not output.json:
        output.raw(text)
    if output.json:
        columns, rows = rows_of(record)
        output.document(
            {
                "record": str(arguments.record),
                "columns": columns,
                "rows": [{name: row[name] for name in columns} for row in rows],
                "csv": text,
            }
        )
    return ExitCode.PASS


def write_new(path: Path, data: bytes) -> None:
    """Write a file that must not exist yet. Raises InputError."""
    try:
        with path.open("xb") as file:
            file.write(data)
    except FileExistsError:
        raise InputError.single(
            "this file exists already and is not overwritten", where=str(path)
        ) from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        raise InputError.single(f"cannot be written: {reason}", where=str(path)) from None
