"""`rungwise report`: records as a report to hand over, plain text or one HTML page."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from controller.errors import ExitCode, InputError
from controller.new_file import write_new

if TYPE_CHECKING:
    from controller.cli.output import Output
    from controller.reports.told import Attached, Told

__all__ = ["add_arguments", "run"]

_PAGES = frozenset({".html", ".htm"})
_MOST_CHECK_BYTES = 1_000_000
_PAGE_ONLY = ("operator", "machine", "note", "codes_before", "codes_after", "check")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the verb's arguments."""
    parser.add_argument(
        "records",
        metavar="RECORD",
        nargs="+",
        type=Path,
        help="record of a run; several are compared with the first, on an HTML page",
    )
    parser.add_argument(
        "--output",
        metavar="FILE",
        type=Path,
        help="write to a new file, not standard output; a name in .html makes a page with pictures",
    )
    page = parser.add_argument_group("added to an HTML page, beside what the record holds")
    page.add_argument("--operator", metavar="NAME", default="", help="who made the run")
    page.add_argument("--machine", metavar="NAME", default="", help="what the module belongs to")
    page.add_argument(
        "--note", metavar="TEXT", action="append", default=[], help="a remark; may be repeated"
    )
    page.add_argument("--codes-before", metavar="TEXT", default="", help="fault codes before")
    page.add_argument("--codes-after", metavar="TEXT", default="", help="fault codes after")
    page.add_argument(
        "--check",
        metavar="FILE",
        type=Path,
        action="append",
        default=[],
        help="what `sensor check` or `ladder check` printed, to go with it; may be repeated",
    )


def run(arguments: argparse.Namespace, output: Output) -> int:
    """Print or write the report."""
    from controller.cli.gather import gathered
    from controller.records.decode import plan_of, results_of
    from controller.records.encode import result_fields
    from controller.records.reader import load_record

    target: Path | None = arguments.output
    page = target is not None and target.suffix.lower() in _PAGES
    if not page:
        _refuse_for_text(arguments)
    records = gathered(load_record, arguments.records)
    if page:
        from controller.session.handover import page_of

        text = page_of(records, _told(arguments), fahrenheit=arguments.fahrenheit)
    else:
        from controller.reports.text import report_text

        text = report_text(records[0], fahrenheit=arguments.fahrenheit)
    if target is not None:
        write_new(target, text)
        output.say(f"Written to {target}.")
    elif not output.json:
        output.raw(text)
    paths = [str(path) for path in arguments.records]
    if output.json:
        first = records[0]
        plan, closing = plan_of(first), first.closing or {}
        output.document(
            {
                "record": paths[0],
                "records": paths,
                "plan": plan.name,
                "began_utc": first.opening["utc"],
                "verdict": closing.get("verdict"),
                "ended": closing.get("ended"),
                "sentence": closing.get("sentence"),
                "steps": [result_fields(one, plan.state_digits) for one in results_of(first)],
                "report": text,
            }
        )
    return ExitCode.PASS


def _refuse_for_text(arguments: argparse.Namespace) -> None:
    hint = "write a page: --output FILE.html"
    if len(arguments.records) > 1:
        raise InputError.single("a text report is of one record", where="RECORD", hint=hint)
    for name in _PAGE_ONLY:
        if getattr(arguments, name):
            option = f"--{name.replace('_', '-')}"
            raise InputError.single("only an HTML page has a place for it", where=option, hint=hint)


def _told(arguments: argparse.Namespace) -> Told:
    from controller.cli.gather import gathered
    from controller.reports.told import Told

    return Told(
        operator=arguments.operator,
        machine=arguments.machine,
        notes=tuple(arguments.note),
        codes_before=arguments.codes_before,
        codes_after=arguments.codes_after,
        checks=tuple(gathered(_attached, arguments.check)),
    )


def _attached(path: Path) -> Attached:
    """Read a check's text. Raises InputError."""
    import hashlib

    from controller.regular_file import read_regular
    from controller.reports.html import Attached

    data = read_regular(path, most_bytes=_MOST_CHECK_BYTES)
    return Attached(
        name=path.name,
        sha256=hashlib.sha256(data).hexdigest(),
        text=data.decode("utf-8", errors="replace"),
    )
