"""Checks of what is refused, with which code, in which order."""

from __future__ import annotations

from collections.abc import Iterator

from firmware_protocol.conformance.bench import Bench
from firmware_protocol.conformance.endpoint import NotApplicable, expect
from firmware_protocol.conformance.registry import check
from firmware_protocol.messages import (
    HOLD_OFF_AT_START_MS,
    LONGEST_HOLD_MS,
    LONGEST_HOLD_OFF_MS,
    SHORTEST_HOLD_OFF_MS,
    ErrorCode,
    HoldOff,
    HoldOffReply,
    Kind,
    Park,
    mask_width,
)


@check
def unknown_types(bench: Bench) -> None:
    """A type that is not known is refused with unsupported, whatever its body."""
    for kind in (0x08, 0x20, 0x7F):
        bench.refused(kind, b"", ErrorCode.UNSUPPORTED)
        bench.refused(kind, bytes(7), ErrorCode.UNSUPPORTED)


@check
def foreign_types(bench: Bench) -> None:
    """Frames of type 0x00 and of 0x80 and above get no reply and are not counted."""
    bench.ask(HoldOff(time_ms=LONGEST_HOLD_OFF_MS))
    bench.apply(bench.park_state, (bench.away()[0], 1))
    bench.settle(1)

    def send_each() -> None:
        before = bench.status().dropped
        for kind in (0x00, 0x80, *(0x80 | kind for kind in Kind), 0xC4, 0xFE, 0xFF):
            for body in (b"", b"\x01", bench.mask(bench.park_state)):
                bench.silent(bench.frame(kind, body))
        expect(bench.status().dropped == before, "a foreign frame was counted as dropped")

    bench.unmoved("a foreign frame", lambda: bench.at_last(send_each))


@check
def bad_length(bench: Bench) -> None:
    """A body of the wrong length is refused with bad-length."""
    one, two, three = bytes(1), bytes(2), bytes(3)
    for kind in (Kind.IDENTIFY, Kind.STATUS, Kind.PARK):
        for body in (one, bytes(min(13, bench.identity.max_payload - 4))):
            bench.refused(kind, body, ErrorCode.BAD_LENGTH)
    for body in (b"", one, three):
        bench.refused(Kind.HOLD_OFF, body, ErrorCode.BAD_LENGTH)
    for body in (b"", two):
        bench.refused(Kind.CLEAR, body, ErrorCode.BAD_LENGTH)
    state = bench.away()[0]
    steps = [[(state, 1)], [(state, 1), (bench.park_state, 1)]][: bench.identity.max_path]
    width = mask_width(bench.identity.relay_count)

    def refuse() -> None:
        for path in steps:
            apply, whole = bench.apply_body(bench.park_state, path)
            cut = [whole[:-1], whole[:-2], whole[: -2 - width]]
            for body in (b"", whole[:width], *cut, whole + one, whole + bytes(width + 2)):
                if len(body) + 4 <= bench.identity.max_payload:
                    bench.refused(apply, body, ErrorCode.BAD_LENGTH)

    bench.unmoved("an apply of the wrong length", refuse)


@check
def path_too_long(bench: Bench) -> None:
    """A count of zero or above max_path is refused with path-too-long."""
    start = bench.mask(bench.park_state)

    def refuse() -> None:
        for count in (0, bench.identity.max_path + 1, 128, 255):
            bench.refused(Kind.APPLY, start + bytes([count]), ErrorCode.PATH_TOO_LONG)
        kind, body = bench.apply_body(
            bench.park_state, [(bench.away()[0], 1)] * (bench.identity.max_path + 1)
        )
        if len(body) + 4 <= bench.identity.max_payload:
            bench.refused(kind, body, ErrorCode.PATH_TOO_LONG)

    bench.unmoved("a path too long", refuse)


@check
def bad_values(bench: Bench) -> None:
    """Times and flags out of range are refused with bad-value and change nothing."""
    for time_ms in (1, SHORTEST_HOLD_OFF_MS - 1, LONGEST_HOLD_OFF_MS + 1, 0xFFFF):
        bench.refused(Kind.HOLD_OFF, time_ms.to_bytes(2, "little"), ErrorCode.BAD_VALUE)
    for flags in (0x01, 0x02, 0x20, 0x40, 0x80, 0xE7, 0xFF):
        bench.refused(Kind.CLEAR, bytes([flags]), ErrorCode.BAD_VALUE)
    hold_off_ms = bench.status().hold_off_ms
    expect(hold_off_ms == HOLD_OFF_AT_START_MS, f"the hold-off became {hold_off_ms} ms")


def _paths_with(bench: Bench, index: int, state: int, hold_ms: int) -> Iterator[tuple[int, bytes]]:
    """Return applies whose path is good but for one state, the 1-based `index`: last, and not."""
    for length in {index, bench.identity.max_path}:
        path = [(good, 1) for good in bench.walk(length)]
        path[index - 1] = (state, hold_ms)
        yield bench.apply_body(bench.park_state, path)


@check
def bad_holds(bench: Bench) -> None:
    """A hold of 0 or above 5000 ms is refused with bad-value and the index of its state."""
    state = bench.away()[0]
    for hold_ms in (0, LONGEST_HOLD_MS + 1, 0x8000, 0xFFFF):

        def refuse(hold_ms: int = hold_ms) -> None:
            for index in range(1, bench.identity.max_path + 1):
                for wrong in _paths_with(bench, index, state, hold_ms):
                    bench.refused(*wrong, ErrorCode.BAD_VALUE, index)

        bench.unmoved(f"a hold of {hold_ms} ms", refuse)


