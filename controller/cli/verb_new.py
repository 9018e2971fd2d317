"""`rungwise new`: one valid, commented file of a kind, from flags or from questions."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from controller.errors import ExitCode, InputError
from controller.new_file import refuse_existing

if TYPE_CHECKING:
    from controller.cli.new_files import Draft
    from controller.cli.output import Output

__all__ = ["add_arguments", "run"]


_EXAMPLES = {
    "sensor": "rungwise new sensor mine.toml --point 20 2k5 --point 80 320 --point 110 140",
    "ladder": "rungwise new ladder box.toml --rung 1 --rung 2 --rung 3R9 --rung 8R2",
    "module": "rungwise new module unit.toml --sensor mine.toml --pullup 2k49",
    "bench": "rungwise new bench bench.toml --ladder box.toml --port /dev/ttyUSB0",
    "plan": "rungwise new plan sweep.toml --sensor mine.toml --from 20 --to 100 --step 5",
}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the verb's arguments."""
    kinds = parser.add_subparsers(dest="kind", metavar="KIND", required=True, title="kinds")
    sensor = _kind(kinds, parser, "sensor", "a sensor from the points of its chart")
    sensor.add_argument(
        "--point",
        metavar=("TEMP", "OHMS"),
        nargs=2,
        action="append",
        default=[],
        help="one point of the chart: 20 2k5, 68degF 2500 (default: asked for)",
    )
    sensor.add_argument(
        "--reading",
        metavar="PERCENT",
        default="2",
        help="how well a point can be read, in percent of its resistance (default: 2)",
    )
    ladder = _kind(kinds, parser, "ladder", "a ladder of rungs in series")
    ladder.add_argument(
        "--rung",
        metavar="OHMS",
        action="append",
        default=[],
        help="one rung, in the order of the relays: 2, 3R9, 7.5k (default: asked for)",
    )
    ladder.add_argument(
        "--tolerance", metavar="PERCENT", default="1", help="tolerance of the rungs (default: 1)"
    )
    module = _kind(kinds, parser, "module", "a control module's input")
    module.add_argument("--sensor", metavar="SENSOR", help="its sensor file (default: asked for)")
    module.add_argument("--pullup", metavar="OHMS", help="its pull-up: 2k49 (default: asked for)")
    module.add_argument(
        "--reference", metavar="VOLTS", default="5", help="its reference (default: 5)"
    )
    bench = _kind(kinds, parser, "bench", "a bench: a ladder, its link, where readings come from")
    bench.add_argument("--ladder", metavar="LADDER", help="its ladder file (default: asked for)")
    bench.add_argument("--module", metavar="MODULE", help="module file, for a simulated bench")
    bench.add_argument("--port", metavar="URL", help="serial port, for a real one: /dev/ttyUSB0")
    plan = _kind(kinds, parser, "plan", "a plan for a sweep, or for a check with --check")
    plan.add_argument("--sensor", metavar="SENSOR", help="sensor file (default: asked for)")
    plan.add_argument("--module", metavar="MODULE", help="module file (default: none)")
    plan.add_argument("--bench", metavar="BENCH", help="bench file (default: a simulated one)")
    plan.add_argument("--from", dest="first", metavar="TEMP", help="first target (default: lowest)")
    plan.add_argument("--to", dest="last", metavar="TEMP", help="last target (default: highest)")
    plan.add_argument("--step", metavar="KELVIN", default="10", help="in degC (default: 10)")
    plan.add_argument(
        "--tolerance", metavar="KELVIN", default="3", help="of the report, in degC (default: 3)"
    )
    plan.add_argument("--check", action="store_true", help="open, mid value and short only")


def _kind(
    kinds: argparse._SubParsersAction[argparse.ArgumentParser],
    verb: argparse.ArgumentParser,
    name: str,
    summary: str,
) -> argparse.ArgumentParser:
    kind = kinds.add_parser(
        name,
        help=summary,
        description=f"{summary[0].upper()}{summary[1:]}.",
        epilog=f"examples:\n  {_EXAMPLES[name]}",
        formatter_class=verb.formatter_class,
    )
    kind.add_argument("file", metavar="FILE", type=Path, help="file to write, ending in .toml")
    kind.add_argument("--name", metavar="TEXT", help="what it is called (default: from the file)")
    kind.add_argument(
        "--json",
        action="store_true",
        default=argparse.SUPPRESS,
        help="print one JSON document and nothing else",
    )
    return kind


def run(arguments: argparse.Namespace, output: Output) -> int:
    """Write the file, read it again as any other, and say what came of it."""
    from controller.cli import new_files

    path = arguments.file
    refuse_existing(path, hint="name another")
    ask = _asked if sys.stdin.isatty() else _nobody
    draft: Draft = new_files.KINDS[arguments.kind](arguments, ask)
    notes = new_files.write_checked(path, draft)
    output.document({"file": str(path), "kind": arguments.kind, "notes": list(notes)})
    if arguments.kind == "sensor":
        from controller.cli.curve_drawing import curve_drawing
        from controller.sensors.files import load_sensor

        for line in curve_drawing(load_sensor(path).curve):
            output.say(line)
    for note in notes:
        output.warn(f"Note: {note}")
    output.say(f"Written: {path}")
    output.say(f"Next: {draft.next_command}")
    return ExitCode.PASS


def _asked(question: str) -> str:
    """Ask on the terminal; an empty answer ends a list."""
    sys.stderr.write(f"{question}: ")
    sys.stderr.flush()
    return sys.stdin.readline().strip()


def _nobody(question: str) -> str:
    """Refuse to guess where there is no terminal to ask on."""
    raise InputError.single(
        f"needs an answer, and there is no terminal to ask on: {question}",
        hint="give it as an option; see rungwise new KIND --help",
    )
