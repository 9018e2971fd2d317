"""The arguments that the verbs which look at an input have in common.

Knows: their names and words. Must not know: what is done with them.
"""

from __future__ import annotations

import argparse
from pathlib import Path

from controller.cli.input_argument import add_input_argument

__all__ = ["add_look_arguments"]


def add_look_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare bench, which of its ladders, module, record and the yes to the cautions."""
    parser.add_argument("--bench", metavar="BENCH", type=Path, required=True, help="bench file")
    add_input_argument(parser)
    parser.add_argument(
        "--module", metavar="MODULE", type=Path, help="module file (default: the simulated one)"
    )
    parser.add_argument("--record", metavar="FILE", type=Path, help="keep a record of it")
    parser.add_argument(
        "--yes", action="store_true", help="the cautions for real equipment have been read"
    )
