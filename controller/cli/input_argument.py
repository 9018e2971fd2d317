"""`--input`: which ladder of a bench that has two, for verbs that drive one alone.

Knows: the argument and its words. Must not know: what is done with the ladder.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from controller.bench.model import BenchFile

__all__ = ["add_input_argument", "named_bench"]


def add_input_argument(parser: argparse.ArgumentParser) -> None:
    """Declare it."""
    parser.add_argument(
        "--input",
        choices=("1", "2"),
        default="1",
        help="which ladder of a bench with two: 2 is that of its [second] (default: 1)",
    )


def named_bench(path: Path, arguments: argparse.Namespace) -> BenchFile:
    """Return the bench file's ladder that was asked for. Raises InputError."""
    from controller.bench.files import load_bench
    from controller.bench.pair import bench_of_input

    return bench_of_input(load_bench(path), int(arguments.input))
