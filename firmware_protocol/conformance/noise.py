"""Checks of the line: torn, corrupt and over-long frames do no harm.

Knows: SPEC.md.
Must not know: what kind of device is being checked.
"""

from __future__ import annotations

from functools import partial

from firmware_protocol.conformance.bench import Bench, expect
from firmware_protocol.conformance.registry import check
from firmware_protocol.errors import FrameError
from firmware_protocol.framing import DELIMITER, decode_frame
from firmware_protocol.messages import (
    ERROR_TYPE,
    LONGEST_HOLD_OFF_MS,
    ErrorCode,
    HoldOff,
    Kind,
    mask_width,
    reply_type,
)


def _dropped(bench: Bench, what: str, data: bytes, count: int = 1) -> None:
    """Send bytes that must be dropped, and insist on the count and on an answer afterwards."""
    before = bench.status().dropped
    bench.silent(data)
    now = bench.status().dropped
    expect(now == min(255, before + count), f"{what}: dropped went from {before} to {now}")


@check
def corrupt_frames_are_dropped(bench: Bench) -> None:
    """A wrong checksum, a short payload and a broken encoding are dropped and counted."""
    _dropped(bench, "a wrong checksum", b"\x05\x04\x41\xff\xff\x00")
    _dropped(bench, "an empty payload", b"\x01\x00")
    _dropped(bench, "a payload of three bytes", b"\x04\x04\x41\x11\x00")
    _dropped(bench, "a block that ends early", b"\x09\x04\x41\x11\x00")
    _dropped(bench, "nothing but delimiters", b"\x00\x00\x00\x00", count=0)


@check
def half_frames_are_dropped(bench: Bench) -> None:
    """Half a frame spoils what follows it up to the next delimiter, and nothing after that."""
    data = bench.frame(Kind.PARK)
    half = data[: len(data) // 2]
    _dropped(bench, "half a frame and a delimiter", half + DELIMITER)
    _dropped(bench, "half a frame and a frame", half + bench.frame(Kind.PARK))
    bench.endpoint.send(half)
    bench.endpoint.advance(500)
    frame = bench.exchange(DELIMITER + bench.frame(Kind.STATUS))
    expect(frame.type == reply_type(Kind.STATUS), "no answer after half a frame and a delimiter")


@check
def a_pause_inside_a_frame_is_no_harm(bench: Bench) -> None:
    """There is no timeout between bytes: a frame may come byte by byte."""
    data = bench.frame(Kind.STATUS)
    for index in range(len(data) - 1):
        bench.silent(data[index : index + 1], wait_ms=5)
    bench.endpoint.advance(1000)
    frame = bench.exchange(data[-1:])
    expect(frame.type == reply_type(Kind.STATUS), "a frame sent byte by byte was not answered")


@check
def longest_payload(bench: Bench) -> None:
    """A payload of max_payload bytes is looked at; one byte more is dropped and counted."""
    longest = bench.identity.max_payload
    bench.refused(0x7E, b"\x55" * (longest - 4), ErrorCode.UNSUPPORTED)
    bench.refused(0x7E, bytes(longest - 4), ErrorCode.UNSUPPORTED)
    # The most that a host ever has in flight: max_payload + 3 bytes, as after a timeout.
    frame = bench.exchange(DELIMITER + bench.frame(0x7E, b"\x55" * (longest - 4)))
    expect(frame.type == ERROR_TYPE, "no refusal of a longest frame behind a delimiter")
    if longest < 200:
        _dropped(bench, "a payload too long", bench.frame(0x7E, b"\x55" * (longest - 3)))
    _dropped(bench, "bytes without end", b"\x01" * (longest + 2) + DELIMITER)


@check
def floods_are_survived(bench: Bench) -> None:
    """Thousands of bytes without a delimiter count as one dropped frame and do no harm."""
    before = bench.status().dropped
    for _ in range(60):
        bench.silent(b"\xa5" * 64, wait_ms=6)
    bench.silent(DELIMITER)
    now = bench.status().dropped
    expect(now == min(255, before + 1), f"dropped went from {before} to {now}")


@check
def wrong_input_while_relays_are_energised(bench: Bench) -> None:
    """Away from the park state, no wrong input moves a relay or spoils the next exchange."""
    state = bench.away()[0]
    width = mask_width(bench.identity.relay_count)
    bench.ask(HoldOff(time_ms=LONGEST_HOLD_OFF_MS))
    bench.apply(bench.park_state, (state, 1))
    bench.settle(1)
    park = bench.park_state
    refusals = {
        "an unknown request": (0x55, b"", ErrorCode.UNSUPPORTED, 0),
        "a wrong length": (Kind.PARK, bytes(1), ErrorCode.BAD_LENGTH, 0),
        "an empty path": (Kind.APPLY, bench.mask(state) + bytes(1), ErrorCode.PATH_TOO_LONG, 0),
        "a path too long": (Kind.APPLY, bench.mask(state) + b"\xff", ErrorCode.PATH_TOO_LONG, 0),
        "no hold": (*bench.apply_body(state, [(park, 0)]), ErrorCode.BAD_VALUE, 1),
        "a huge hold": (*bench.apply_body(state, [(park, 0xFFFF)]), ErrorCode.BAD_VALUE, 1),
        "another start": (*bench.apply_body(park, [(park, 1)]), ErrorCode.WRONG_START, 0),
    }
    if bench.identity.relay_count % 8:
        beyond = bench.apply_body(state, [(1 << (8 * width - 1), 1)])
        refusals["a mask beyond the relays"] = (*beyond, ErrorCode.BAD_VALUE, 1)
    if bench.endpoint.forbidden_state is not None:
        forbidden = bench.apply_body(state, [(bench.endpoint.forbidden_state, 1)])
        refusals["a forbidden pattern"] = (*forbidden, ErrorCode.FORBIDDEN, 1)
    for what, refusal in refusals.items():
        bench.unmoved(what, partial(bench.refused, *refusal))
    silences = {
        "a frame too long": b"\x01" * (bench.identity.max_payload + 2) + DELIMITER,
        "garbage": bytes(range(255, 0, -1)) + DELIMITER,
        "half a frame and silence": bench.frame(Kind.PARK)[:-3],
    }
    for what, data in silences.items():

        def send(data: bytes = data) -> None:
            bench.silent(data)
            bench.endpoint.advance(300)
            bench.silent(DELIMITER, wait_ms=5)

        bench.unmoved(what, send)


@check
def dropped_saturates(bench: Bench) -> None:
    """The count of dropped frames stops at 255."""
    for _ in range(30):
        bench.silent(b"\x01\x00" * 10, wait_ms=4)
    dropped = bench.status().dropped
    expect(dropped == 255, f"after 300 dropped frames the count is {dropped}")


@check
def bit_errors_never_move_a_relay(bench: Bench) -> None:
    """An apply with any single bit wrong moves nothing and gets no reply."""
    data = bench.frame(*bench.apply_body(bench.park_state, [(bench.away()[0], 5)]))[:-1]

    def flip_each() -> None:
        for bit in range(8 * len(data)):
            wrong = bytearray(data)
            wrong[bit // 8] ^= 1 << bit % 8
            if all(_unsound(piece) for piece in bytes(wrong).split(DELIMITER)):
                bench.silent(bytes(wrong) + DELIMITER, wait_ms=4)

    bench.unmoved("an apply with a bit error", flip_each)


def _unsound(piece: bytes) -> bool:
    try:
        decode_frame(piece)
    except FrameError:
        return True
    return False
