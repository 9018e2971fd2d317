"""The command line's own sweep through every kind of endpoint: relays do the same on each.

What a board did is read from its latch record. What it should have done is what the device in
memory latches for the same plan. Time is real here, so the plan is small, and nothing depends on
how long anything takes but the times that are in the record, which are of the board's own clock.
"""

from __future__ import annotations

import json
import signal
import sys
import time
from itertools import pairwise
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

sys.path.insert(0, str(Path(__file__).parent))
from swept_boards import (
    HOLD_OFF_MS,
    LATE_MS,
    PARK,
    PATIENCE_S,
    RELAYS,
    REPLY_MS,
    TOOLS,
    Expected,
    firmware,
    in_memory,
    python_device,
    start,
)

pytestmark = [pytest.mark.toolchain, pytest.mark.pty]


@pytest.fixture(scope="module")
def expected(tmp_path_factory: pytest.TempPathFactory) -> Expected:
    return in_memory(tmp_path_factory.mktemp("memory"))


def test_the_plan_is_worth_running(expected: Expected) -> None:
    # Every step is a path of several states, and none goes to where it already is.
    assert len(expected.steps) == 5
    assert len(expected.states) > 30
    assert (expected.states[0], expected.states[-1]) == (PARK, PARK)
    ways = iter(expected.states)
    assert all(int(state, 16) in ways for state in expected.steps), "in this order"


@pytest.mark.parametrize("board", ["python", *TOOLS])
def test_the_same_sweep_latches_the_same_states(
    board: str, expected: Expected, builds: Any, boards: ModuleType, require: Any, tmp_path: Path
) -> None:
    if board == "python":
        context = python_device()
    else:
        require(*TOOLS[board])
        context = firmware(board, tmp_path, builds, boards)
    with context as answering:
        process = start(tmp_path, answering)
        out, err = process.communicate(timeout=PATIENCE_S)
        assert process.returncode == 0, err
        document = json.loads(out)
        assert [step["state"] for step in document["steps"]] == expected.steps
        states = answering.states()
        assert states == expected.states
    # The operations counted for the relays' lives are those that the board has made.
    wear = json.loads((tmp_path / "wear.json").read_text())["ladders"][
        "Bench ladder, sixteen rungs"
    ]
    moved = [a ^ b for a, b in pairwise(states)]
    assert wear == [sum(change >> relay & 1 for change in moved) for relay in range(RELAYS)]


@pytest.mark.parametrize("board", ["avr", "host"])
def test_a_host_that_is_killed_in_mid_sweep_leaves_a_board_that_parks(
    board: str,
    expected: Expected,
    builds: Any,
    boards: ModuleType,
    require: Any,
    tmp_path: Path,
) -> None:
    """Times are the board's own; the hold-off counts from the last request that it answered."""
    require(*TOOLS[board])
    second = expected.states.index(int(expected.steps[1], 16))
    with firmware(board, tmp_path, builds, boards, replies=True) as answering:
        process = start(tmp_path, answering)
        end_s = time.monotonic() + PATIENCE_S
        while len(answering.states()) <= second:
            assert process.poll() is None, process.communicate()
            assert time.monotonic() < end_s, "the sweep never came to its second step"
            time.sleep(0.005)
        process.send_signal(signal.SIGKILL)
        killed_s = time.monotonic()
        process.communicate(timeout=PATIENCE_S)
        while answering.states()[-1] != PARK:
            assert time.monotonic() < end_s, "the board did not park"
            time.sleep(0.005)
        parked_after_s = time.monotonic() - killed_s
        time.sleep(0.2)  # and it stays so
        states, latches, sent_us = answering.states(), answering.latches(), answering.sent_us()
    assert states[:-1] == expected.states[: len(states) - 1], "another way than the sweep's"
    assert PARK not in states[1:-1]
    assert latches[-1][1] == PARK
    after_ms = (latches[-1][0] - sent_us[-1]) / 1000
    # Shown with -s; the second one is the host's clock, and nothing is asserted of it.
    board_told = f"parked {after_ms:.2f} ms after the last reply"
    print(f"{board}: {board_told}, {parked_after_s:.2f} s after the kill")
    assert HOLD_OFF_MS - REPLY_MS <= after_ms <= HOLD_OFF_MS + LATE_MS
