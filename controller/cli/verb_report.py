"""`rungwise report`: a record as a plain text report.

Knows: where the report goes.
Must not know: what is in it.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from controller.cli.verb_export import write_new
from controller.errors import ExitCode

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
    """Print or write the report."""
    from controller.records.reader import load_record
    from controller.reports.text import report_text

    text = report_text(load_record(arguments.record), fahrenheit=arguments.fahrenheit)
    if arguments.output is not None:
        write_new(arguments.output, text.encode("utf-8"))
        output.say(f"Written to {arguments.output}.")
    elif not output.json:
        output.raw(text)
    output.document({"record": str(arguments.record), "report": text})
    return ExitCode.PASS
