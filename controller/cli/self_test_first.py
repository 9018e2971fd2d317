"""The self-test before a run, from the command line: what is said and asked around it.

Knows: in which order a person is told and asked.
Must not know: how a ladder is tested, what refuses a run.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

from controller.cli.signals import stopping_by
from controller.cli.watch_input import Teller
from controller.errors import InputError
from controller.run.model import Ending, RunSummary
from controller.session.self_test_first import (
    begin_self_test,
    caution_before,
    self_test_note,
    unplugs_module,
    way_before,
)
from controller.session.session import Session

if TYPE_CHECKING:
    from controller.cli.output import Output
    from controller.session.prepared import Prepared

__all__ = ["require_somebody", "test_first"]


def require_somebody(prepared: Prepared) -> None:
    """Raise InputError where nobody is there to plug the module in after the test."""
    if unplugs_module(prepared) and not sys.stdin.isatty():
        raise InputError.single(
            "the meter tests the ladder unplugged from the module, and nobody is there to plug it"
            " in again",
            where="--self-test",
            hint="run rungwise ladder self-test by itself before, or describe the board's own"
            " voltage input in [sense]",
        )


def test_first(
    prepared: Prepared, output: Output, *, record: Path, despite: bool
) -> tuple[str | None, RunSummary]:
    """Test the ladder; return what the run's record is to say, None where the test was stopped.

    Raises LinkError where the run is refused.
    """
    by_hand = unplugs_module(prepared)
    if (caution := caution_before(prepared)) is not None:
        output.warn(caution)
    output.warn(f"Self-test of the ladder, by {way_before(prepared).value}:")
    if by_hand:
        _wait_for(output, "Unplug the ladder from the module, connect the meter, press Enter.")
    setup = begin_self_test(prepared, record=record)
    teller = Teller(output, setup, bell=False)
    with Session(setup, write=output.warn) as session:
        with stopping_by(session.stop):
            for event in session.events():
                teller.take(event)
        summary = session.summary
        assert summary is not None  # noqa: S101 - a run ends with its summary
        output.warn(f"Self-test {summary.verdict.value}: {summary.sentence}")
        if summary.ended is Ending.STOPPED:
            return None, summary
        said = self_test_note(session, despite=despite)
    if by_hand:
        _wait_for(output, "Disconnect the meter, plug the ladder into the module, press Enter.")
    return said, summary


def _wait_for(output: Output, text: str) -> None:
    output.warn(text)
    if not sys.stdin.readline():
        raise InputError.single("nobody answered; the run was not begun", where="--self-test")
