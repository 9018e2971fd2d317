"""`rungwise set`: one value at the output, held until it is no longer wanted.

Knows: what may be asked for, and that the ladder is parked again whatever happens.
Must not know: how a value is found or driven, readings.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from controller.cli.input_argument import add_input_argument
from controller.errors import ExitCode, InputError
from controller.planning.value import HINT

if TYPE_CHECKING:
    from controller.cli.output import Output

__all__ = ["add_arguments", "run"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the verb's arguments."""
    parser.add_argument("value", metavar="VALUE", nargs="+", help=HINT)
    parser.add_argument(
        "--bench", metavar="BENCH", type=Path, help="bench file (default: a simulated one)"
    )
    add_input_argument(parser)
    parser.add_argument(
        "--sensor",
        metavar="SENSOR",
        type=Path,
        help="curve for temperatures (default: the module's)",
    )
    parser.add_argument(
        "--hold",
        metavar="SECONDS",
        help="how long to hold the value (default: until interrupted; simulated: not at all)",
    )
    parser.add_argument(
        "--within",
        metavar="PERCENT",
        default="1",
        help="refuse a resistance that the ladder misses by more than this (default: 1)",
    )
    parser.add_argument(
        "--nearest-anyway",
        action="store_true",
        help="set the nearest resistance however far it is off",
    )
    parser.add_argument("--record", metavar="FILE", type=Path, help="keep a record of it")
    parser.add_argument(
        "--yes", action="store_true", help="the cautions for real equipment have been read"
    )


def run(arguments: argparse.Namespace, output: Output) -> int:
    """Set the value, hold it, park."""
    from controller.cli.hold_value import set_and_hold
    from controller.cli.numbers import above_zero

    hold_s = None if arguments.hold is None else _seconds(arguments.hold)
    return int(
        set_and_hold(
            " ".join(arguments.value),
            output,
            bench_path=arguments.bench,
            input_number=int(arguments.input),
            sensor_path=arguments.sensor,
            hold_s=hold_s,
            record_path=arguments.record,
            yes=arguments.yes,
            share=above_zero(arguments.within, what="--within") / 100,
            nearest_anyway=arguments.nearest_anyway,
        )
        or ExitCode.PASS
    )


def _seconds(text: str) -> float:
    try:
        seconds = float(text)
    except ValueError:
        seconds = -1.0
    if not 0 <= seconds <= 86_400:
        raise InputError.single(
            f"{text!r} is not a time from 0 to 86400 s", where="--hold", hint="write seconds"
        )
    return seconds
