"""`rungwise archive add`: gather records into an archive."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from controller.errors import ExitCode

if TYPE_CHECKING:
    from controller.cli.output import Output

__all__ = ["add_archive", "add_arguments", "run"]

_TOLD_EVERY = 100


def add_archive(parser: argparse.ArgumentParser) -> None:
    """Declare the option that names the archive."""
    parser.add_argument(
        "--archive",
        metavar="FOLDER",
        type=Path,
        default=Path("archive"),
        help="the archive's folder (default: archive)",
    )


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the verb's arguments."""
    parser.add_argument(
        "folders",
        metavar="FOLDER",
        nargs="+",
        type=Path,
        help="folder whose records (*.jsonl, folders below it too) are gathered; or one record",
    )
    add_archive(parser)
    parser.add_argument("--again", action="store_true", help="check unchanged files again too")


def run(arguments: argparse.Namespace, output: Output) -> int:
    """Gather, and say what was taken, skipped and refused; 2 when something was refused."""
    from controller.archive.gather import gather

    def told(count: int) -> None:
        if count % _TOLD_EVERY == 0:
            output.progress(f"{count} files looked at")

    outcome = gather(arguments.archive, arguments.folders, again=arguments.again, told=told)
    output.end_progress()
    output.say(
        f"{outcome.added} runs added to {arguments.archive}"
        f" ({outcome.longer} of them took the place of a shorter version,"
        f" {outcome.torn} end in a torn line); {outcome.known} files held nothing new."
    )
    if outcome.refused:
        output.warn(f"rungwise: {len(outcome.refused)} refused, the rest is in:")
        for problem in outcome.refused:
            output.warn(f"rungwise: {problem}")
    output.document(
        {
            "archive": str(arguments.archive),
            "added": outcome.added,
            "longer": outcome.longer,
            "known": outcome.known,
            "torn": outcome.torn,
            "refused": [vars(problem) for problem in outcome.refused],
        }
    )
    return ExitCode.BAD_INPUT if outcome.refused else ExitCode.PASS
