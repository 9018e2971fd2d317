"""What only the chip itself can show: pins, watchdog, EEPROM, converter, stack, line at full speed.

The chip is an emulated ATmega328P; its time is commanded, so every figure here is exact and the
same on every machine.
"""

from __future__ import annotations

import re
import subprocess
from collections.abc import Callable, Iterator
from contextlib import closing
from types import ModuleType
from typing import Any

import pytest

from firmware_protocol.conformance import Bench
from firmware_protocol.framing import DELIMITER, Decoder, Frame, encode_frame
from firmware_protocol.messages import (
    Clear,
    ErrorCode,
    Flag,
    HoldOff,
    Identify,
    IdentifyReply,
    Kind,
    Park,
    Sense,
    SenseReply,
    Status,
)

pytestmark = pytest.mark.toolchain

BYTE_US = 10 / 115_200 * 1e6
"""Ten bits of 8N1 at the line's speed."""
RAM_BUDGET = 512
"""Bytes, stack included: the aim stated for an 8-bit AVR."""


@pytest.fixture
def board(avr: Callable[..., Any]) -> Iterator[Any]:
    with avr() as powered:
        yield powered


@pytest.fixture
def bench(board: Any) -> Bench:
    bench = Bench(board)
    bench.begin()
    return bench


def test_park_is_latched_before_anything_else(board: Any) -> None:
    us, state = board.latched_us[0]
    assert state == 0
    assert us < 1000, "parked later than a millisecond after power-up"


def test_each_bit_of_a_mask_is_its_own_output(bench: Bench, board: Any) -> None:
    state = 0
    for relay in range(bench.identity.relay_count):
        bench.apply(state, (1 << relay, 1))
        state = 1 << relay
        assert board.latched_us[-1][1] == state


def test_pins_of_the_chip_serve_as_outputs(builds: Any, boards: ModuleType) -> None:
    command = [builds.sim(), "--pins", "--relays", "17", builds.avr_pins()]
    with closing(boards.CommandedBoard(command)) as board:
        bench = Bench(board)
        bench.begin()
        assert bench.identity.relay_count == 17
        state = 0
        for mask in [*(1 << relay for relay in range(17)), 0x1FFFF, 0x15555, 0x0AAAA, 0x10F0F]:
            bench.apply(state, (mask, 1))
            board.advance(2)
            assert board.latched_us[-1][1] == mask
            state = mask
        # All of a state's relays at once: never a state between.
        latched = [state for _, state in bench.changes()]
        bench.apply(state, (0x1FFFF, 1))
        bench.ask(Park())
        board.advance(2)
        assert [state for _, state in bench.changes()] == [*latched, 0x1FFFF, 0]


def test_path_keeps_its_times_while_the_line_is_busy(bench: Bench, board: Any) -> None:
    holds = [7, 1, 2, 13, 40, 3, 1, 1, 25, 9]
    states = bench.walk(len(holds))
    since = len(board.latched_us)
    bench.apply(bench.park_state, *zip(states, holds, strict=True))
    longest = bench.frame(0x7E, b"\x55" * (bench.identity.max_payload - 4))
    for _ in range(20):  # requests as long as can be, one after the other, all path long
        bench.exchange(longest)
    board.advance(20)
    latched = board.latched_us[since:]
    assert [state for _, state in latched] == states
    due_us = latched[0][0]
    for (us, _), hold_ms in zip(latched, holds, strict=True):
        # Never before it is due, at most 2 ms later, as SPEC.md section 7 has it.
        assert 0 <= us - due_us <= 2000
        due_us += hold_ms * 1000


def test_hold_off_runs_out_within_one_percent(bench: Bench, board: Any) -> None:
    for hold_off_ms in (200, 500, 2000):
        bench.ask(Clear(flags=Flag.HOLD_OFF_EXPIRED))
        bench.ask(HoldOff(time_ms=hold_off_ms))
        bench.apply(bench.park_state, (4, 1))
        fed_us = board.now_us
        board.advance(hold_off_ms + 50)
        parked_us, state = board.latched_us[-1]
        assert state == bench.park_state
        assert parked_us - fed_us == pytest.approx(hold_off_ms * 1000, rel=0.01)


def test_reply_comes_within_fifty_milliseconds(bench: Bench, board: Any) -> None:
    # SPEC.md section 9, counted from the closing delimiter to the last byte of the reply.
    count = bench.identity.max_path
    path = list(zip(bench.walk(count), [1] * count, strict=True))
    kind, body = bench.apply_body(bench.park_state, path)
    for data in (
        bench.frame(Kind.IDENTIFY),
        bench.frame(kind, body),
        bench.frame(Kind.SENSE, b"\0"),
    ):
        sent_us = board.now_us
        bench.exchange(data)
        assert board.now_us - sent_us <= len(data) * BYTE_US + 50_000
        board.advance(40)


