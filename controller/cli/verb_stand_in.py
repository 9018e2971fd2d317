"""`rungwise stand-in`: ladders and a module on a CAN bus at ports, without any hardware.

Knows: the arguments, and how long the ports are kept.
Must not know: what stands behind them.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from controller.cli.output import Output

__all__ = ["add_arguments", "run"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the verb's arguments."""
    parser.add_argument("bench", metavar="BENCH", type=Path, help="bench file with a [simulation]")
    parser.add_argument(
        "--folder",
        metavar="FOLDER",
        type=Path,
        default=Path("stand-in"),
        help="where the ports `ladder` and `can` are put, and `second-ladder` of a bench with two"
        " (default: stand-in)",
    )
    parser.add_argument(
        "--broadcasts",
        action="store_true",
        help="the module broadcasts (J1939) instead of being asked",
    )
    parser.add_argument(
        "--traffic",
        metavar="N",
        type=float,
        default=20.0,
        help="frames of other modules a second (default: 20)",
    )
    parser.add_argument(
        "--run",
        metavar="VERB ...",
        nargs=argparse.REMAINDER,
        help="a verb of this program with its arguments, all to the end of the line: run it and"
        " end with it (default: keep the ports until Ctrl-C)",
    )


def run(arguments: argparse.Namespace, output: Output) -> int:
    """Keep the ports, for as long as a verb runs or until Ctrl-C."""
    import subprocess
    import threading

    from controller.bench.files import load_bench
    from controller.cli.signals import stopping_by
    from controller.stand_in.workshop import standing_in

    bench = load_bench(arguments.bench)
    bitrate = 250_000 if arguments.broadcasts else 500_000
    with standing_in(
        bench,
        arguments.folder,
        broadcasts=arguments.broadcasts,
        traffic_per_s=arguments.traffic,
        bitrate=bitrate,
    ) as ports:
        second = "" if ports.second is None else f", the second ladder at {ports.second}"
        output.warn(
            f"Simulated: the ladder at {ports.ladder}{second}, the module's bus at {ports.bus}"
            f" (slcan, {bitrate} bit/s)"
        )
        if not arguments.run:
            ended = threading.Event()
            with stopping_by(ended.set):
                output.warn("Ctrl-C ends it.")
                ended.wait()
            return 0
        command = [sys.executable, "-m", "rungwise", *arguments.run]
        with (
            subprocess.Popen(command) as running,  # noqa: S603 - a verb of this program
            stopping_by(running.terminate),  # the ports stay until the verb has parked
        ):
            return running.wait()