@check
def longest_values(bench: Bench) -> None:
    """The ends of the ranges are accepted: hold 5000 ms, hold-off 200 and 60000 ms."""
    bench.apply(bench.park_state, (bench.away()[0], LONGEST_HOLD_MS))
    bench.ask(Park())
    for time_ms in (SHORTEST_HOLD_OFF_MS, LONGEST_HOLD_OFF_MS):
        reply = bench.ask_for(HoldOff(time_ms=time_ms), HoldOffReply)
        expect(reply.time_ms == time_ms, f"a hold-off of {time_ms} ms became {reply.time_ms}")
        in_force = bench.status().hold_off_ms
        expect(in_force == time_ms, f"a hold-off of {time_ms} ms is in force as {in_force}")


@check
def mask_beyond_the_relays(bench: Bench) -> None:
    """A mask with a bit at or above relay_count is refused with bad-value; start counts as 0."""
    count = bench.identity.relay_count
    if count % 8 == 0:
        raise NotApplicable("the mask has no bit beyond the relays")
    state = bench.away()[0]
    for bit in range(count, mask_width(count) * 8):

        def refuse(wrong: int = 1 << bit) -> None:
            path = [(state, 1)]
            bench.refused(*bench.apply_body(wrong, path), ErrorCode.BAD_VALUE, 0)
            start = bench.park_state | wrong
            bench.refused(*bench.apply_body(start, path), ErrorCode.BAD_VALUE, 0)
            for index in range(1, bench.identity.max_path + 1):
                for beyond in _paths_with(bench, index, state | wrong, 1):
                    bench.refused(*beyond, ErrorCode.BAD_VALUE, index)

        bench.unmoved(f"a mask with bit {bit}", refuse)


@check
def wrong_start(bench: Bench) -> None:
    """Apply from a state that is not latched is refused with wrong-start and moves nothing."""
    state = bench.away()[0]

    def refuse() -> None:
        for relay in range(bench.identity.relay_count):
            body = bench.apply_body(bench.park_state ^ (1 << relay), [(state, 1)])
            bench.refused(*body, ErrorCode.WRONG_START)

    bench.unmoved("a wrong start", refuse)
    bench.apply(bench.park_state, (state, 1))
    bench.settle(1)
    body = bench.apply_body(bench.park_state, [(bench.away()[-1], 1)])
    bench.unmoved("the park state for a start", lambda: bench.refused(*body, ErrorCode.WRONG_START))


@check
def forbidden(bench: Bench) -> None:
    """A pattern the board refuses is refused with forbidden before anything moves."""
    wrong = bench.endpoint.forbidden_state
    if wrong is None:
        raise NotApplicable("no pattern is known that this board refuses")

    def refuse() -> None:
        for index in range(1, bench.identity.max_path + 1):
            for path in _paths_with(bench, index, wrong, 1):
                bench.refused(*path, ErrorCode.FORBIDDEN, index)

    bench.unmoved("a forbidden pattern", refuse)


@check
def order_of_refusals(bench: Bench) -> None:
    """When several errors apply, the one that SPEC.md names first is sent."""
    state, park_state = bench.away()[0], bench.park_state
    kind, whole = bench.apply_body(state, [(state, 0)])
    width = mask_width(bench.identity.relay_count)
    too_many = whole[:width] + bytes([bench.identity.max_path + 1]) + whole[width + 1 :]
    # bad-value before wrong-start
    bench.refused(kind, whole, ErrorCode.BAD_VALUE, 1)
    # bad-length before bad-value; path-too-long before both
    bench.refused(kind, whole + bytes(1), ErrorCode.BAD_LENGTH)
    bench.refused(kind, too_many, ErrorCode.PATH_TOO_LONG)
    wrong = bench.endpoint.forbidden_state
    if wrong is not None:
        bench.refused(*bench.apply_body(state, [(wrong, 1)]), ErrorCode.FORBIDDEN, 1)
        bench.refused(*bench.apply_body(park_state, [(wrong, 0)]), ErrorCode.BAD_VALUE, 1)
        if bench.identity.max_path > 1:
            path = [(wrong, 1), (state, 0)]
            bench.refused(*bench.apply_body(state, path), ErrorCode.BAD_VALUE, 2)
    # too short for start and count: bad-length before anything; both before busy
    bench.refused(kind, whole[:width], ErrorCode.BAD_LENGTH)
    # while a path runs: busy before bad-value, but after the errors of shape
    bench.apply(park_state, (state, 1500))
    bench.refused(kind, whole, ErrorCode.BUSY, 0)
    bench.refused(kind, whole + bytes(1), ErrorCode.BAD_LENGTH)
    bench.refused(kind, too_many, ErrorCode.PATH_TOO_LONG)
    bench.refused(kind, whole[:width], ErrorCode.BAD_LENGTH)
    bench.ask(Park())
    # with the interlock: interlocked before bad-value, but after the errors of shape
    bench.let_hold_off_expire()
    bench.refused(kind, whole, ErrorCode.INTERLOCKED)
    bench.refused(kind, whole + bytes(1), ErrorCode.BAD_LENGTH)
    bench.refused(kind, too_many, ErrorCode.PATH_TOO_LONG)