def test_bursts_at_line_speed_are_taken_in_whole(bench: Bench, board: Any) -> None:
    # 256 bytes without a pause: frames of a foreign type (no reply) with a status at the end.
    before = bench.status().dropped
    filler = encode_frame(Frame(type=0x80, sequence=1, body=bytes(20)))
    burst = (filler * 20)[: len(filler) * (244 // len(filler))]
    frame = bench.exchange(burst + bench.frame(Kind.STATUS))
    assert frame.type == Kind.STATUS | 0x80
    assert bench.status().dropped == before


def test_requests_beyond_half_duplex_never_corrupt_the_next_exchange(
    bench: Bench, board: Any
) -> None:
    # A host that does not wait breaks SPEC.md section 2. Replies may be missing; none is torn.
    decoder = Decoder()
    frames = []
    for _ in range(5):
        board.send(b"".join(bench.frame(Kind.IDENTIFY) for _ in range(40)))
        board.advance(200)
        frames += decoder.feed(board.receive(0))
    assert decoder.dropped == 0
    assert frames
    # What lies in the receiver may be a whole request but for its end: a host ends it and drains.
    board.send(DELIMITER)
    board.receive(60)
    assert bench.status().flags == Flag.PARKED


def test_a_hang_ends_in_a_restart_that_is_told_as_a_fault(bench: Bench, board: Any) -> None:
    bench.apply(bench.park_state, (4, 3000))
    hung_us = board.now_us
    board.command("hang")
    since = len(board.latched_us)
    board.advance(600)
    released_us, state = board.latched_us[since]
    assert state == 0
    # Data sheet: the 0.25 s watchdog; it was fed at most a millisecond before.
    assert 250_000 <= released_us - hung_us <= 300_000
    assert all(state == bench.park_state for _, state in board.latched_us[since:])
    bench.reset()
    status = bench.status()
    assert status.flags == Flag.PARKED | Flag.FAULT | Flag.RESTARTED
    bench.refused(*bench.apply_body(bench.park_state, [(4, 1)]), ErrorCode.INTERLOCKED)
    bench.ask(Identify())
    bench.ask(Clear(flags=Flag.FAULT | Flag.RESTARTED))
    bench.apply(bench.park_state, (4, 1))


def test_relays_fall_with_the_reset_line(bench: Bench, board: Any) -> None:
    bench.apply(bench.park_state, (4, 3000))
    since = len(board.latched_us)
    board.restart()
    assert all(state == 0 for _, state in board.latched_us[since:])
    assert len(board.latched_us) > since


def test_starts_are_counted_in_memory_that_survives(bench: Bench, board: Any) -> None:
    assert bench.identity.boots == 1, "memory as delivered reads as no start before this one"
    for boots in (2, 3):
        board.restart()
        assert bench.ask_for(Identify(), IdentifyReply).boots == boots


@pytest.mark.parametrize("millivolts", [0, 1250, 2500, 4990])
def test_analogue_input_is_read_against_the_supply(
    bench: Bench, board: Any, millivolts: int
) -> None:
    board.command(f"millivolts 0 {millivolts}")
    reply = bench.ask_for(Sense(channel=0), SenseReply)
    # Data sheet: 10 bits, raw = volts * 1024 / reference. simavr scales to 1023: one step of room.
    assert reply.full_scale == 1024
    step_mv = reply.reference_mv / reply.full_scale
    volts_mv = reply.reference_mv * reply.raw / reply.full_scale
    assert volts_mv == pytest.approx(millivolts, abs=2 * step_mv)


def test_stack_stays_inside_the_budget(bench: Bench, board: Any, make: Any, builds: Any) -> None:
    count = bench.identity.max_path
    states = bench.walk(count)
    bench.apply(bench.park_state, *((state, 3) for state in states))
    for _ in range(10):
        bench.ask(Status())
        bench.ask(Identify())
        bench.ask(Sense(channel=0))
        bench.ask_any(0x7E, b"\x55" * 60)
    board.restart()
    assert 20 <= board.stack_bytes() <= 60
    # The build with most relays, through every request, as `make size` measures it.
    printed = make("size", f"BUILD={builds.folder / 'size'}")
    line = printed.splitlines()[-1]
    relays, flash, flash_budget, ram, ram_budget, static, stack = map(int, re.findall(r"\d+", line))
    assert (relays, flash_budget, ram_budget) == (32, 6144, RAM_BUDGET)
    assert flash <= flash_budget
    assert ram == static + stack <= ram_budget
    assert stack >= 20, "no stack was measured"


def test_the_exercise_for_the_size_really_exercises(builds: Any, firmware: Any, make: Any) -> None:
    folder = builds.folder / "size"
    make("size", f"BUILD={folder}")
    lines = (firmware / "sim" / "exercise-32-relays.txt").read_text()
    done = subprocess.run(
        [folder / "rungwise-sim", "--commanded", folder / "size" / "rungwise-avr.elf"],
        input=lines,
        capture_output=True,
        text=True,
        check=True,
    )
    decoder = Decoder()
    replies = []
    for line in done.stdout.splitlines():
        if line.startswith("sent "):
            replies += decoder.feed(bytes.fromhex(line.split()[2]))
    assert decoder.dropped == 0
    assert {frame.type for frame in replies} == {0x81, 0x82, 0x83, 0x84, 0x85, 0x86, 0x87, 0xFF}
    # bad-value, busy, interlocked, wrong-start, unsupported
    assert {frame.body[1] for frame in replies if frame.type == 0xFF} == {1, 3, 4, 5, 6}
    assert len([line for line in done.stdout.splitlines() if line.startswith("latch ")]) > 30
