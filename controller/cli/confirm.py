"""The cautions, shown and confirmed before real relays move.

Knows: who is asked, and what happens when nobody can answer.
Must not know: the wording of the cautions, how anything is driven.
"""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

from controller.cautions import CAUTIONS_TITLE, cautions_with, short_circuit_sentence
from controller.errors import InputError

if TYPE_CHECKING:
    from controller.cli.output import Output

__all__ = ["confirm_cautions"]


def confirm_cautions(
    output: Output,
    *,
    amperes: float | None,
    watts: float | None,
    yes: bool,
    first: tuple[str, ...] = (),
    of_bench: tuple[str, ...] = (),
) -> None:
    """Show the cautions and wait for a yes; `yes` means that it was given beforehand.

    `first` are cautions of the job itself, which come before all others, `of_bench` those of the
    bench's own ladder.

    Raises InputError, with nothing driven, when the answer is anything else or when there is no
    terminal to ask on.
    """
    import textwrap

    output.warn(f"{CAUTIONS_TITLE}:")
    for caution in (*first, *cautions_with(of_bench), short_circuit_sentence(amperes, watts)):
        for line in textwrap.wrap(caution, 78, initial_indent="- ", subsequent_indent="  "):
            output.warn(line)
    if yes:
        return
    if not sys.stdin.isatty():
        raise InputError.single(
            "real equipment is driven only after the cautions have been confirmed",
            hint="there is no terminal to ask on: add --yes when they have been read",
        )
    output.warn("Type yes when all of this holds; anything else drives nothing.")
    if sys.stdin.readline().strip().lower() not in ("yes", "y"):
        raise InputError.single("not confirmed; nothing was driven")
