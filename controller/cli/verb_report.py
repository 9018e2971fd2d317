"""`rungwise report`: a record as a plain text report."""

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
    from controller.records.decode import plan_of, results_of
    from controller.records.encode import result_fields
    from controller.records.reader import load_record
    from controller.reports.text import report_text

    record = load_record(arguments.record)
    text = report_text(record, fahrenheit=arguments.fahrenheit)
    if arguments.output is not None:
        write_new(arguments.output, text.encode("utf-8"))
        output.say(f"Written to {arguments.output}.")
    elif not output.json:
        output.raw(text)
    if output.json:
        plan, closing = plan_of(record), record.closing or {}
        output.document(
            {
                "record": str(arguments.record),
                "plan": plan.name,
                "began_utc": record.opening["utc"],
                "verdict": closing.get("verdict"),
                "ended": closing.get("ended"),
                "sentence": closing.get("sentence"),
                "steps": [result_fields(one, plan.state_digits) for one in results_of(record)],
                "report": text,
            }
        )
    return ExitCode.PASS
