"""`rungwise nearest`: the nearest resistance a ladder can make."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from controller.errors import ExitCode
from controller.units import COVERAGE_FACTOR, parse_ohms

if TYPE_CHECKING:
    from controller.cli.output import Output

__all__ = ["add_arguments", "run"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the verb's arguments."""
    parser.add_argument("ladder", metavar="LADDER", type=Path, help="ladder file")
    parser.add_argument("ohms", metavar="OHMS", nargs="+", help="a resistance: 2500, 2.5k")
    parser.add_argument(
        "--sensor", metavar="SENSOR", type=Path, help="judge nearness in degC by this curve"
    )
    parser.add_argument(
        "--within",
        metavar="PERCENT",
        help="exit with status 2 when the ladder misses a resistance by more than this;"
        " without it 1 is only warned of",
    )


def run(arguments: argparse.Namespace, output: Output) -> int:
    """Print the nearest state of each target."""
    from controller.cli.gather import gathered
    from controller.cli.numbers import above_zero
    from controller.ladder.electrical import state_uncertainty_ohms
    from controller.ladder.files import load_ladder
    from controller.ladder.search import NearestSearch
    from controller.planning.single_value import NEAR_ENOUGH, far_words, near_enough
    from controller.sensors.extension import extended_celsius
    from controller.sensors.files import load_sensor
    from controller.text import ohms

    share = NEAR_ENOUGH
    if arguments.within is not None:
        share = above_zero(arguments.within, what="--within") / 100
    targets = gathered(lambda text: parse_ohms(text, what="OHMS"), arguments.ohms)
    ladder = load_ladder(arguments.ladder)
    for warning in ladder.warnings:
        output.warn(f"Note: {warning}")
    search = NearestSearch(ladder)
    if arguments.sensor is None:
        found = search.nearest_many(targets)
    else:
        scale = extended_celsius(load_sensor(arguments.sensor).curve)
        found = [search.nearest_by(target, scale) for target in targets]
    uncertainties = [COVERAGE_FACTOR * state_uncertainty_ohms(ladder, one.state) for one in found]
    near = [
        near_enough(target, one.ohms, uncertainty, share)
        for target, one, uncertainty in zip(targets, found, uncertainties, strict=True)
    ]
    together = list(zip(targets, found, uncertainties, near, strict=True))
    output.document(
        {
            "ladder": ladder.name,
            "results": [
                {
                    "target_ohms": target,
                    "state": ladder.format_state(one.state),
                    "ohms": one.ohms,
                    "error_ohms": one.error_ohms,
                    "uncertainty_ohms": uncertainty,
                    "near_enough": close,
                    "reached": search.least_ohms <= target <= search.most_ohms,
                }
                for target, one, uncertainty, close in together
            ],
        }
    )
    output.say(ladder.name)
    output.say_table(
        ["target ohm", "state", "makes ohm", "error ohm", "U (k=2) ohm", ""],
        [
            [
                ohms(target),
                ladder.format_state(one.state),
                ohms(one.ohms),
                ohms(one.error_ohms, sign=True),
                ohms(uncertainty),
                "" if close else "far off",
            ]
            for target, one, uncertainty, close in together
        ],
    )
    far = [(target, one.ohms) for target, one, _, close in together if not close]
    for target, made in far:
        output.warn(f"rungwise: {far_words(target, made)}")
    if far and arguments.within is not None:
        return ExitCode.BAD_INPUT
    return ExitCode.PASS
