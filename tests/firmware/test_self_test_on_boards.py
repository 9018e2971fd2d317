"""A ladder that tests itself by the converter of its own board."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tomllib
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

sys.path.insert(0, str(Path(__file__).parent))
from swept_boards import (
    PARK,
    PATIENCE_S,
    RELAYS,
    REPOSITORY,
    SWEEPS,
    TOOLS,
    Board,
    firmware,
    states_in_memory,
)

pytestmark = [pytest.mark.toolchain, pytest.mark.pty]


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
    with firmware(board, tmp_path, builds, boards, millivolts=2500) as served:
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
    with firmware("avr", tmp_path, builds, boards, millivolts=2500, wired=wired) as served:
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
    simulation = f'simulation.module = "{SWEEPS}/modules/tern-aux-diesel.toml"\n'
    text = SENSED_BENCH.replace("LINK", '{ kind = "simulated" }').replace("READBACK", "simulated")
    head, mark, rest = text.partition("sense = ")
    (folder / "memory.toml").write_text(head + simulation + mark + rest)
    bench = str(folder / "memory.toml")
    return states_in_memory(["ladder", "self-test", "--bench", bench, "--by", "sense"])
