"""`rungwise check`: the open / short / mid check.

Knows: that it takes the same arguments as a sweep, and may look at the input first.
Must not know: how a plan is carried out.
"""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from controller.cli.verb_sweep import plan_arguments

if TYPE_CHECKING:
    from controller.cli.output import Output

__all__ = ["add_arguments", "run"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the verb's arguments."""
    plan_arguments(parser)
    parser.add_argument(
        "--input-check",
        action=argparse.BooleanOptionalAction,
        help="look at the module's input first, by the board's own voltage input: no step is set on"
        " a foreign voltage, or where the measured short-circuit current exceeds a rating (default:"
        " where the bench file has [sense])",
    )


def run(arguments: argparse.Namespace, output: Output) -> int:
    """Carry out the check; what a short circuit draws is said first."""
    from controller.cli.run_plan import carry_out

    return carry_out(arguments, output, verb="check")
