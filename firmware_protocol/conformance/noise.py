"""Checks of the line: torn, corrupt and over-long frames do no harm."""

from __future__ import annotations

import binascii
from collections.abc import Callable
from functools import partial

from firmware_protocol.checksum import crc16
from firmware_protocol.conformance.bench import Bench
from firmware_protocol.conformance.endpoint import expect
from firmware_protocol.conformance.registry import check
from firmware_protocol.errors import FrameError
from firmware_protocol.framing import DELIMITER, cobs_encode, decode_frame
from firmware_protocol.messages import (
    ERROR_TYPE,
    INTERLOCK,
    LONGEST_HOLD_OFF_MS,
    Clear,
    ErrorCode,
    HoldOff,
    Identify,
    Kind,
    mask_width,
    reply_type,
)


def _dropped(bench: Bench, what: str, data: bytes, count: int = 1) -> None:
    """Send bytes that must be dropped, and insist on the count and on an answer afterwards."""
    _counted(bench, what, lambda: bench.silent(data), count)


def _counted(bench: Bench, what: str, send: Callable[[], None], count: int) -> None:
    """Do something and insist on how many frames are counted as dropped."""

    def count_once() -> None:
        before = bench.status().dropped
        send()
        now = bench.status().dropped
        expect(now == min(255, before + count), f"{what}: dropped went from {before} to {now}")

    bench.at_last(count_once)


@check
def corrupt_frames_are_dropped(bench: Bench) -> None:
    """A wrong checksum, a short payload and a broken encoding are dropped and counted."""
    _dropped(bench, "a wrong checksum", b"\x05\x04\x41\xff\xff\x00")
    _dropped(bench, "an empty payload", b"\x01\x00")
    _dropped(bench, "a payload of three bytes", b"\x04\x04\x41\x11\x00")
    _dropped(bench, "a block that ends early", b"\x09\x04\x41\x11\x00")
    _dropped(bench, "nothing but delimiters", b"\x00\x00\x00\x00", count=0)


def _with_checksum(head: bytes, checksum: bytes) -> bytes:
    return cobs_encode(head + checksum) + DELIMITER


@check
def only_the_right_checksum_is_taken(bench: Bench) -> None:
    """Checksums of other kinds, in the other order or shortened, are wrong like any other."""
    kind, body = bench.apply_body(bench.park_state, [(bench.away()[0], 1)])
    head = bytes([kind, 0x5A]) + body
    right = crc16(head)
    wrong = {
        "the checksum high byte first": right.to_bytes(2, "big"),
        "the checksum inverted": (right ^ 0xFFFF).to_bytes(2, "little"),
        "a checksum from another beginning": binascii.crc_hqx(head, 0).to_bytes(2, "little"),
        "a sum of the bytes": (sum(head) % 0x10000).to_bytes(2, "little"),
        "no checksum": b"\0\0",
        "the low byte of the checksum wrong": (right ^ 0x0001).to_bytes(2, "little"),
        "the high byte of the checksum wrong": (right ^ 0x8000).to_bytes(2, "little"),
        "a checksum over the body alone": crc16(body).to_bytes(2, "little"),
        "a checksum without the last byte": crc16(head[:-1]).to_bytes(2, "little"),
    }

    def drop_each() -> None:
        for what, checksum in wrong.items():
            _dropped(bench, what, _with_checksum(head, checksum))

    bench.unmoved("an apply with a wrong checksum", drop_each)
    # The checksum is looked at after all bytes before it, whatever they are.
    for data in (b"\0\0\0", b"\xff\xff\xff\xff", bytes(range(1, 9))):
        bench.refused(0x7D, data, ErrorCode.UNSUPPORTED)


@check
def broken_encoding_is_dropped(bench: Bench) -> None:
    """A frame whose last block is said to be longer than it is is dropped, sound or not."""
    bench.ask(HoldOff(time_ms=LONGEST_HOLD_OFF_MS))
    bench.apply(bench.park_state, (bench.away()[0], 1))
    bench.settle(1)

    def send_each() -> None:
        for kind, body in ((Kind.PARK, b""), (0x7D, b"\x07\x00\x09"), (Kind.STATUS, b"")):
            broken = bytearray(bench.frame(kind, body))
            at = 0
            while at + broken[at] < len(broken) - 1:
                at += broken[at]
            for longer in (1, 2, 100):
                broken[at] += longer
                _dropped(bench, "a block that ends early", bytes(broken))
                broken[at] -= longer

    bench.unmoved("a frame whose last block ends early", send_each)


