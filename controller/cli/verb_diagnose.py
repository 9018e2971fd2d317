"""`rungwise diagnose`: which electrical fault explains the deviations."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from controller.errors import ExitCode, InputError

if TYPE_CHECKING:
    from controller.cli.output import Output
    from controller.diagnosis import Readings
    from controller.module.model import Module
    from controller.sensors.curve import Sensor

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
    from controller.diagnosis import InputCircuit, diagnose, explain
    from controller.sensors.files import load_sensor

    candidates = gathered(load_sensor, _sensor_files(arguments.candidate))
    readings, sensor, module = _readings(arguments.record, arguments.plan)
    diagnosis = diagnose(
        readings,
        sensor.curve,
        candidates=candidates,
        circuit=InputCircuit.of(module) if module is not None else None,
    )
    words = explain(diagnosis)
    output.document({**diagnosis.as_json(), "sentence": words.headline})
    output.say(words.as_text())
    if diagnosis.best is None or not diagnosis.distinguishable:
        return ExitCode.UNDECIDED
    return ExitCode.PASS if diagnosis.best.kind == "healthy" else ExitCode.FAIL


def _sensor_files(named: Sequence[Path]) -> list[Path]:
    """Return the files named, each folder replaced by the sensor files in it."""
    found: list[Path] = []
    for path in named:
        inside = sorted(path.glob("*.toml")) if path.is_dir() else [path]
        if not inside:
            raise InputError.single("there are no sensor files in this folder", where=str(path))
        found += inside
    return list(dict.fromkeys(found))


def _readings(path: Path, plan_path: Path | None) -> tuple[Readings, Sensor, Module | None]:
    """Return the readings, and the sensor and the module of the plan they belong to."""
    from controller.diagnosis import Reporting, readings_from_csv, readings_of, with_tolerance
    from controller.planning.files import load_plan
    from controller.records.decode import results_of
    from controller.records.inputs import inputs_of
    from controller.records.reader import load_record

    if plan_path is None and _is_record(path):
        record = load_record(path)
        inputs = inputs_of(record)
        module = inputs.module
        reporting = Reporting.of(module) if module is not None else Reporting()
        readings = readings_of(results_of(record), reporting=reporting, bench=inputs.bench)
        return readings, inputs.plan.sensor, module
    if plan_path is None:
        raise InputError.single(
            "this is not a record; a CSV file needs the plan its readings belong to",
            where=str(path),
            hint="add --plan PLAN",
        )
    plan = load_plan(plan_path)
    reporting = Reporting.of(plan.module) if plan.module is not None else Reporting()
    readings = with_tolerance(
        readings_from_csv(path, reporting=reporting), plan.sensor.curve, plan.tolerance_at
    )
    return readings, plan.sensor, plan.module


def _is_record(path: Path) -> bool:
    """Tell a record from a CSV file; a file that cannot be opened is left to its reader."""
    try:
        with path.open("rb") as file:
            return file.read(1) in (b"{", b"")
    except OSError:
        return True
