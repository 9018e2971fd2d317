"""Checks of repeats: nothing is carried out twice, nothing new is taken for old.

Knows: SPEC.md.
Must not know: what kind of device is being checked.
"""

from __future__ import annotations

from firmware_protocol.conformance.bench import Bench, NotApplicable, expect
from firmware_protocol.conformance.registry import check
from firmware_protocol.framing import DELIMITER, Frame, encode_frame
from firmware_protocol.messages import (
    ERROR_TYPE,
    ErrorCode,
    ErrorReply,
    Flag,
    Identify,
    Kind,
    Park,
    reply_type,
)


def _round_trip(bench: Bench, hold_ms: int = 2) -> tuple[int, bytes]:
    """Return an apply that could be carried out twice: it ends where it starts."""
    if bench.identity.max_path < 2:
        raise NotApplicable("a path of one state cannot end where it starts")
    return bench.apply_body(bench.park_state, [(bench.away()[0], hold_ms), (bench.park_state, 1)])


@check
def repeats_are_not_carried_out(bench: Bench) -> None:
    """A repeat gets the same reply, byte for byte, and moves nothing, however often it comes."""
    data = bench.frame(*_round_trip(bench))
    first = bench.exchange(data)
    expect(first.type == reply_type(Kind.APPLY), "the apply to be repeated was refused")
    bench.endpoint.advance(50)
    for _ in range(3):
        expect(bench.exchange(DELIMITER + data) == first, "the reply to a repeat is another")
    status = bench.status()
    expect(not status.flags & Flag.MOVING, "a repeat started the path again")


@check
def repeats_leave_no_trace_in_the_record(bench: Bench) -> None:
    """The latch record of an apply that was repeated shows its path once."""
    body = _round_trip(bench)
    since = len(bench.changes())
    data = bench.frame(*body)
    for _ in range(4):
        bench.exchange(data)
        bench.endpoint.advance(20)
    states = [state for _, state in bench.changes(since)]
    expect(states == [bench.away()[0], bench.park_state], f"the record shows {states}")


@check
def refusals_are_repeated(bench: Bench) -> None:
    """A repeat of a refused request gets the same refusal."""
    data = bench.frame(0x7F)
    first = bench.exchange(data)
    expect(bench.exchange(data) == first, "the reply to a repeat is another")


@check
def new_sequence_is_a_new_request(bench: Bench) -> None:
    """The same request with another sequence number is a new one."""
    kind, body = bench.apply_body(bench.park_state, [(bench.away()[0], 1)])
    bench.ask_any(kind, body)
    reply = bench.ask_any(kind, body)
    as_new = (ErrorCode.BUSY, ErrorCode.WRONG_START)
    expect(
        isinstance(reply, ErrorReply) and reply.code in as_new,
        "an apply with another sequence number was taken for a repeat",
    )
    bench.ask(Park())
    reply = bench.ask_any(kind, body)
    expect(not isinstance(reply, ErrorReply), "a new request was refused")
    expect(bench.status().state == bench.away()[0], "a new request was taken for a repeat")


@check
def only_the_last_request_is_remembered(bench: Bench) -> None:
    """A request that was not the last one is new, though its bytes have been seen."""
    data = bench.frame(*_round_trip(bench, hold_ms=700))
    bench.exchange(data)
    bench.settle(701)
    bench.exchange(data)
    status = bench.status()
    expect(bool(status.flags & Flag.MOVING), "a request that was not the last did not run")


@check
def identify_is_never_a_repeat(bench: Bench) -> None:
    """Identify is carried out every time: its status byte is fresh."""
    bench.apply(bench.park_state, (bench.away()[0], 1500))
    data = encode_frame(Frame(type=Kind.IDENTIFY, sequence=0x11))
    expect(_flags(bench.exchange(data)) == Flag.MOVING, "identify does not show the path running")
    for _ in range(4):
        bench.endpoint.advance(500)
        flags = _flags(bench.exchange(data))
    expect(flags == Flag(0), f"identify sent again shows old flags ({flags!r})")


def _flags(frame: Frame) -> Flag:
    expect(bool(frame.body), "a reply without a status byte")
    return Flag(frame.body[0])


@check
def identify_forgets_the_request_before(bench: Bench) -> None:
    """After identify the bytes of the request before it are a new request."""
    data = bench.frame(*bench.apply_body(bench.park_state, [(bench.away()[0], 1)]))
    bench.exchange(data)
    bench.ask(Identify())
    reply = bench.exchange(data)
    as_new = (bytes([ErrorCode.BUSY]), bytes([ErrorCode.WRONG_START]))
    expect(
        reply.type == ERROR_TYPE and reply.body[1:2] in as_new,
        "the request before identify was still taken for a repeat",
    )
