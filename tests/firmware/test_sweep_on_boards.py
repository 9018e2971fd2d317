"""The command line's own sweep through every kind of endpoint: relays do the same on each.

What a board did is read from its latch record. What it should have done is what the device in
memory latches for the same plan. Time is real here, so the plan is small, and nothing depends on
how long anything takes but the times that are in the record, which are of the board's own clock.
"""

from __future__ import annotations

import io
import json
import os
import signal
import subprocess
import sys
import time
import tomllib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from controller.bench.simulation import Simulation
from controller.cli.main import main
from controller.clock import RealClock
from controller.links.pty_device import PtyDevice
from controller.links.simulated import SimulatedDevice

pytestmark = [pytest.mark.toolchain, pytest.mark.pty]

REPOSITORY = Path(__file__).parents[2]
SWEEPS = REPOSITORY / "sweeps"
PARK = 0
RELAYS = 18
PATIENCE_S = 120
HOLD_OFF_MS = 1000
LATE_MS = 2
"""SPEC.md section 7: how late by its own clock a board may park when its hold-off has run out."""
REPLY_MS = 5
"""The record shows when a reply had gone out. The hold-off was fed before that, and is counted in
whole milliseconds: 30 bytes at 115200 baud take 2.6 ms, and the running millisecond one more."""

PLAN = f"""
format = "rungwise-plan/1"
name = "Few points, up and down"
kind = "sweep"
sensor = "{SWEEPS}/sensors/tern-coolant.toml"
module = "module.toml"
tolerance_celsius = 5
max_excursion_celsius = 40

[settle]
within_celsius = 0.5
for_s = 0.2
at_most_s = 20

[[targets]]
celsius = [-20, 40, 105]
direction = "up-then-down"
"""

BENCH = f"""
format = "rungwise-bench/1"
name = "Emulated board"
ladder = "{SWEEPS}/ladders/bench-16.toml"
hold_off_ms = {HOLD_OFF_MS}

[link]
LINK

[readback]
kind = "simulated"

[simulation]
module = "module.toml"
seed = 1
reading_interval_s = 0.1
"""

TOOLS = {
    "host": ("gcc", "make"),
    "avr": ("gcc", "avr-gcc", "make"),
    "arm": ("arm-none-eabi-gcc", "qemu-system-arm", "make"),
}


def _changes(states: list[int]) -> list[int]:
    """Return states without those that change nothing."""
    return [state for i, state in enumerate(states) if not i or state != states[i - 1]]


@dataclass(frozen=True)
class Board:
    """Something that answers at `path`, and what it has latched: (microseconds, state)."""

    path: str
    latches: Callable[[], list[tuple[int, int]]]
    sent_us: Callable[[], list[int]]
    """When each reply had gone out; boards of our own choice only."""

    def states(self) -> list[int]:
        return _changes([state for _, state in self.latches()])


@contextmanager
def _firmware(
    board: str,
    folder: Path,
    builds: Any,
    boards: ModuleType,
    *,
    replies: bool = False,
    millivolts: int = 0,
    wired: Path | None = None,
) -> Iterator[Board]:
    record = folder / "latches.txt"
    launcher = Path(__file__).with_name("emulated_board.py")
    process = subprocess.Popen(
        [
            *(sys.executable, launcher, "--board", board, "--record", record),
            *("--build", builds.folder / "launcher", *(["--replies"] if replies else [])),
            *("--input", str(millivolts)),
            *(() if wired is None else ("--wired", str(wired))),
        ],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    )
    assert process.stdout is not None

    def lines(word: str) -> list[str]:
        told = record.read_text()
        whole = told[: told.rfind("\n") + 1].splitlines()
        return [line for line in whole if line.startswith(word + " ")]

    try:
        path = next(line.split()[1] for line in process.stdout if line.startswith("pty "))
        yield Board(
            path,
            lambda: [boards.parse_latch(line)[:2] for line in lines("latch")],
            lambda: [int(line.split()[1]) for line in lines("sent")],
        )
    finally:
        process.terminate()
        process.stdout.close()
        assert process.wait(timeout=PATIENCE_S) == 0


