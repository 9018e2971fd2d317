"""`rungwise readings`: the log of a tool, taken in after a run that waits for its readings."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from controller.errors import ExitCode

if TYPE_CHECKING:
    from controller.cli.output import Output
    from controller.session.readings import Taken

__all__ = ["add_arguments", "run"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the verb's arguments."""
    parser.add_argument(
        "record", metavar="RECORD", type=Path, help="record of a sweep with --readings later"
    )
    parser.add_argument("log", metavar="LOG", type=Path, help="CSV file with times and values")
    parser.add_argument(
        "--record",
        dest="target",
        metavar="FILE",
        type=Path,
        help="where the new record goes (default: beside the old one, its name ending in -read)",
    )
    parser.add_argument(
        "--time", metavar="COLUMN", help="column of times: its heading, or its number from 1"
    )
    parser.add_argument(
        "--value", metavar="COLUMN", help="column of temperatures: its heading, or its number"
    )
    parser.add_argument(
        "--unit", choices=("C", "F"), help="unit of the temperatures (default: the heading's, or C)"
    )
    parser.add_argument(
        "--decimal-comma", action="store_true", help="a comma in a number is its decimal sign"
    )
    parser.epilog = (
        "The log needs a line of headings, and in each line a time (seconds, hh:mm:ss or ISO 8601)"
        " and a temperature.\nIts clock may show anything. Start it before the run, end it after."
        "\n\nexit status: that of the verdict; 2 when the log is refused: then nothing is written"
    )


def run(arguments: argparse.Namespace, output: Output) -> int:
    """Lay the log against the record; judge, or refuse."""
    from controller.logs.file import LogColumns
    from controller.session.readings import take_readings
    from controller.session.status import exit_status

    columns = LogColumns(
        time=arguments.time,
        value=arguments.value,
        unit=arguments.unit,
        decimal_comma=arguments.decimal_comma,
    )
    taken = take_readings(arguments.record, arguments.log, columns, arguments.target)
    _say(taken, output)
    return ExitCode(exit_status(taken.summary))


def _say(taken: Taken, output: Output) -> None:
    from dataclasses import asdict

    from controller.cli.printer import say_results
    from controller.records.encode import plan_summary_fields, result_fields
    from controller.run.summary import headline

    made, summary = taken.made, taken.summary
    log, place, plan = made.log, made.alignment, made.plan
    output.document(
        {
            "ended": summary.ended.value,
            "relays": summary.relays.value,
            "verdict": summary.verdict.value,
            "sentence": summary.sentence,
            "plan": plan_summary_fields(plan),
            "steps": [result_fields(result, plan.state_digits) for result in made.results],
            "record": str(taken.record),
            "log": {
                "time_column": log.time_column,
                "value_column": log.value_column,
                "unit": log.unit,
                "rows": len(log.rows),
                "empty": log.empty,
                **asdict(place),
            },
            "closing_hash": taken.closing_hash,
        }
    )
    for sentence in _told(taken):
        output.warn(sentence)
    say_results(output, plan, made.results)
    output.say(f"Record: {taken.record}")
    output.say(f"Closing hash: {taken.closing_hash}")
    output.say_verdict(headline(summary.verdict, summary.ended), summary.sentence)


def _told(taken: Taken) -> list[str]:
    """Say what was read from where, how surely the run was found, and what thinned it out."""
    made = taken.made
    log, place = made.log, made.alignment
    empty = f", {log.empty} more without a value" if log.empty else ""
    surely = (
        "no other place fits at all"
        if place.ratio is None
        else f"the next best place deviates {place.ratio:.1f} times as much"
    )
    said = [
        (
            f"Read {len(log.rows)} rows: {log.value_column!r} in deg{log.unit} by"
            f" {log.time_column!r}{empty}."
        ),
        (
            f"The run begins about {-place.run_s(log.rows[0].at_s):.0f} s after the log's first row"
            f" ({log.starts_at}); {surely}."
        ),
    ]
    if unsettled := taken.summary.unsettled:
        rule = made.plan.settle
        pace_s = (log.rows[-1].at_s - log.rows[0].at_s) / max(len(log.rows) - 1, 1)
        said.append(
            f"Note: {unsettled} steps have no settled reading: {rule.readings} rows within"
            f" {rule.within_celsius:g} degC over {rule.for_s:g} s are needed, none more than"
            f" {rule.gap_s:.3g} s after the other; this log has a row every {pace_s:.2g} s."
        )
    return said
