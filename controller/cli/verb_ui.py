"""`rungwise ui`: the terminal UI, with its options.

Knows: which options the terminal UI takes, by name.
Must not know: what they do; how the screen looks.
"""

from __future__ import annotations

import argparse
import importlib
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from controller.errors import InputError

if TYPE_CHECKING:
    from controller.cli.output import Output

__all__ = ["add_arguments", "run"]

_LOOKS = {
    "--dark": "light writing on a dark ground",
    "--light": "dark writing on a light ground",
    "--16-colours": "the terminal's own sixteen colours",
}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the verb's arguments."""
    parser.add_argument(
        "folder", metavar="FOLDER", nargs="?", type=Path, help="folder of plans (default: sweeps)"
    )
    parser.add_argument("--ascii", action="store_true", help="no glyphs beyond ASCII")
    looks = parser.add_mutually_exclusive_group()
    for option, meaning in _LOOKS.items():
        looks.add_argument(option, dest="look", action="store_const", const=option, help=meaning)


def run(arguments: argparse.Namespace, output: Output) -> int:
    """Open the terminal UI; it stays open until it is left."""
    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        raise InputError.single(
            "the terminal UI needs a terminal for its input and output",
            where="ui",
            hint="the other verbs work without one; see rungwise --help",
        )
    words = ["--ascii"] if arguments.ascii else []
    if output.fahrenheit:
        words.append("--fahrenheit")
    if arguments.look is not None:
        words.append(arguments.look)
    if arguments.folder is not None:
        words += ["--", str(arguments.folder)]
    # Loaded by name, so that no other verb depends on the screen.
    return int(importlib.import_module("controller.tui.start").main(words) or 0)
