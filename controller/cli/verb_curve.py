"""`rungwise curve`: temperature to resistance and back.

Knows: sensor files and curves.
Must not know: ladders, runs.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from controller.errors import ExitCode
from controller.units import COVERAGE_FACTOR, parse_ohms, parse_temperature

if TYPE_CHECKING:
    from controller.cli.output import Output
    from controller.sensors.curve import Sensor

__all__ = ["add_arguments", "run"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the verb's arguments."""
    parser.add_argument("sensor", metavar="SENSOR", type=Path, help="sensor file")
    parser.add_argument(
        "--at", metavar="TEMP", action="append", default=[], help="a temperature: 20, 20degC, 68F"
    )
    parser.add_argument(
        "--ohms", metavar="R", action="append", default=[], help="a resistance: 2500, 2.5k"
    )
    parser.add_argument(
        "--tolerance",
        metavar="KELVIN",
        help="say at which temperatures the curve cannot support this tolerance, in degC: 2",
    )


def run(arguments: argparse.Namespace, output: Output) -> int:
    """Print the points asked for, or the whole table."""
    from controller.cli.gather import gathered
    from controller.cli.numbers import above_zero
    from controller.sensors.files import load_sensor, tolerance_warning

    sensor = load_sensor(arguments.sensor)
    warnings = sensor.warnings
    if arguments.tolerance is not None:
        asked_for = above_zero(arguments.tolerance, what="--tolerance")
        unsupported = tolerance_warning(sensor.curve, asked_for)
        warnings = tuple(dict.fromkeys([*warnings, *([unsupported] if unsupported else [])]))
    asked = [("at", text) for text in arguments.at] + [("ohms", text) for text in arguments.ohms]
    if asked:
        points = gathered(lambda one: _point(sensor, *one), asked)
    else:
        points = [_at(sensor, celsius) for celsius in _table(sensor)]
    for warning in warnings:
        output.warn(f"Note: {warning}")
    output.document(
        {
            "sensor": sensor.name,
            "kind": sensor.kind,
            "points": points,
            "warnings": list(warnings),
        }
    )
    output.say(f"{sensor.name} ({sensor.kind})")
    output.say_table(
        [output.degrees, "ohm", f"U (k=2) {output.degrees}"],
        [
            [
                output.temperature(point["celsius"], 3),
                _ohms(point["ohms"]),
                output.difference(point["uncertainty_celsius"], 3),
            ]
            for point in points
        ],
    )
    return ExitCode.PASS


def _ohms(value: float) -> str:
    from controller.text import ohms

    return ohms(value)


def _point(sensor: Sensor, option: str, text: str) -> dict[str, float]:
    if option == "at":
        return _at(sensor, parse_temperature(text, what="--at"))
    resistance = parse_ohms(text, what="--ohms")
    celsius = float(sensor.curve.celsius(resistance))
    return {**_at(sensor, celsius), "ohms": resistance}


def _at(sensor: Sensor, celsius: float) -> dict[str, float]:
    resistance = float(sensor.curve.ohms(celsius))
    standard = float(sensor.curve.uncertainty_celsius(celsius))
    return {
        "celsius": celsius,
        "ohms": resistance,
        "uncertainty_celsius": COVERAGE_FACTOR * standard,
    }


def _table(sensor: Sensor) -> list[float]:
    """Return round temperatures over the span, about thirty, with both ends."""
    import math

    low, high = sensor.curve.lowest_celsius, sensor.curve.highest_celsius
    spacing = next(s for s in (1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 1e9) if (high - low) / s <= 40)
    first = math.floor(low / spacing) + 1
    last = math.ceil(high / spacing) - 1
    return [low, *(index * spacing for index in range(first, last + 1)), high]
