"""`rungwise init`: a small workshop to begin with, written into a folder."""

from __future__ import annotations

import argparse
import shlex
from pathlib import Path
from typing import TYPE_CHECKING

from controller.errors import ExitCode

if TYPE_CHECKING:
    from controller.cli.output import Output

__all__ = ["add_arguments", "run"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the verb's arguments."""
    parser.add_argument(
        "folder",
        metavar="FOLDER",
        nargs="?",
        type=Path,
        default=Path(),
        help="folder to write into; made if need be (default: this one)",
    )


def run(arguments: argparse.Namespace, output: Output) -> int:
    """Write the files; say what can be done with them."""
    from controller.cli.starter import write_starter

    folder = arguments.folder
    written = write_starter(folder)
    here = folder == Path()
    plan = "coolant-check.toml" if here else shlex.quote(str(folder / "coolant-check.toml"))
    commands = [
        f"rungwise check {plan}",
        f"rungwise {shlex.quote(str(folder))}",
        "rungwise new sensor --help",
    ]
    output.document(
        {
            "folder": str(folder),
            "files": [str(path) for path in written],
            "next": commands[0],
        }
    )
    output.say(f"Written to {folder.absolute()}:")
    for path in written:
        output.say(f"  {path.relative_to(folder)}")
    output.say("Everything in it is simulated but benches/serial-example.toml. Next:")
    output.say(f"  {commands[0]}")
    output.say("then, on a terminal, the screen:")
    output.say(f"  {commands[1]}")
    output.say("and a file for your own sensor:")
    output.say(f"  {commands[2]}")
    return ExitCode.PASS
