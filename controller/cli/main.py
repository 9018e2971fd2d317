"""The command line's front door: which verbs there are, and how every run of the program ends.

Knows: the verbs and one line about each, `--json`, exit codes, where errors go.
Must not know: what a verb does. Each verb is a module of its own with `add_arguments(parser)` and
`run(arguments, output)`, imported only when it is asked for, so that `--help` loads nothing heavy.
"""

from __future__ import annotations

import argparse
import importlib
import os
import re
import sys

# `typing` costs as much time as everything else here; type checkers know this name.
TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Sequence
    from typing import NoReturn

    from controller.cli.output import Output
    from controller.errors import RungwiseError

__all__ = ["VERBS", "main"]

VERBS = {
    "ui": "open the terminal UI, as without a verb, but with a folder or a look of your choice",
    "curve": "convert between temperature and resistance, or print a sensor's table",
    "nearest": "find the nearest resistance a ladder can make",
    "plan": "show what a plan would set, step by step; nothing is driven",
    "sweep": "run a plan: set, settle, read, judge, record",
    "seek": "find where something switches, a fan for example, and back: raise, lower, bisect",
    "check": "run the open / short / mid check",
    "set": "put one value at the output and hold it",
    "replay": "judge a record again and re-run it on the simulated bench",
    "diagnose": "say which electrical fault explains the deviations",
    "compare": "put records of one module side by side, or up against down in one",
    "links": "list the serial ports, and what answers there",
    "export": "turn a record into a CSV table",
    "report": "turn a record into a plain text report",
    "ladder design": "find rungs worth buying for some sensors, and write the ladder's files",
    "ladder calibrate": "find the rungs' true values from measured states",
    "ladder check": "see whether a ladder's calibration still holds",
    "sensor check": "judge a sensor by itself, from what it measured in baths",
}

_GROUPS = {
    "ladder": "design a ladder, calibrate it with an ohm meter, or check its calibration",
    "sensor": "judge a sensor that has been unplugged, by itself",
}
"""Verbs of two words; the first word alone shows what there is."""

_UI_OPTIONS = ("--ascii", "--dark", "--light", "--16-colours")
"""Options that stand for the verb `ui` when they come first."""

_EPILOG = """\
Temperatures are in degC unless written with a unit (68degF); resistances in ohm (2500, 2.5k).
Without a verb, on a terminal, the terminal UI opens.

exit status: 0 all pass, 1 fail, 2 bad input and nothing was driven, 3 link or hardware fault,
             4 undecided, 130 interrupted and parked
"""


class _UsageError(Exception):
    """The arguments do not fit; `usage` says how they should."""

    def __init__(self, message: str, usage: str) -> None:
        super().__init__(message)
        self.usage = usage


class _HelpFormatter(argparse.RawDescriptionHelpFormatter):
    """Help as wide as the terminal; argparse would load compression libraries to find out."""

    def __init__(self, prog: str) -> None:
        try:
            columns = int(os.environ.get("COLUMNS") or os.get_terminal_size().columns)
        except (OSError, ValueError):
            columns = 80
        super().__init__(prog, width=max(40, min(columns, 100)) - 2)


class _Parser(argparse.ArgumentParser):
    """A parser that leaves the ending of the program to `main`."""

    def __init__(self, *args: object, **kwargs: object) -> None:
        super().__init__(*args, **kwargs)  # type: ignore[arg-type]
        # "-40degF" and "-5.5C" are temperatures, not options.
        self._negative_number_matcher = re.compile(r"^-\.?\d.*$")

    def error(self, message: str) -> NoReturn:
        raise _UsageError(message, self.format_usage())


def main(argv: Sequence[str] | None = None) -> int:
    """Run the program; return its exit status."""
    words = list(sys.argv[1:] if argv is None else argv)
    if not words:
        return _without_a_verb()
    if words[0] in _UI_OPTIONS:
        words.insert(0, "ui")
    try:
        arguments = _parser(words).parse_args(words)
    except _UsageError as error:
        from controller.errors import InputError

        problem = InputError.single(str(error), hint=" ".join(error.usage.split()))
        return _refused(problem, json="--json" in words)
    except SystemExit as ending:  # --help and --version
        return ending.code if isinstance(ending.code, int) else 0
    from controller.cli.output import Output

    return _run(arguments, Output(json=arguments.json, fahrenheit=arguments.fahrenheit))


def _run(arguments: argparse.Namespace, output: Output) -> int:
    """Run one verb; turn every error a user can cause into words and an exit status."""
    from controller.errors import InputError, RungwiseError

    try:
        verb = importlib.import_module(f"controller.cli.{_module_name(arguments.verb)}")
        return int(verb.run(arguments, output))
    except RungwiseError as error:
        output.error(error)
        return int(error.exit_code)
    except RecursionError:
        output.error(InputError.single("the file is nested too deeply"))
        return 2
    except KeyboardInterrupt:
        output.warn("Interrupted; nothing was being driven.")
        return 130


def _parser(words: Sequence[str]) -> argparse.ArgumentParser:
    """Return the parser; only the verb that is asked for is loaded."""
    parser = _Parser(
        prog="rungwise",
        description="Put known resistances at a control module's temperature input, and judge"
        " what it reports.",
        epilog=_EPILOG,
        formatter_class=_HelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"rungwise {_version()}")
    verbs = parser.add_subparsers(dest="verb", metavar="VERB", required=True, title="verbs")
    asked = [word for word in words if not word.startswith("-")]
    groups: dict[str, argparse._SubParsersAction[_Parser]] = {}
    for name, summary in VERBS.items():
        group, _, word = name.rpartition(" ")
        if group and group not in groups:
            groups[group] = verbs.add_parser(
                group,
                help=_GROUPS[group],
                description=f"{_capital(_GROUPS[group])}.",
                formatter_class=_HelpFormatter,
            ).add_subparsers(dest="verb", metavar="VERB", required=True, title="verbs")
        verb = (groups[group] if group else verbs).add_parser(
            word, help=summary, description=f"{_capital(summary)}.", formatter_class=_HelpFormatter
        )
        verb.set_defaults(verb=name)
        if name.split() == asked[: len(name.split())]:
            importlib.import_module(f"controller.cli.{_module_name(name)}").add_arguments(verb)
            verb.add_argument(
                "--json", action="store_true", help="print one JSON document and nothing else"
            )
            verb.add_argument(
                "--fahrenheit", action="store_true", help="show temperatures in degF (not in JSON)"
            )
    return parser


def _module_name(verb: str) -> str:
    return f"verb_{verb.replace(' ', '_')}"


def _capital(text: str) -> str:
    return text[0].upper() + text[1:]


def _version() -> str:
    from controller import __version__

    return __version__


def _refused(error: RungwiseError, *, json: bool) -> int:
    from controller.cli.output import Output

    Output(json=json).error(error)
    return int(error.exit_code)


def _without_a_verb() -> int:
    """Open the terminal UI on a terminal; say what there is elsewhere."""
    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        _parser([]).print_help()
        return 0
    try:
        app = importlib.import_module("controller.tui.app")
    except ModuleNotFoundError as missing:
        if missing.name != "controller.tui.app":
            raise
        print("The terminal UI is not part of this version; see rungwise --help.", file=sys.stderr)
        return 2
    return int(app.main() or 0)


if __name__ == "__main__":
    sys.exit(main())
