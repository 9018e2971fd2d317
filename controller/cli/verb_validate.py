"""`rungwise validate`: files of any kind, checked without driving anything."""

from __future__ import annotations

import argparse
import difflib
import re
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from controller.errors import ExitCode, InputError, Problem

if TYPE_CHECKING:
    from controller.cli.output import Output

__all__ = ["add_arguments", "run"]

_TOML_FORMAT = re.compile(r"""^\s*format\s*=\s*["'](rungwise-[a-z]+)/""", re.MULTILINE)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the verb's arguments."""
    parser.add_argument(
        "files",
        metavar="FILE",
        nargs="+",
        type=Path,
        help="a sensor, ladder, module, bench, plan, calibration or bath file, or a record",
    )


def run(arguments: argparse.Namespace, output: Output) -> int:
    """Check every file, those it names included; say what is wrong with any of them."""
    checked = []
    problems: dict[Problem, None] = {}
    for path in arguments.files:
        kind, found, notes = _check(path)
        problems.update(dict.fromkeys(found))
        for note in notes:
            output.warn(f"Note: {path}: {note}")
        checked.append(
            {
                "file": str(path),
                "kind": kind,
                "valid": not found,
                "problems": [vars(problem) for problem in found],
                "notes": list(notes),
            }
        )
        output.say(f"{path}: {kind or 'unknown'}, {'not valid' if found else 'valid'}")
    for line in dict.fromkeys(str(problem) for problem in problems):
        output.warn(f"rungwise: {line}")
    output.document({"valid": not problems, "files": checked})
    return ExitCode.BAD_INPUT if problems else ExitCode.PASS


def _check(path: Path) -> tuple[str, tuple[Problem, ...], tuple[str, ...]]:
    """Return what kind of file it is, what is wrong with it, and what is worth knowing."""
    kind = ""
    try:
        kind = _kind_of(path)
        return kind, (), _loaders()[kind](path)
    except InputError as error:
        return kind, error.problems, ()


def _kind_of(path: Path) -> str:
    from controller.regular_file import MOST_RECORD_BYTES, read_regular

    text = read_regular(path, most_bytes=MOST_RECORD_BYTES).decode("utf-8", "replace")
    text = text.removeprefix("\ufeff")
    if text.lstrip(" \n\t").startswith("{"):
        return "record"
    found = _TOML_FORMAT.search(text)
    known = [kind for kind in _loaders() if kind != "record"]
    if found is None:
        raise InputError.single(
            "this file has no format line",
            where=str(path),
            hint=f'its first line should be format = "rungwise-KIND/1", KIND one of'
            f" {', '.join(known)}",
        )
    kind = found[1].removeprefix("rungwise-")
    if kind not in known:
        near = difflib.get_close_matches(kind, known, n=1)
        hint = f"did you mean rungwise-{near[0]}?" if near else f"known: {', '.join(known)}"
        raise InputError.single(f"there are no {found[1]!r} files", where=str(path), hint=hint)
    return kind


def _loaders() -> dict[str, Callable[[Path], tuple[str, ...]]]:
    """Return what reads each kind of file and gives notes on it; all raise InputError."""
    from controller.bench.files import load_bench
    from controller.ladder.calibration import load_calibration
    from controller.ladder.files import load_ladder
    from controller.module.files import load_module
    from controller.planning.files import load_plan
    from controller.sensors.bath_file import load_bath
    from controller.sensors.files import load_sensor

    def without_notes(load: Callable[[Path], object]) -> Callable[[Path], tuple[str, ...]]:
        def loaded(path: Path) -> tuple[str, ...]:
            load(path)
            return ()

        return loaded

    return {
        "sensor": lambda path: load_sensor(path).warnings,
        "ladder": lambda path: load_ladder(path).warnings,
        "module": without_notes(load_module),
        "bench": without_notes(load_bench),
        "plan": without_notes(load_plan),
        "calibration": without_notes(load_calibration),
        "bath": without_notes(load_bath),
        "record": _record_notes,
    }


def _record_notes(path: Path) -> tuple[str, ...]:
    from controller.records.reader import load_record

    record = load_record(path)
    notes = []
    if record.torn_bytes:
        notes.append(f"{record.torn_bytes} bytes of an unfinished last line are left out")
    if record.closing is None:
        notes.append("the record was never closed; the run was cut off")
    return tuple(notes)
