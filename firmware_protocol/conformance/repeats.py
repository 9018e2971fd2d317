"""Checks of repeats: nothing is carried out twice, nothing new is taken for old."""

from __future__ import annotations

from collections.abc import Callable

from firmware_protocol.conformance.bench import Bench
from firmware_protocol.conformance.endpoint import NotApplicable, expect
from firmware_protocol.conformance.registry import check
from firmware_protocol.framing import DELIMITER, Frame, encode_frame
from firmware_protocol.messages import (
    ERROR_TYPE,
    LATEST_MS,
    LONGEST_HOLD_OFF_MS,
    ApplyReply,
    ErrorCode,
    ErrorReply,
    Flag,
    HoldOff,
    HoldOffReply,
    Identify,
    Kind,
    Park,
    ParkReply,
    Reply,
    StatusReply,
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
        states = bench.watch(since, 20, lambda states: len(states) > 1)
    expect(states == [bench.away()[0], bench.park_state], f"the record shows {states}")


@check
def refusals_are_repeated(bench: Bench) -> None:
    """A repeat of a refused request gets the same refusal, also when it could now be granted."""
    data = bench.frame(0x7F)
    first = bench.exchange(data)
    expect(bench.exchange(data) == first, "the reply to a repeat is another")
    bench.ask(HoldOff(time_ms=LONGEST_HOLD_OFF_MS))
    state, other = bench.away()[0], bench.away()[-1]
    bench.apply(bench.park_state, (state, 400))
    data = bench.frame(
        *bench.apply_body(state, [(other, 1), (bench.park_state, 1)][: _most(bench)])
    )
    first = bench.exchange(data)
    expect(first.body[1:2] == bytes([ErrorCode.BUSY]), "apply while a path runs was not busy")
    bench.outlast(400 + LATEST_MS)
    for _ in range(3):
        again = bench.exchange(DELIMITER + data)
        expect(again == first, "a busy apply that was repeated later was carried out")
    status = bench.status()
    expect(status.state == state, "a repeat of a refused apply moved a relay")
    expect(status.flags == Flag(0), f"flags after a refused apply are {status.flags!r}")


def _most(bench: Bench) -> int:
    return bench.identity.max_path


@check
def a_repeat_is_equal_in_all_its_bytes(bench: Bench) -> None:
    """A request that differs in body, length or type alone is a new one, and is carried out."""
    sequence = bench.next_sequence()

    def ask(kind: int, body: bytes = b"") -> Reply:
        frame = Frame(type=kind, sequence=sequence, body=body)
        return bench.read(bench.exchange(encode_frame(frame)), kind, sequence)

    for time_ms in (1500, 1501, 0x1DD, 1500):  # 0x1DD and 0x5DC differ by their high byte, too
        reply = ask(Kind.HOLD_OFF, time_ms.to_bytes(2, "little"))
        same = isinstance(reply, HoldOffReply) and reply.time_ms == time_ms
        expect(same, f"a hold-off of {time_ms} ms with the same sequence number got {reply}")
    first, last = bench.away()[0], bench.away()[-1]
    expect(isinstance(ask(*bench.apply_body(bench.park_state, [(first, 1)])), ApplyReply), "apply")
    bench.settle(1)
    if first != last:
        reply = ask(*bench.apply_body(first, [(last, 1)]))
        expect(isinstance(reply, ApplyReply), "another apply was taken for a repeat")
        bench.settle(1)
        expect(bench.status().state == last, "another apply was taken for a repeat")
    expect(isinstance(ask(Kind.STATUS), StatusReply), "status got another reply")
    expect(isinstance(ask(Kind.PARK), ParkReply), "park got another reply")
    expect(bench.status().state == bench.park_state, "park was taken for a repeat")
    ask(Kind.STATUS, bytes(1))
    expect(isinstance(ask(Kind.STATUS), StatusReply), "a request of another length is a new one")
    ask(0x7F)
    ask(0x7F, bytes(1))


@check
def a_repeat_shows_the_flags_of_then(bench: Bench) -> None:
    """The reply to a repeat is the stored one, though the flags have changed meanwhile."""
    data = bench.frame(*bench.apply_body(bench.park_state, [(bench.away()[0], 100)]))
    first = bench.exchange(data)
    bench.outlast(101 + LATEST_MS)
    expect(bench.exchange(DELIMITER + data) == first, "the reply to a repeat was made anew")
    expect(bench.status().flags == Flag(0), "the path has not ended")


@check
def a_refused_identify_forgets_the_request_before(bench: Bench) -> None:
    """An identify of bad length is refused each time, and also forgets the request before it."""
    bench.ask(HoldOff(time_ms=LONGEST_HOLD_OFF_MS))
    data = bench.frame(*_round_trip(bench, hold_ms=400))
    bench.exchange(data)
    bench.outlast(401 + LATEST_MS)
    bench.refused(Kind.IDENTIFY, bytes(1), ErrorCode.BAD_LENGTH)
    expect(bench.exchange(data).type == reply_type(Kind.APPLY), "a new apply was refused")
    frame = encode_frame(Frame(type=Kind.IDENTIFY, sequence=0x23, body=bytes(1)))
    flags = []
    for _ in range(2):
        flags.append(_flags(bench.exchange(frame)))
        bench.outlast(401 + LATEST_MS)
    expect(flags == [Flag.MOVING, Flag.PARKED], f"a refused identify showed {flags}")


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
    bench.ask(HoldOff(time_ms=LONGEST_HOLD_OFF_MS))
    between: list[Callable[[], object]] = [
        bench.status,
        lambda: bench.ask_any(0x7F),
        lambda: bench.ask_any(Kind.STATUS, bytes(1)),
    ]
    for ask in between:
        data = bench.frame(*_round_trip(bench, hold_ms=300))
        bench.exchange(data)
        bench.outlast(301 + LATEST_MS)
        ask()
        bench.exchange(data)
        status = bench.status()
        expect(bool(status.flags & Flag.MOVING), "a request that was not the last did not run")
        bench.ask(Park())


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