@check
def half_frames_are_dropped(bench: Bench) -> None:
    """Half a frame spoils what follows it up to the next delimiter, and nothing after that."""
    data = bench.frame(Kind.PARK)
    half = data[: len(data) // 2]
    _dropped(bench, "half a frame and a delimiter", half + DELIMITER)
    _dropped(bench, "half a frame and a frame", half + bench.frame(Kind.PARK))
    _dropped(bench, "a frame but for its last byte", data[:-2] + DELIMITER)
    _dropped(bench, "two half frames", half + DELIMITER + half + DELIMITER, count=2)
    bench.endpoint.send(half)
    bench.endpoint.advance(500)
    frame = bench.exchange(DELIMITER + bench.frame(Kind.STATUS))
    expect(frame.type == reply_type(Kind.STATUS), "no answer after half a frame and a delimiter")


@check
def a_pause_inside_a_frame_is_no_harm(bench: Bench) -> None:
    """There is no timeout between bytes: a frame may come byte by byte."""

    def send_slowly() -> None:
        data = bench.frame(Kind.STATUS)
        for index in range(len(data) - 1):
            bench.silent(data[index : index + 1], wait_ms=5)
        bench.endpoint.advance(1000)
        frame = bench.exchange(data[-1:], tries=1)
        expect(frame.type == reply_type(Kind.STATUS), "a frame sent byte by byte was not answered")

    bench.at_last(send_slowly)


@check
def longest_payload(bench: Bench) -> None:
    """A payload of max_payload bytes is looked at; one byte more is dropped and counted."""
    longest = bench.identity.max_payload
    bench.refused(0x7E, b"\x55" * (longest - 4), ErrorCode.UNSUPPORTED)
    bench.refused(0x7E, bytes(longest - 4), ErrorCode.UNSUPPORTED)
    # The most that a host ever has in flight: max_payload + 3 bytes, as after a timeout.
    frame = bench.exchange(DELIMITER + bench.frame(0x7E, b"\x55" * (longest - 4)))
    expect(frame.type == ERROR_TYPE, "no refusal of a longest frame behind a delimiter")
    for extra in (1, 2):
        for kind in (0x7E, 0x82):  # whosever it is: what is too long is not looked at
            head = bytes([kind, 0x33]) + b"\x55" * (longest - 4 + extra)
            checksum = crc16(head).to_bytes(2, "little")
            _dropped(bench, "a payload too long", _with_checksum(head, checksum))
    # Nothing is made of a part of what is too long, though a frame of its own lies in it.
    head = bytes([0x7E, 0x34]) + b"\x55" * (longest - 4)
    whole = head + crc16(head).to_bytes(2, "little")
    for behind in (b"\x55", whole):
        _dropped(bench, "a frame with more behind it", cobs_encode(whole + behind) + DELIMITER)
    head = bytes([0x7E, 0x35])
    small = head + crc16(head).to_bytes(2, "little")
    for count in (longest - 1, longest, longest + 1, 254, 255, 256, 257):
        data = cobs_encode(b"\x55" * count + small) + DELIMITER
        _dropped(bench, "a frame behind too much else", data)
    _dropped(bench, "bytes without end", b"\x01" * (longest + 2) + DELIMITER)
    for count in (255, 256, 257, 4 + 256, 512):  # where a count of 8 bits wraps
        _dropped(bench, "bytes without end", b"\x55" * count + DELIMITER)
        head = bench.frame(Kind.PARK)
        _dropped(bench, "a frame after bytes without end", b"\x01" * count + head)


@check
def floods_are_survived(bench: Bench) -> None:
    """Thousands of bytes without a delimiter count as one dropped frame and do no harm."""

    def flood() -> None:
        for _ in range(60):
            bench.silent(b"\xa5" * 64, wait_ms=6)
        bench.silent(DELIMITER)

    _counted(bench, "a flood", flood, 1)


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
    """The count of dropped frames stops at 255, and only a start sets it to zero."""
    for _ in range(30):
        bench.silent(b"\x01\x00" * 10, wait_ms=4)
    for _ in range(2):
        dropped = bench.status().dropped
        expect(dropped == 255, f"after 300 dropped frames the count is {dropped}")
        bench.ask(Identify())
        bench.ask(Clear(flags=INTERLOCK))


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
