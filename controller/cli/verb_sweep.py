"""`rungwise sweep`: the main job.

Knows: the arguments that running a plan takes.
Must not know: how a plan is carried out.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from controller.cli.output import Output

__all__ = ["add_arguments", "plan_arguments", "run"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the verb's arguments."""
    plan_arguments(parser)
    parser.add_argument(
        "--readings",
        choices=("later",),
        help="judge nothing now: the record waits for the log of a tool (see rungwise readings)",
    )


def plan_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what running any plan takes."""
    parser.add_argument("plan", metavar="PLAN", type=Path, help="plan file")
    parser.add_argument(
        "--bench",
        metavar="BENCH",
        type=Path,
        help="bench file (default: the plan's, or a simulated one)",
    )
    parser.add_argument(
        "--record",
        metavar="FILE",
        type=Path,
        help="where the record goes (default: a new file in runs/)",
    )
    parser.add_argument(
        "--resume",
        action="store_true",
        help="continue the record named by --record at its first unfinished step",
    )
    parser.add_argument(
        "--pace",
        choices=("real", "fast"),
        help="real time, or virtual time on a fully simulated bench (its default)",
    )
    parser.add_argument(
        "--junit", metavar="FILE", type=Path, help="write JUnit XML to this file, a case a step"
    )
    parser.add_argument(
        "--yes", action="store_true", help="the cautions for real equipment have been read"
    )
    parser.add_argument(
        "--self-test",
        action="store_true",
        help="test the ladder first, by the bench's [sense], [meter] or read-back; a ladder that is"
        " not sound refuses the run (exit status 3), and the record says what was found",
    )
    parser.add_argument(
        "--despite-self-test",
        action="store_true",
        help="run on a ladder whose self-test failed; the record says so",
    )
    parser.add_argument(
        "--clear-codes",
        metavar="MODULE",
        help="after the run, ask on the terminal whether this module's fault codes are to be"
        " cleared (a bench that reads over CAN; for example 7E8)",
    )


def run(arguments: argparse.Namespace, output: Output) -> int:
    """Carry out the plan: its targets, or a profile's temperatures at their times."""
    from controller.cli.run_plan import carry_out

    return carry_out(arguments, output, verb="sweep")