@contextmanager
def _python_device() -> Iterator[Board]:
    latched: list[tuple[int, int]] = []
    device = SimulatedDevice(
        relay_count=RELAYS,
        park_state=PARK,
        clock=RealClock(),
        on_latch=lambda at_s, state: latched.append((round(at_s * 1e6), state)),
    )
    with PtyDevice(device) as served:
        yield Board(served.path, lambda: list(latched), list)


def _written(folder: Path, link: str) -> list[str]:
    """Write plan, bench and a module that answers soon; return the words of the command line."""
    module = (SWEEPS / "modules" / "tern-aux-diesel.toml").read_text("utf-8")
    for before, after in (
        ("filter_time_constant_s = 0.15", "filter_time_constant_s = 0.01"),
        ("../sensors", f"{SWEEPS}/sensors"),
    ):
        assert module.count(before) == 1
        module = module.replace(before, after)
    (folder / "module.toml").write_text(module, "utf-8")
    (folder / "plan.toml").write_text(PLAN)
    (folder / "bench.toml").write_text(BENCH.replace("LINK", link))
    plan, bench, record = (str(folder / name) for name in ("plan.toml", "bench.toml", "run.jsonl"))
    return ["sweep", plan, "--bench", bench, "--record", record, "--json"]


def _begun(folder: Path, words: list[str]) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "controller.cli", *words, "--yes", "--pace", "real"],
        cwd=folder,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": str(REPOSITORY), "RUNGWISE_DATA": str(folder)},
    )


def _start(folder: Path, board: Board) -> subprocess.Popen[str]:
    """Start the command line on a board, as on a real one."""
    words = _written(folder, f'kind = "serial"\nurl = "{board.path}"')
    return _begun(folder, words)


@dataclass(frozen=True)
class Expected:
    """What the device in memory latched, and what the run said of its steps."""

    states: list[int]
    steps: list[str]


@pytest.fixture(scope="module")
def expected(tmp_path_factory: pytest.TempPathFactory) -> Expected:
    folder = tmp_path_factory.mktemp("memory")
    states: list[int] = []
    with pytest.MonkeyPatch.context() as patch:
        latched = Simulation.latched

        def listening(self: Simulation, at_s: float, state: int) -> None:
            states.append(state)
            latched(self, at_s, state)

        patch.setattr(Simulation, "latched", listening)
        said = io.StringIO()
        patch.setattr(sys, "stdout", said)
        assert main(_written(folder, 'kind = "simulated"')) == 0
    document = json.loads(said.getvalue())
    return Expected(_changes(states), [step["state"] for step in document["steps"]])


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
        context = _python_device()
    else:
        require(*TOOLS[board])
        context = _firmware(board, tmp_path, builds, boards)
    with context as answering:
        process = _start(tmp_path, answering)
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
    with _firmware(board, tmp_path, builds, boards, replies=True) as answering:
        process = _start(tmp_path, answering)
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


# Two boards in one run

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
    words = _written(folder, f'kind = "serial"\nurl = "{first.path}"')
    plan, bench = folder / "plan.toml", folder / "bench.toml"
    plan.write_text(PLAN + SECOND_INPUT)
    text = bench.read_text().replace(f"= {HOLD_OFF_MS}", f"= {PAIR_HOLD_OFF_MS}")
    bench.write_text(text + SECOND_LADDER.replace("PORT", second.path))
    return _begun(folder, words)


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
        _firmware("host", places[0], builds, boards, replies=True) as first,
        _firmware("host", places[1], builds, boards, replies=True) as second,
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
    contexts = [_firmware("host", place, builds, boards, replies=True) for place in places]
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


SENSED_BENCH = f"""format = "rungwise-bench/1"
ladder = "{SWEEPS}/ladders/bench-16.toml"
link = LINK
readback.kind = "READBACK"
sense = {{ load_ohms = 1e7, volts_per_volt = 2 }}
"""


def _sensed_self_test(folder: Path, board: Board) -> tuple[int, Any]:
    """Run the self-test on a board by its own converter, as on a real one."""
    link = f'{{ kind = "serial", url = "{board.path}" }}'
    text = SENSED_BENCH.replace("LINK", link).replace("READBACK", "typed")
    (folder / "bench.toml").write_text(text)
    words = ["ladder", "self-test", "--bench", "bench.toml", "--by", "sense", "--yes", "--json"]
    module = ["--module", str(SWEEPS / "modules" / "tern-aux-diesel.toml")]
    done = subprocess.run(
        [sys.executable, "-m", "controller.cli", *words, *module],
        cwd=folder,
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        env={**os.environ, "PYTHONPATH": str(REPOSITORY), "RUNGWISE_DATA": str(folder)},
        timeout=PATIENCE_S,
    )
    assert done.stdout, done.stderr
    return done.returncode, json.loads(done.stdout)


