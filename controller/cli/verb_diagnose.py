"""`rungwise diagnose`: which electrical fault explains the deviations."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from controller.errors import ExitCode

if TYPE_CHECKING:
    from controller.cli.output import Output
    from controller.diagnosis import Diagnosis
    from controller.sensors.curve import Sensor

__all__ = ["add_arguments", "run"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the verb's arguments."""
    parser.add_argument(
        "records",
        metavar="RECORD",
        nargs="+",
        type=Path,
        help="record of a run, or a CSV file with the columns ohms,reported_celsius",
    )
    parser.add_argument(
        "--plan", metavar="PLAN", type=Path, help="plan that the readings of CSV files belong to"
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
    """Print the diagnosis of each record by itself."""
    from controller.cli.gather import gathered
    from controller.cli.several import for_each
    from controller.sensors.files import load_sensor
    from controller.session.evidence import sensor_files

    candidates = gathered(load_sensor, sensor_files(arguments.candidate))
    return for_each(
        arguments.records,
        lambda path: _diagnose(path, arguments.plan, candidates, output),
        output,
    )


def _diagnose(path: Path, plan: Path | None, candidates: Sequence[Sensor], output: Output) -> int:
    from controller.diagnosis import explain
    from controller.session.evidence import evidence_in, input_names

    documents: list[dict[str, Any]] = []
    names = input_names(path)
    statuses = []
    for number, name in enumerate(names, 1):
        diagnosis = evidence_in(path, plan, second=number == 2).diagnosed(candidates)
        words = explain(diagnosis)
        documents.append({**diagnosis.as_json(), "sentence": words.headline, "record": str(path)})
        if len(names) > 1:
            documents[-1]["input"] = name
            output.say(f"{name}:")
        output.say(words.as_text())
        statuses.append(_status(diagnosis))
    first, *others = documents
    output.document({**first, **({"second": others[0]} if others else {})})
    worst_first = (ExitCode.FAIL, ExitCode.UNDECIDED, ExitCode.PASS)
    return min(statuses, key=worst_first.index)


def _status(diagnosis: Diagnosis) -> ExitCode:
    if diagnosis.best is None or not diagnosis.distinguishable:
        return ExitCode.UNDECIDED
    return ExitCode.PASS if diagnosis.best.kind == "healthy" else ExitCode.FAIL
