"""One verb for several files: each is done, whatever comes of the others."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from controller.errors import ExitCode, RungwiseError

if TYPE_CHECKING:
    from controller.cli.output import Output

__all__ = ["for_each"]

_WORST_FIRST = (
    *(ExitCode.INTERRUPTED, ExitCode.LINK_FAULT, ExitCode.BAD_INPUT),
    *(ExitCode.FAIL, ExitCode.UNDECIDED, ExitCode.PASS),
)


def for_each(paths: Sequence[Path], one: Callable[[Path], int], output: Output) -> int:
    """Do `one` for each file; return the worst exit status.

    For a single file everything is as if it stood alone. For several, each has a heading, and the
    one JSON document is ``{"files": [...]}`` with a document, or an error, for each in order.
    """
    if len(paths) == 1:
        return one(paths[0])
    statuses = []
    with output.together("files"):
        for path in paths:
            output.say(f"== {path}")
            try:
                statuses.append(ExitCode(one(path)))
            except RungwiseError as error:
                output.error(error)
                statuses.append(error.exit_code)
    return next(status for status in _WORST_FIRST if status in statuses)
