"""`rungwise diagnose`: which electrical fault explains the deviations."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from controller.errors import ExitCode

if TYPE_CHECKING:
    from controller.cli.output import Output

__all__ = ["add_arguments", "run"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the verb's arguments."""
    parser.add_argument(
        "record",
        metavar="RECORD",
        type=Path,
        help="record of a run, or a CSV file with the columns ohms,reported_celsius",
    )
    parser.add_argument(
        "--plan", metavar="PLAN", type=Path, help="plan that the readings of a CSV file belong to"
    )
    parser.add_argument(
        "--candidate",
        metavar="SENSOR",
        type=Path,
        action="append",
        default=[],
        help="sensor file whose curve the module may be using instead, or a folder of them;"
        " may be repeated",
    )
    parser.epilog = (
        "exit status: 0 when no fault is found, 1 when one explains the readings,"
        " 4 when the readings cannot tell or nothing that was tried fits"
    )


def run(arguments: argparse.Namespace, output: Output) -> int:
    """Print the diagnosis."""
    from controller.cli.gather import gathered
    from controller.diagnosis import explain
    from controller.sensors.files import load_sensor
    from controller.session.evidence import evidence_in, sensor_files

    candidates = gathered(load_sensor, sensor_files(arguments.candidate))
    diagnosis = evidence_in(arguments.record, arguments.plan).diagnosed(candidates)
    words = explain(diagnosis)
    output.document({**diagnosis.as_json(), "sentence": words.headline})
    output.say(words.as_text())
    if diagnosis.best is None or not diagnosis.distinguishable:
        return ExitCode.UNDECIDED
    return ExitCode.PASS if diagnosis.best.kind == "healthy" else ExitCode.FAIL
