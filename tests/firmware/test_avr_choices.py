"""What a builder of an 8-bit board may choose: senses, boot loaders, chips, baud rates.

Each choice is built and run on the emulated chip; time is commanded.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import closing
from types import ModuleType
from typing import Any

import pytest

from firmware_protocol.conformance import CHECKS, Bench, Result, run_check
from firmware_protocol.messages import (
    Clear,
    ClearReply,
    ErrorCode,
    Flag,
    Identify,
    IdentifyReply,
    Kind,
    Sense,
    SenseReply,
)

pytestmark = pytest.mark.toolchain

READBACK_MS = 16
"""How often the board reads its chain back."""
DIP_MS = 8
"""A supply that is low for two readings, 4 ms apart, has dipped."""
REFRESH_MS = 25
"""A finding is told in the next status; simavr takes 0.1 ms for each byte of the bus."""


# --- the chain read back --------------------------------------------------------------------------


@pytest.mark.parametrize("level", [0, 1])
@pytest.mark.parametrize("stage", [0, 2, 9, 17, 23])
def test_a_stuck_stage_is_a_fault_while_relays_are_held(
    avr: Callable[..., Any], builds: Any, stage: int, level: int
) -> None:
    with avr(builds.avr_guarded()) as board:
        bench = Bench(board)
        bench.begin()
        bench.apply(bench.park_state, (0x2AAA4, 100))
        board.advance(200)
        assert bench.status().flags == Flag(0)
        since = len(board.latched_us)
        board.command(f"stick {stage} {level}")
        board.advance(READBACK_MS + REFRESH_MS)
        assert bench.status().flags == Flag.PARKED | Flag.FAULT
        # Nothing that a broken chain holds was ever given out: the outputs were switched off.
        assert {state for _, state in board.latched_us[since:]} == {0}


def test_a_state_that_the_chain_does_not_hold_is_never_given_out(
    avr: Callable[..., Any], builds: Any
) -> None:
    with avr(builds.avr_guarded()) as board:
        bench = Bench(board)
        bench.begin()
        since = len(board.latched_us)
        board.command("stick 4 1")
        bench.apply_body(bench.park_state, [(4, 1)])
        bench.ask_any(*bench.apply_body(bench.park_state, [(4, 50)]))
        board.advance(READBACK_MS + REFRESH_MS)
        assert Flag.FAULT in bench.status().flags
        assert all(state == 0 for _, state in board.latched_us[since:])


def test_a_chain_that_is_not_there_is_a_fault_from_the_start(
    avr: Callable[..., Any], builds: Any
) -> None:
    # Registers for eight relays where the firmware has eighteen: they come out too early.
    with avr(builds.avr_guarded(), "--relays", "8") as board:
        board.advance(READBACK_MS + REFRESH_MS)
        bench = Bench(board)
        bench.identify()
        assert Flag.FAULT in bench.status().flags


def test_a_mended_chain_works_again_once_the_fault_is_cleared(
    avr: Callable[..., Any], builds: Any
) -> None:
    with avr(builds.avr_guarded()) as board:
        bench = Bench(board)
        bench.begin()
        board.command("stick 9 1")
        board.advance(READBACK_MS + REFRESH_MS)
        # It persists, so it comes back however often it is cleared, and nothing moves.
        for _ in range(3):
            bench.ask_for(Clear(flags=Flag.FAULT), ClearReply)
            board.advance(READBACK_MS + REFRESH_MS)
            assert Flag.FAULT in bench.status().flags
        bench.refused(*bench.apply_body(bench.park_state, [(4, 1)]), ErrorCode.INTERLOCKED)
        board.command("mend")
        board.advance(READBACK_MS + REFRESH_MS)
        bench.ask_for(Clear(flags=Flag.FAULT), ClearReply)
        board.advance(READBACK_MS + REFRESH_MS)
        assert bench.status().flags == Flag.PARKED
        bench.apply(bench.park_state, (0x200, 1))
        assert board.latched_us[-1][1] == 0x200


def test_a_board_without_senses_sees_nothing_of_it(bench_of_plain: Bench) -> None:
    # What the tests above find is found by reading back, and by nothing else.
    bench = bench_of_plain
    board: Any = bench.endpoint
    bench.apply(bench.park_state, (4, 100))
    board.command("stick 4 1")
    board.command("millivolts 1 0")
    board.advance(200)
    assert bench.status().flags == Flag(0)


@pytest.fixture
def bench_of_plain(avr: Callable[..., Any]) -> Any:
    with avr() as board:
        bench = Bench(board)
        bench.begin()
        yield bench


# --- the supply of the coils ----------------------------------------------------------------------


@pytest.mark.parametrize(("dip_mv", "lasts_ms", "fault"), [(1900, 20, True), (2100, 200, False)])
def test_a_dip_of_the_coil_supply_is_a_fault(
    avr: Callable[..., Any], builds: Any, dip_mv: int, lasts_ms: int, fault: bool
) -> None:
    assert dip_mv < builds.SUPPLY_LEAST_MV if fault else dip_mv > builds.SUPPLY_LEAST_MV
    with avr(builds.avr_guarded()) as board:
        bench = Bench(board)
        bench.begin()
        bench.apply(bench.park_state, (4, 500))
        since = len(board.latched_us)
        began_us = board.now_us
        board.command(f"millivolts 1 {dip_mv}")
        board.advance(lasts_ms)
        board.command("millivolts 1 4000")
        assert bench.status().flags == (Flag.PARKED | Flag.FAULT if fault else Flag.MOVING)
        if fault:
            parked_us, state = board.latched_us[since]
            assert state == bench.park_state
            assert parked_us - began_us <= (DIP_MS + 4) * 1000


def test_one_low_reading_of_the_supply_is_no_dip(avr: Callable[..., Any], builds: Any) -> None:
    with avr(builds.avr_guarded()) as board:
        bench = Bench(board)
        bench.begin()
        bench.apply(bench.park_state, (4, 500))
        for _ in range(20):
            board.command("millivolts 1 100")
            board.advance(3)
            board.command("millivolts 1 4000")
            board.advance(6)  # so that looks every 4 ms come upon every part of it
        assert bench.status().flags == Flag.MOVING


def test_a_board_without_coil_supply_says_so_from_the_start(
    avr: Callable[..., Any], builds: Any
) -> None:
    with avr(builds.avr_guarded(), "--supply", "0") as board:
        board.advance(20)
        bench = Bench(board)
        bench.identify()
        assert Flag.FAULT in bench.status().flags
        assert bench.ask_for(Sense(channel=1), SenseReply).raw == 0


# --- the watchdog behind boot loaders -------------------------------------------------------------

BOOT_MS = 120


@pytest.mark.parametrize("restart", ["reset", "jump"])
@pytest.mark.parametrize("loader", [None, "LOADER_HIDES_CAUSE", "LOADER_IS_OLD"])
def test_a_hang_is_told_as_a_fault_behind_every_boot_loader(
    builds: Any, boards: ModuleType, loader: str | None, restart: str
) -> None:
    command = [builds.sim(), "--relays", str(builds.RELAYS), builds.avr_of(f"RESTART={restart}")]
    if loader is not None:
        command += ["--loader", builds.loader(loader)]
    with closing(boards.CommandedBoard(command, boot_ms=BOOT_MS)) as board:
        bench = Bench(board)
        bench.begin()
        boots = bench.identity.boots
        bench.apply(bench.park_state, (4, 3000))
        since, hung_us = len(board.latched_us), board.now_us
        board.command("hang")
        board.advance(900)
        released_us, state = board.latched_us[since]
        assert state == 0, "released by the interrupt, before anything starts again"
        assert 250_000 <= released_us - hung_us <= 300_000
        assert {state for _, state in board.latched_us[since:]} == {0}
        if (loader, restart) == ("LOADER_IS_OLD", "reset"):
            # What README.md warns of: this loader never comes out of a reset by the watchdog.
            board.send(bench.frame(Kind.IDENTIFY))
            assert board.receive(1000) == b""
            return
        bench.reset()
        assert bench.status().flags == Flag.PARKED | Flag.FAULT | Flag.RESTARTED
        assert bench.ask_for(Identify(), IdentifyReply).boots == boots + 1
        bench.ask(Clear(flags=Flag.FAULT | Flag.RESTARTED))
        bench.apply(bench.park_state, (4, 1))
        # The mark is gone: the next start is no fault.
        board.command("restart")
        board.advance(BOOT_MS)
        bench.reset()
        assert bench.status().flags == Flag.PARKED | Flag.RESTARTED


# --- other chips, other lines ---------------------------------------------------------------------


def _failures(make: Callable[[], Any]) -> dict[str, str]:
    outcomes = [run_check(check, make()) for check in CHECKS]
    return {o.check.name: o.reason for o in outcomes if o.result is Result.FAILED}


@pytest.mark.night
@pytest.mark.parametrize(
    "chip", ["atmega88p", "atmega168p", "atmega644p", "atmega1284p", "atmega2560"]
)
def test_other_chips_run_the_whole_suite(builds: Any, boards: ModuleType, chip: str) -> None:
    image = builds.avr_of(f"AVR_CHIP={chip}", "READBACK=1", "SUPPLY_LEAST_MV=2000")
    command = [builds.sim(), "--chip", chip, "--relays", str(builds.RELAYS), image]

    def power_up() -> Any:
        board = boards.GuardedBoard(command, forbidden_state=builds.FORBIDDEN)
        # simavr lets these two sleep through no time: minutes of theirs take minutes.
        board.has_minutes = chip not in ("atmega644p", "atmega1284p")
        return board

    assert not _failures(power_up)


@pytest.mark.parametrize("baud", [38400, 57600, 250000, 500000])
def test_the_line_can_be_slower_or_faster(avr: Callable[..., Any], builds: Any, baud: int) -> None:
    image = builds.avr_of(f"BAUD={baud}")
    with avr(image, "--baud", str(baud)) as board:
        bench = Bench(board)
        bench.begin()
        bench.apply(bench.park_state, (4, 1))
        # Ten bits a byte: the reply to identify takes as long as the line says.
        before_us = board.now_us
        request = bench.frame(Kind.IDENTIFY)
        board.send(request)
        reply = board.receive(200)
        least_us = (len(request) + len(reply)) * 10 / baud * 1e6
        assert least_us * 0.97 <= board.now_us - before_us <= least_us * 1.05 + 1500
