"""The command line's front door: which verbs there are, and how every run of the program ends.

Each verb is a module of its own with `add_arguments(parser)` and
`run(arguments, output)`, imported only when it is asked for, so that `--help` loads nothing heavy.
"""

from __future__ import annotations

import argparse
import importlib
import os
import re
import sys

from controller.cli.verbs import EXAMPLES, GROUPS, VERBS, document_format, module_name

# `typing` costs as much time as everything else here; type checkers know this name.
TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Sequence
    from typing import ClassVar, NoReturn

    from controller.cli.output import Output
    from controller.errors import RungwiseError

__all__ = ["main", "whole_parser"]

_NO_DOCUMENT = {"ui"}
"""Verbs without `--json`: what they show is no document."""

_UI_OPTIONS = ("--ascii", "--dark", "--light", "--16-colours")
"""Options that stand for the verb `ui` when they come first."""

_FIRST_WORDS = {name.split()[0] for name in VERBS}

_EPILOG = """\
Temperatures are in degC unless written with a unit (68degF); resistances in ohm (2500, 2.5k).
Without a verb, on a terminal, the terminal UI opens; rungwise FOLDER opens it there.
`rungwise help VERB` shows a verb's options. To begin with: rungwise init FOLDER.

exit status: 0 all pass, 1 fail, 2 bad input and nothing was driven, 3 link or hardware fault,
             4 undecided, 130 interrupted and parked
"""


class _UsageError(Exception):
    """The arguments do not fit; what argparse says of it."""


class _HelpFormatter(argparse.RawDescriptionHelpFormatter):
    """Help as wide as the terminal; argparse would load compression libraries to find out."""

    def __init__(self, prog: str) -> None:
        try:
            columns = int(os.environ.get("COLUMNS") or os.get_terminal_size().columns)
        except (OSError, ValueError):
            columns = 80
        super().__init__(prog, width=max(40, min(columns, 100)) - 2)

    def _fill_text(self, text: str, width: int, indent: str) -> str:
        """Keep the lines as they are written, but for those that are too long."""
        import textwrap

        return "\n".join(
            indent + piece
            for line in text.splitlines()
            for piece in (
                textwrap.wrap(line, width - len(indent), subsequent_indent="  ")
                if len(line) > width and not line.startswith(" ")
                else [line]
            )
        )


class _Parser(argparse.ArgumentParser):
    """A parser that leaves the ending of the program to `main`."""

    options: ClassVar[set[str]] = set()
    """Every option of every parser made so far, for a hint on one that is not known."""

    def __init__(self, *args: object, listed_only: bool = False, **kwargs: object) -> None:
        if listed_only:  # stands in the help, parses nothing: some thirty whole ones take long
            self.prog, self.formatter_class = str(kwargs["prog"]), _HelpFormatter
            return
        super().__init__(*args, **kwargs)  # type: ignore[arg-type]
        # "-40degF" and "-5.5C" are temperatures, not options.
        self._negative_number_matcher = re.compile(r"^-\.?\d.*$")

    def _add_action(self, action: argparse.Action) -> argparse.Action:  # type: ignore[override]
        self.options.update(action.option_strings)
        return super()._add_action(action)

    def error(self, message: str) -> NoReturn:
        raise _UsageError(message)


def main(argv: Sequence[str] | None = None) -> int:
    """Run the program; return its exit status."""
    words = _verb_first(list(sys.argv[1:] if argv is None else argv))
    if not words:
        return _without_a_verb()
    parser = _parser(words)
    try:
        arguments = parser.parse_args(words)
    except _UsageError as error:
        from controller.cli.usage_words import explained
        from controller.errors import InputError

        message, hint = explained(
            str(error),
            words,
            verbs=VERBS,
            groups=GROUPS,
            options=_Parser.options,
            examples=EXAMPLES,
        )
        return _refused(InputError.single(message, hint=hint), json="--json" in words)
    except SystemExit as ending:  # --help and --version
        return ending.code if isinstance(ending.code, int) else 0
    from controller.cli.output import Output

    output = Output(
        json=getattr(arguments, "json", False),
        fahrenheit=arguments.fahrenheit,
        format=document_format(arguments.verb),
    )
    return _run(arguments, output)


