"""`rungwise input wiggle`: one value held while connector and harness move; jumps counted."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from controller.cautions import WIGGLE_CAUTION
from controller.cli.look_arguments import add_look_arguments
from controller.planning.value import HINT

if TYPE_CHECKING:
    from controller.cli.output import Output
    from controller.run.job import Job
    from controller.session.session import Setup

__all__ = ["add_arguments", "run"]

_USUAL_S = 60.0


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the verb's arguments."""
    parser.add_argument("value", metavar="VALUE", nargs="+", help=HINT)
    add_look_arguments(parser)
    parser.add_argument(
        "--for",
        dest="seconds",
        metavar="SECONDS",
        default=f"{_USUAL_S:g}",
        help=f"how long to watch (default: {_USUAL_S:g}); Ctrl-C ends it sooner, in good order",
    )
    parser.add_argument("--no-bell", action="store_true", help="show the jumps, do not sound them")
    parser.epilog = (
        "The first seconds, untouched, show how much the reading moves by itself; after that"
        " everything larger counts. Typed readings are too slow: then the voltage at the"
        " board's own input is watched, where the bench file describes it in [sense]. exit status:"
        " 0 no jump, 1 jumps, 4 watched too shortly to say"
    )


def run(arguments: argparse.Namespace, output: Output) -> int:
    """Hold, watch, count."""
    from controller.cli.input_argument import named_bench
    from controller.cli.numbers import above_zero
    from controller.cli.watch_input import carry_out
    from controller.documents import collecting_files
    from controller.module.files import load_module
    from controller.session.looks import wiggling

    for_s = above_zero(arguments.seconds, what="--for")
    with collecting_files() as files:
        bench = named_bench(arguments.bench, arguments)
        module = bench.module if arguments.module is None else load_module(arguments.module)

    def prepare(record: Path | None) -> Setup:
        return wiggling(
            bench,
            " ".join(arguments.value),
            module=module,
            for_s=for_s,
            record=record,
            files=files,
        )

    _, status = carry_out(
        prepare,
        output,
        record_path=arguments.record,
        yes=arguments.yes,
        fields=_fields,
        stop=_enough,
        bell=not (arguments.no_bell or output.json),
        first=(WIGGLE_CAUTION,),
    )
    return status


def _enough(job: Job) -> None:
    """End the watching; where it has not begun, park at once."""
    from controller.run.wiggle import WiggleRun

    assert isinstance(job, WiggleRun)  # noqa: S101 - what `wiggling` makes
    job.enough()


def _fields(job: Job) -> dict[str, Any]:
    from controller.run.wiggle import WiggleRun

    assert isinstance(job, WiggleRun)  # noqa: S101 - what `wiggling` makes
    return {"jumps": job.jumps, "watched_s": job.watched_s}
