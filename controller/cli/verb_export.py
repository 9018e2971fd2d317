"""`rungwise export`: a record as a CSV table."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from controller.errors import ExitCode
from controller.new_file import write_new

if TYPE_CHECKING:
    from controller.cli.output import Output

__all__ = ["add_arguments", "run"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the verb's arguments."""
    parser.add_argument("record", metavar="RECORD", type=Path, help="record of a run")
    parser.add_argument(
        "--output", metavar="FILE", type=Path, help="write to a new file, not standard output"
    )


def run(arguments: argparse.Namespace, output: Output) -> int:
    """Print or write the table."""
    from controller.records.reader import load_record
    from controller.reports.csv import csv_rows, csv_text

    record = load_record(arguments.record)
    text = csv_text(record)
    if arguments.output is not None:
        write_new(arguments.output, text)
        output.say(f"Written to {arguments.output}.")
    elif not output.json:
        output.raw(text)
    if output.json:
        columns, rows = csv_rows(record)
        output.document(
            {"record": str(arguments.record), "columns": columns, "rows": rows, "csv": text}
        )
    return ExitCode.PASS
