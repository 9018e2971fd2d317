"""Two boards in one run: both are driven, read and parked together, whatever becomes of one."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
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
    PLAN,
    REPLY_MS,
    SWEEPS,
    TOOLS,
    Board,
    Expected,
    begun,
    firmware,
    in_memory,
    written,
)

pytestmark = [pytest.mark.toolchain, pytest.mark.pty]


@pytest.fixture(scope="module")
def expected(tmp_path_factory: pytest.TempPathFactory) -> Expected:
    return in_memory(tmp_path_factory.mktemp("memory"))


PAIR_HOLD_OFF_MS = 2000
SECOND_INPUT = f"""
[second]
input = "air"
sensor = "{SWEEPS}/sensors/tern-air.toml"
module = "{SWEEPS}/modules/tern-aux-diesel-air.toml"
hold_celsius = 20
tolerance_celsius = 5
"""
SECOND_LADDER = f"""
[second]
ladder = "{SWEEPS}/ladders/bench-16.toml"
hold_off_ms = {PAIR_HOLD_OFF_MS}
[second.link]
kind = "serial"
url = "PORT"
[second.readback]
kind = "simulated"
[second.simulation]
module = "{SWEEPS}/modules/tern-aux-diesel-air.toml"
seed = 2
reading_interval_s = 0.1
"""


def _start_pair(folder: Path, first: Board, second: Board) -> subprocess.Popen[str]:
    words = written(folder, f'kind = "serial"\nurl = "{first.path}"')
    plan, bench = folder / "plan.toml", folder / "bench.toml"
    plan.write_text(PLAN + SECOND_INPUT)
    text = bench.read_text().replace(f"= {HOLD_OFF_MS}", f"= {PAIR_HOLD_OFF_MS}")
    bench.write_text(text + SECOND_LADDER.replace("PORT", second.path))
    return begun(folder, words)


def _until(fact: Callable[[], bool], what: str) -> None:
    end_s = time.monotonic() + PATIENCE_S
    while not fact():
        assert time.monotonic() < end_s, what
        time.sleep(0.005)


@contextmanager
def _two_boards(folder: Path, builds: Any, boards: ModuleType) -> Iterator[tuple[Board, Board]]:
    places = folder / "first", folder / "second"
    for place in places:
        place.mkdir()
    with (
        firmware("host", places[0], builds, boards, replies=True) as first,
        firmware("host", places[1], builds, boards, replies=True) as second,
    ):
        yield first, second


@pytest.mark.soak
def test_two_boards_are_driven_read_and_parked_together(
    expected: Expected, builds: Any, boards: ModuleType, require: Any, tmp_path: Path
) -> None:
    require(*TOOLS["host"])
    with _two_boards(tmp_path, builds, boards) as (first, second):
        out, err = _start_pair(tmp_path, first, second).communicate(timeout=PATIENCE_S)
        assert out, err
        document = json.loads(out)
        assert document["verdict"] == "pass", err
        assert [step["state"] for step in document["steps"]] == expected.steps
        assert first.states() == expected.states
        held = {step["second"]["state"] for step in document["steps"]}
        assert len(held) == 1
        assert int(held.pop(), 16) in second.states()
        assert second.states()[-1] == PARK
        assert [step["second"]["reported_celsius"] for step in document["steps"]] == [20.0] * 5


@pytest.mark.soak
def test_two_boards_of_a_host_that_is_killed_both_park(
    builds: Any, boards: ModuleType, require: Any, tmp_path: Path
) -> None:
    require(*TOOLS["host"])
    with _two_boards(tmp_path, builds, boards) as (first, second):
        process = _start_pair(tmp_path, first, second)
        _until(lambda: len(second.states()) > 3 and len(first.states()) > 15, "no second step")
        process.send_signal(signal.SIGKILL)
        process.communicate(timeout=PATIENCE_S)
        for board in (first, second):
            assert board.states()[-1] != PARK, "killed too late"
        for board in (first, second):
            _until(lambda board=board: board.states()[-1] == PARK, "a board did not park")
            after_ms = (board.latches()[-1][0] - board.sent_us()[-1]) / 1000
            print(f"parked {after_ms:.2f} ms after the last reply")
            assert PAIR_HOLD_OFF_MS - REPLY_MS <= after_ms <= PAIR_HOLD_OFF_MS + LATE_MS


@pytest.mark.soak
@pytest.mark.parametrize("gone", [0, 1])
def test_when_one_board_goes_the_other_is_parked_at_once(
    gone: int, builds: Any, boards: ModuleType, require: Any, tmp_path: Path
) -> None:
    require(*TOOLS["host"])
    places = tmp_path / "first", tmp_path / "second"
    for place in places:
        place.mkdir()
    contexts = [firmware("host", place, builds, boards, replies=True) for place in places]
    pair = [context.__enter__() for context in contexts]
    try:
        process = _start_pair(tmp_path, *pair)
        _until(lambda: len(pair[1].states()) > 3 and len(pair[0].states()) > 15, "no second step")
        contexts[gone].__exit__(None, None, None)  # its port is gone with it
        out, _ = process.communicate(timeout=PATIENCE_S)
        stays = pair[1 - gone]
        parked_us, last_us = stays.latches()[-1][0], stays.sent_us()[-1]
    finally:
        contexts[1 - gone].__exit__(None, None, None)
    document = json.loads(out)
    assert process.returncode == 3
    names = ("first input", "air")
    assert f"{names[gone]}, " in document["faults"][0]["message"]
    assert f"{names[1 - gone]}: the ladder is parked" in document["sentence"]
    assert f"{names[gone]}: the relay state is unknown" in document["sentence"]
    assert stays.states()[-1] == PARK
    assert parked_us <= last_us, "told to park, and it acknowledged that: no hold-off ran out"
