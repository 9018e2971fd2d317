"""A host at a board that finds something wrong with itself, over a real pseudo-terminal."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from controller.errors import LinkError
from controller.links.base import PathStep
from controller.links.serial import serial_link

pytestmark = [pytest.mark.toolchain, pytest.mark.pty]

LOOKED_S = 0.3
"""Longer than the 16 ms after which the board has looked, however busy the machine is."""


@pytest.fixture
def board(builds: Any, boards: ModuleType, tmp_path: Path) -> Iterator[Any]:
    command = [builds.sim(), "--relays", str(builds.RELAYS), builds.avr_guarded()]
    with closing(boards.PtyBoard(command, tmp_path / "record")) as powered:
        yield powered


def _wait_for(happened: Callable[[], bool]) -> None:
    end_s = time.monotonic() + 30
    while not happened():
        assert time.monotonic() < end_s, "it never came"
        time.sleep(0.01)


@pytest.mark.parametrize(
    ("breaks", "mends"),
    [("stick 9 1", "mend"), ("millivolts 1 1500", "millivolts 1 4000")],
    ids=["stuck stage", "supply dip"],
)
def test_fault_ends_a_hold_and_works_again_when_it_is_gone(
    board: Any, breaks: str, mends: str
) -> None:
    with closing(serial_link(board.path)) as link:
        link.open(hold_off_ms=20_000)
        link.apply([PathStep(state=0x4, hold_ms=20)])
        assert link.feed().state == 0x4
        board.command(breaks)
        _wait_for(lambda: board.latches()[-1][1] == 0)
        with pytest.raises(LinkError, match="the board reports a fault"):
            link.feed()

        def open_and_drive() -> None:
            link.open()
            time.sleep(LOOKED_S)
            link.apply([PathStep(state=0x4, hold_ms=20)])

        # A fault that is still there is found again at once: nothing can be driven.
        with pytest.raises(LinkError, match="the board reports a fault"):
            open_and_drive()
        assert board.latches()[-1][1] == 0
        board.command(mends)
        time.sleep(LOOKED_S)
        link.open()
        link.apply([PathStep(state=0x200, hold_ms=20)])
        assert link.feed().state == 0x200
        assert board.latches()[-1][1] == 0x200
