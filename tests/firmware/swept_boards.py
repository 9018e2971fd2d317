"""What is driven in tests of whole runs on boards: a plan, benches, boards that note their latches.

Time is real here, so the plan is small, and nothing depends on how long anything takes but the
times that are in the record, which are of the board's own clock.
"""

from __future__ import annotations

import io
import json
import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from controller.bench.simulation import Simulation
from controller.cli.main import main
from controller.clock import RealClock
from controller.links.pty_device import PtyDevice
from controller.links.simulated import SimulatedDevice
from tests.quick_module import write_quick_module

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


def changes(states: list[int]) -> list[int]:
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
        return changes([state for _, state in self.latches()])


@contextmanager
def firmware(
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
def python_device() -> Iterator[Board]:
    latched: list[tuple[int, int]] = []
    device = SimulatedDevice(
        relay_count=RELAYS,
        park_state=PARK,
        clock=RealClock(),
        on_latch=lambda at_s, state: latched.append((round(at_s * 1e6), state)),
    )
    with PtyDevice(device) as served:
        yield Board(served.path, lambda: list(latched), list)


def written(folder: Path, link: str) -> list[str]:
    """Write plan, bench and a module that answers soon; return the words of the command line."""
    write_quick_module(folder / "module.toml")
    (folder / "plan.toml").write_text(PLAN)
    (folder / "bench.toml").write_text(BENCH.replace("LINK", link))
    plan, bench, record = (str(folder / name) for name in ("plan.toml", "bench.toml", "run.jsonl"))
    return ["sweep", plan, "--bench", bench, "--record", record, "--json"]


def begun(folder: Path, words: list[str]) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "controller.cli", *words, "--yes", "--pace", "real"],
        cwd=folder,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": str(REPOSITORY), "RUNGWISE_DATA": str(folder)},
    )


def start(folder: Path, board: Board) -> subprocess.Popen[str]:
    """Start the command line on a board, as on a real one."""
    words = written(folder, f'kind = "serial"\nurl = "{board.path}"')
    return begun(folder, words)


@dataclass(frozen=True)
class Expected:
    """What the device in memory latched, and what the run said of its steps."""

    states: list[int]
    steps: list[str]


def states_in_memory(words: list[str]) -> list[int]:
    """Carry out a command line on the device in memory; return what it latches."""
    states: list[int] = []
    with pytest.MonkeyPatch.context() as patch:
        latched = Simulation.latched

        def listening(self: Simulation, at_s: float, state: int) -> None:
            states.append(state)
            latched(self, at_s, state)

        patch.setattr(Simulation, "latched", listening)
        assert main(words) == 0
    return states


def in_memory(folder: Path) -> Expected:
    """Run the sweep on the device in memory."""
    said = io.StringIO()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(sys, "stdout", said)
        states = states_in_memory(written(folder, 'kind = "simulated"'))
    document = json.loads(said.getvalue())
    return Expected(changes(states), [step["state"] for step in document["steps"]])