@pytest.mark.soak
@pytest.mark.parametrize("board", ["host", "avr"])
def test_a_self_test_by_the_boards_own_converter_finds_a_ladder_that_is_not_wired_up(
    board: str, builds: Any, boards: ModuleType, require: Any, tmp_path: Path
) -> None:
    """The converter sees 5 V behind a divider by two, whatever is set: an output never connected.

    Both ports convert with 10 bits of 5 V; relays 16 and 17 of this ladder isolate and short.
    """
    require(*TOOLS[board])
    with _firmware(board, tmp_path, builds, boards, millivolts=2500) as served:
        status, found = _sensed_self_test(tmp_path, served)
        states = served.states()
    assert status == 1
    assert [fault["kind"] for fault in found["faults_found"]] == ["stuck-relay", "stuck-relay"]
    assert "relay 16 stays at rest; relay 17 stays at rest" in found["sentence"]
    assert {1 << relay for relay in range(RELAYS)} <= set(states)
    assert states[-1] == PARK


@pytest.mark.soak
@pytest.mark.parametrize("broken", [None, 13], ids=["sound", "relay 13 broken"])
def test_a_self_test_by_the_converter_of_an_emulated_chip(
    broken: int | None, builds: Any, boards: ModuleType, require: Any, tmp_path: Path
) -> None:
    """The chip's input follows the ladder: a divider of 5 V and 2490 ohm, by Ohm's law.

    The ladder is added up here from its file: rungs in series that a relay bypasses.
    """
    require(*TOOLS["avr"])
    ladder = tomllib.loads((SWEEPS / "ladders" / "bench-16.toml").read_text())
    contact, isolate, short = 0.05, 1 << 16, 1 << 17
    [group] = ladder["group"]
    assert (ladder["output"]["isolate_relay"], ladder["output"]["short_relay"]) == (16, 17)

    def millivolts(state: int) -> int:
        if broken is not None:
            state &= ~(1 << broken)
        ohms = (
            ladder["lead_ohms"]
            + contact
            + sum(
                contact if state >> rung["relay"] & 1 else rung["ohms"] for rung in group["rungs"]
            )
        )
        if state & short:
            ohms = contact if not state & isolate else ohms * contact / (ohms + contact)
        elif not state & isolate:
            return 2500
        return round(2500 * ohms / (ohms + 2490))

    states = [*_states_of_self_test(tmp_path), *(1 << relay for relay in range(RELAYS)), PARK]
    wired = tmp_path / "wired.txt"
    wired.write_text(
        "".join(f"{state:05x} {millivolts(state)}\n" for state in dict.fromkeys(states))
    )
    with _firmware("avr", tmp_path, builds, boards, millivolts=2500, wired=wired) as served:
        status, found = _sensed_self_test(tmp_path, served)
    if broken is None:
        assert (status, found["faults_found"], found["unexplained"]) == (0, [], []), found[
            "sentence"
        ]
    else:
        assert status == 1
        assert "relay 13 stays at rest" in found["sentence"]


def _states_of_self_test(folder: Path) -> list[int]:
    """Return every state that the device in memory latches in a self-test of a sound ladder."""
    states: list[int] = []
    simulation = f'simulation.module = "{SWEEPS}/modules/tern-aux-diesel.toml"\n'
    text = SENSED_BENCH.replace("LINK", '{ kind = "simulated" }').replace("READBACK", "simulated")
    head, mark, rest = text.partition("sense = ")
    (folder / "memory.toml").write_text(head + simulation + mark + rest)
    with pytest.MonkeyPatch.context() as patch:
        latched = Simulation.latched

        def listening(self: Simulation, at_s: float, state: int) -> None:
            states.append(state)
            latched(self, at_s, state)

        patch.setattr(Simulation, "latched", listening)
        bench = str(folder / "memory.toml")
        assert main(["ladder", "self-test", "--bench", bench, "--by", "sense"]) == 0
    return states
