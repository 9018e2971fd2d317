"""`rungwise seek`: the search for a switching point."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from controller.cli import verb_sweep

if TYPE_CHECKING:
    from controller.cli.output import Output

__all__ = ["add_arguments", "run"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the verb's arguments."""
    verb_sweep.add_arguments(parser)
    parser.epilog = (
        'the plan is of kind "threshold"; its [search] says what is watched for, between which'
        " temperatures, in which steps, and the limits that the points are held to; with --resume a"
        " search that was cut off begins at its first level again, and goes on with what it knew"
    )


def run(arguments: argparse.Namespace, output: Output) -> int:
    """Carry out the search; that fans may start is said first."""
    from controller.cli.run_plan import carry_out

    return carry_out(arguments, output, verb="seek")
