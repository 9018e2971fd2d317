"""`rungwise archive ask`: ready questions to an archive, or one in SQL."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from controller.cli.verb_archive_add import add_archive
from controller.errors import ExitCode, InputError

if TYPE_CHECKING:
    from controller.cli.output import Output

__all__ = ["add_arguments", "run"]

_NAMES = ("failures", "cold", "drift", "errors", "wear", "run")

_EPILOG = """\
questions:
  failures   failure rate by bench and week
  cold       modules that read cold above a temperature (--above)
  drift      how a ladder's measured states drift from month to month
  errors     mean error of settled readings by bench, module and month
  wear       relay operations of each ladder by month
  run        the steps of one run (--run)

Tables for --sql: runs, steps, measured, files, raw. `--sql "DESCRIBE steps"` lists columns.
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the verb's arguments."""
    parser.epilog = _EPILOG
    asked = parser.add_mutually_exclusive_group(required=True)
    asked.add_argument("question", metavar="QUESTION", nargs="?", choices=_NAMES, help="see below")
    asked.add_argument(
        "--sql", metavar="TEXT", help="a question of your own: one statement that only reads"
    )
    add_archive(parser)
    parser.add_argument(
        "--above", metavar="CELSIUS", type=float, default=90.0, help="for cold (default: 90)"
    )
    parser.add_argument("--run", metavar="RUN_ID", help="for run: the beginning of a run_id")
    parser.add_argument(
        "--svg", metavar="FILE", type=Path, help="draw the answer over time into a new file"
    )


def run(arguments: argparse.Namespace, output: Output) -> int:
    """Print the answer as a table; draw it when asked to."""
    from controller.archive.questions import QUESTIONS, answer, answer_sql

    if arguments.sql is not None:
        if arguments.svg is not None:
            raise InputError.single("only the named questions can be drawn", where="--svg")
        found = answer_sql(arguments.archive, arguments.sql)
    else:
        given = {"above": arguments.above, "run": arguments.run}
        found = answer(arguments.archive, arguments.question, given)
    output.say_table(found.columns, [[_shown(value) for value in row] for row in found.rows])
    if arguments.svg is not None:
        from controller.archive.pictures import picture
        from controller.new_file import write_new

        question = QUESTIONS[arguments.question]
        drawn = picture(found, question, question.summary)
        write_new(arguments.svg, drawn)
        output.say(f"Written to {arguments.svg}.")
    rows = [dict(zip(found.columns, map(_plain, row), strict=True)) for row in found.rows]
    output.document({"columns": list(found.columns), "rows": rows})
    return ExitCode.PASS


def _shown(value: Any) -> str:
    if isinstance(value, bytes):
        return f"{len(value)} bytes"
    return "-" if value is None else str(value)


def _plain(value: Any) -> Any:
    if isinstance(value, bytes):
        return value.decode("utf-8", "backslashreplace")
    known = value is None or isinstance(value, bool | int | float | str)
    return value if known else str(value)