def _run(arguments: argparse.Namespace, output: Output) -> int:
    """Run one verb; turn every error a user can cause into words and an exit status."""
    from controller.errors import InputError, RungwiseError

    try:
        verb = importlib.import_module(f"controller.cli.{module_name(arguments.verb)}")
        status = int(verb.run(arguments, output))
    except RungwiseError as error:
        output.error(error)
        return int(error.exit_code)
    except RecursionError:
        output.error(InputError.single("the file is nested too deeply"))
        return 2
    except KeyboardInterrupt:
        output.warn("Interrupted; nothing was being driven.")
        return 130
    if output.lost is not None:
        output.warn(f"rungwise: standard output cannot be written: {output.lost}")
        return status or 3
    return status


def _verb_first(words: list[str]) -> list[str]:
    """Return the words with the verb first: what may stand for it or before it is put in place."""
    leading = []
    while words and words[0] in ("--json", "--fahrenheit"):
        leading.append(words.pop(0))
    if not words:
        return leading
    if words[0] == "help":
        return [*words[1:], "--help"]
    if words[0] in _UI_OPTIONS or (words[0] not in _FIRST_WORDS and os.path.isdir(words[0])):  # noqa: PTH112
        words.insert(0, "ui")
    if leading:
        end = words.index("--") if "--" in words else len(words)
        words[end:end] = leading
    return words


def whole_parser() -> argparse.ArgumentParser:
    """Return the parser with every verb loaded: for completion and the manual page."""
    return _parser(None)


def _parser(words: Sequence[str] | None) -> argparse.ArgumentParser:
    """Return the parser; only the verb that is asked for is loaded, or all of them (None)."""
    parser = _Parser(
        prog="rungwise",
        description="Put known resistances at a control module's temperature input, and judge"
        " what it reports.",
        epilog=_EPILOG,
        formatter_class=_HelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"rungwise {_version()}")
    verbs = parser.add_subparsers(dest="verb", metavar="VERB", required=True, title="verbs")
    asked = [word for word in words or () if not word.startswith("-")]
    groups: dict[str, argparse._SubParsersAction[_Parser]] = {}
    listed: set[str] = set()
    for name, summary in VERBS.items():
        group, _, word = name.rpartition(" ")
        if words is not None and name.split()[0] not in asked[:1]:
            if (group or word) not in listed:
                listed.add(group or word)
                verbs.add_parser(group or word, help=GROUPS.get(group, summary), listed_only=True)
            continue
        if group and group not in groups:
            groups[group] = verbs.add_parser(
                group,
                help=GROUPS[group],
                description=f"{_capital(GROUPS[group])}.",
                formatter_class=_HelpFormatter,
            ).add_subparsers(dest="verb", metavar="VERB", required=True, title="verbs")
        verb = (groups[group] if group else verbs).add_parser(
            word, help=summary, description=f"{_capital(summary)}.", formatter_class=_HelpFormatter
        )
        verb.set_defaults(verb=name)
        if words is None or name.split() == asked[: len(name.split())]:
            importlib.import_module(f"controller.cli.{module_name(name)}").add_arguments(verb)
            if name in EXAMPLES:
                shown = "\n".join(f"  {line}" for line in EXAMPLES[name])
                verb.epilog = "\n\n".join(filter(None, (verb.epilog, f"examples:\n{shown}")))
            if name not in _NO_DOCUMENT:
                verb.add_argument(
                    "--json", action="store_true", help="print one JSON document and nothing else"
                )
            verb.add_argument(
                "--fahrenheit", action="store_true", help="show temperatures in degF (not in JSON)"
            )
    return parser


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
    if not os.path.isdir("sweeps"):  # noqa: PTH112 - the screen opens that folder
        print("There is no folder sweeps here. An example to begin with: rungwise init FOLDER,")
        print("then rungwise FOLDER. With plans of your own here: rungwise .")
        return 0
    try:
        screen = importlib.import_module("controller.tui.start")
    except ModuleNotFoundError as missing:
        if missing.name != "controller.tui.start":
            raise
        print("The terminal UI is not part of this version; see rungwise --help.", file=sys.stderr)
        return 2
    return int(screen.main() or 0)


if __name__ == "__main__":
    sys.exit(main())
