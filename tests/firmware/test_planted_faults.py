"""Faults planted in the 8-bit port, one at a time: what looks after the board has to show each.

The tests of the port pass on the port as it is; here they are seen to fail on one that is not.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from firmware_protocol.conformance import Bench, CheckFailed
from firmware_protocol.messages import Flag

pytestmark = pytest.mark.toolchain

Powered = Callable[..., Any]


def _hang_is_told(power_up: Powered, builds: Any) -> None:
    with power_up("--loader", builds.loader("LOADER_HIDES_CAUSE"), boot_ms=120) as board:
        bench = Bench(board)
        bench.begin()
        bench.apply(bench.park_state, (4, 3000))
        since, hung_us = len(board.latched_us), board.now_us
        board.command("hang")
        board.advance(900)
        assert board.latched_us[since][0] - hung_us <= 300_000
        bench.reset()
        assert bench.status().flags == Flag.PARKED | Flag.FAULT | Flag.RESTARTED
        board.command("restart")
        board.advance(120)
        bench.reset()
        assert bench.status().flags == Flag.PARKED | Flag.RESTARTED


def _stuck_stages_are_found(power_up: Powered, _builds: Any) -> None:
    for stage, level in ((3, 0), (3, 1), (23, 0), (23, 1)):
        with power_up() as board:
            bench = Bench(board)
            bench.begin()
            bench.apply(bench.park_state, (4, 100))
            board.command(f"stick {stage} {level}")
            board.advance(50)
            assert bench.status().flags == Flag.PARKED | Flag.FAULT, (stage, level)
            assert board.latched_us[-1][1] == 0


def _broken_states_are_not_given_out(power_up: Powered, _builds: Any) -> None:
    with power_up() as board:
        bench = Bench(board)
        bench.begin()
        since = len(board.latched_us)
        board.command("stick 4 1")
        bench.ask_any(*bench.apply_body(bench.park_state, [(4, 50)]))
        board.advance(50)
        assert all(state == 0 for _, state in board.latched_us[since:])


def _spikes_of_the_supply_are_no_dips_and_dips_are(power_up: Powered, _builds: Any) -> None:
    with power_up() as board:
        bench = Bench(board)
        bench.begin()
        for _ in range(20):
            board.command("millivolts 1 100")
            board.advance(3)
            board.command("millivolts 1 4000")
            board.advance(6)  # so that looks every 4 ms come upon every part of it
        assert bench.status().flags == Flag.PARKED
        board.command("millivolts 1 1900")
        board.advance(20)
        assert bench.status().flags == Flag.PARKED | Flag.FAULT


FAULTS = [
    ("avr_watchdog.c", "MARK = MARK_BIT;", ";", _hang_is_told),
    ("avr_watchdog.c", "MARK = 0;", ";", _hang_is_told),
    ("avr_watchdog.c", "    avr_outputs_release();\n", "", _hang_is_told),
    ("avr_watchdog.c", "_BV(WDIE) | ", "", _hang_is_told),
    ("avr_watchdog.c", "(RAMEND + 1U - RAMSTART) / 2U", "8U", _hang_is_told),
    ("avr_outputs_chain.c", "return SPDR;", "return byte;", _stuck_stages_are_found),
    ("rung_chain.c", "pass(chain, 0U, 0xFFU) && ", "", _broken_states_are_not_given_out),
    ("rung_chain.c", "chain->pins->release();", ";", _stuck_stages_are_found),
    ("rung_chain.c", "return before && chain->sound;", "return true;", _stuck_stages_are_found),
    ("avr_board.c", "is_sound = outputs_sound;", ";", _stuck_stages_are_found),
    (
        "avr_analogue.c",
        "LOW_READINGS 2U",
        "LOW_READINGS 1U",
        _spikes_of_the_supply_are_no_dips_and_dips_are,
    ),
    (
        "avr_analogue.c",
        "        low = 0;",
        "        ;",
        _spikes_of_the_supply_are_no_dips_and_dips_are,
    ),
    (
        "avr_board.c",
        "is_sound = is_sound && supply_sound;",
        ";",
        _spikes_of_the_supply_are_no_dips_and_dips_are,
    ),
    (
        "avr_analogue.c",
        "SUPPLY_CHANNEL 1U",
        "SUPPLY_CHANNEL 0U",
        _spikes_of_the_supply_are_no_dips_and_dips_are,
    ),
]


def _power_up_of(boards: ModuleType, builds: Any, image: Path) -> Powered:
    @contextmanager
    def power_up(*words: Any, boot_ms: int = 20) -> Iterator[Any]:
        command = [builds.sim(), "--relays", str(builds.RELAYS), *words, image]
        with closing(boards.CommandedBoard(command, boot_ms=boot_ms)) as board:
            yield board

    return power_up


def test_the_port_as_it_is_shows_none(builds: Any, boards: ModuleType) -> None:
    power_up = _power_up_of(boards, builds, builds.avr_guarded())
    for check in {check.__name__: check for *_, check in FAULTS}.values():
        check(power_up, builds)


@pytest.mark.soak
@pytest.mark.parametrize(("name", "right", "wrong", "check"), FAULTS)
def test_a_planted_fault_shows(
    builds: Any,
    boards: ModuleType,
    make: Callable[..., str],
    firmware: Path,
    tmp_path: Path,
    name: str,
    right: str,
    wrong: str,
    check: Callable[..., None],
) -> None:
    tree = tmp_path / "firmware"
    shutil.copytree(firmware, tree, ignore=shutil.ignore_patterns("build"))
    (source,) = tree.rglob(name)
    text = source.read_text()
    assert right in text
    source.write_text(text.replace(right, wrong))
    image = tmp_path / "build" / "rungwise-avr.elf"
    flags = "DEFINES=-Wno-error -w"
    choices = ("READBACK=1", f"SUPPLY_LEAST_MV={builds.SUPPLY_LEAST_MV}", f"RELAYS={builds.RELAYS}")
    make("-C", tree, f"BUILD={image.parent}", "avr", flags, *choices)
    with pytest.raises((AssertionError, CheckFailed)):
        check(_power_up_of(boards, builds, image), builds)
