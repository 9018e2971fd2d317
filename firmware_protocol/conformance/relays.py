"""Checks of who answers and of how relays move: identify, apply, park."""

from __future__ import annotations

from dataclasses import replace

from firmware_protocol.conformance.bench import Bench
from firmware_protocol.conformance.endpoint import NotApplicable, expect
from firmware_protocol.conformance.registry import check
from firmware_protocol.framing import Frame, encode_frame
from firmware_protocol.messages import (
    LATEST_MS,
    PROTOCOL_VERSION,
    ErrorCode,
    ErrorReply,
    Flag,
    HoldOff,
    Identify,
    IdentifyReply,
    Kind,
    Park,
    ParkReply,
    reply_type,
)


@check
def identify(bench: Bench) -> None:
    """Identify says version 1 and numbers that fit together."""
    identity = bench.identity
    expect(identity.version == PROTOCOL_VERSION, f"version is {identity.version}")
    expect(not int(identity.capabilities) & ~1, f"capabilities are {identity.capabilities!r}")
    again = bench.ask_for(Identify(), IdentifyReply)
    same = replace(again, flags=identity.flags) == identity
    expect(same, f"identify says one thing and then another: {identity} and {again}")


@check
def identify_changes_nothing(bench: Bench) -> None:
    """Identify leaves relays, path, hold-off, flags and the count of dropped frames as they are."""
    bench.ask(HoldOff(time_ms=1777))
    bench.silent(b"\x01\x00" * 3)
    bench.apply(bench.park_state, *((state, 1500) for state in bench.walk(1)))
    before = bench.status()
    bench.ask(Identify())
    after = bench.status()
    expect(after == before, f"identify changed {before} to {after}")
    bench.settle(1500)
    before = bench.status()
    bench.ask(Identify())
    expect(bench.status() == before, "identify changed something at rest")
    bench.outlast(1777 + LATEST_MS)
    before = bench.status()
    expect(bool(before.flags & Flag.HOLD_OFF_EXPIRED), "identify changed when the hold-off is due")
    bench.ask(Identify())
    expect(bench.status() == before, "identify cleared a flag")


@check
def sequence_is_echoed(bench: Bench) -> None:
    """Every reply has the sequence number and the type of its request."""
    for sequence in (0x00, 0x01, 0x7F, 0x80, 0xFE, 0xFF):
        for kind in (Kind.STATUS, Kind.PARK):
            frame = bench.exchange(encode_frame(Frame(type=kind, sequence=sequence)))
            expect(frame.sequence == sequence, f"sequence {sequence} came back as {frame.sequence}")
            expect(frame.type == reply_type(kind), f"type {kind:#04x} got {frame.type:#04x}")


@check
def exactly_one_reply(bench: Bench) -> None:
    """One request gets one reply, and then the device is quiet."""
    bench.exchange(bench.frame(Kind.STATUS))
    came = bench.endpoint.receive(60)
    expect(not came, f"after the reply came {came.hex(' ')}")


@check
def park(bench: Bench) -> None:
    """Park latches the park state and says so."""
    bench.apply(bench.park_state, (bench.away()[0], 1))
    reply = bench.ask_for(Park(), ParkReply)
    expect(reply.flags == Flag.PARKED, f"flags after park are {reply.flags!r}")
    expect(bench.status().state == bench.park_state, "park did not latch the park state")


@check
def apply_latches_before_it_replies(bench: Bench) -> None:
    """Apply latches its first state at once, moves until the hold has passed, and stays."""
    state = bench.away()[0]
    reply = bench.apply(bench.park_state, (state, 1500))
    expect(reply.flags == Flag.MOVING, f"flags after apply are {reply.flags!r}")
    status = bench.status()
    expect(status.state == state, "the first state is not latched after the reply")
    expect(status.steps_left == 0, f"{status.steps_left} states left of a path of one")
    status = bench.settle(1500)
    expect(status.state == state, "the state did not stay when its hold had passed")
    expect(status.flags == Flag(0), f"flags at the end of the path are {status.flags!r}")


@check
def path_of_full_length(bench: Bench) -> None:
    """A path of max_path states is taken whole and ends in its last state."""
    count = bench.identity.max_path
    states = bench.walk(count)
    since = _known(bench)
    bench.apply(bench.park_state, *((state, 3) for state in states))
    status = bench.settle(3 * count)
    expect(status.state == states[-1], "the path did not end in its last state")
    expect(status.steps_left == 0, f"{status.steps_left} states left at the end")
    if since is not None:
        latched = [state for _, state in bench.changes(since)]
        expect(latched == states, f"the states {latched} were latched; the path has {states}")


def _known(bench: Bench) -> int | None:
    try:
        return len(bench.changes())
    except NotApplicable:
        return None


@check
def path_to_park_is_parked(bench: Bench) -> None:
    """A path that ends in the park state leaves the device parked."""
    first = bench.walk(2)[0]
    bench.apply(bench.park_state, (first, 5), (bench.park_state, 5))
    status = bench.settle(10)
    expect(status.flags == Flag.PARKED, f"flags at the end of the path are {status.flags!r}")


@check
def every_relay_by_itself(bench: Bench) -> None:
    """Bit i of a mask is relay i, for every relay the board lets be latched alone."""
    for relay in range(bench.identity.relay_count):
        state = bench.park_state ^ (1 << relay)
        reply = bench.ask_any(*bench.apply_body(bench.park_state, [(state, 1)]))
        if isinstance(reply, ErrorReply):
            expect(reply.code == ErrorCode.FORBIDDEN, f"relay {relay} was refused: {reply.code!r}")
            continue
        status = bench.status()
        expect(status.state == state, f"{status.state:#x} was latched; {state:#x} was asked for")
        if (latched := _known(bench)) is not None:
            seen = bench.changes()[latched - 1][1]
            expect(seen == state, f"the record shows {seen:#x}; {state:#x} was asked for")
        flags = bench.settle(1).flags
        expect(flags == Flag(0), f"flags at rest in the state {state:#x} are {flags!r}")
        bench.ask(Park())


@check
def busy_while_moving(bench: Bench) -> None:
    """Apply is refused with busy, and the states left, while a path runs; the path goes on."""
    states = bench.walk(min(3, bench.identity.max_path))
    first, last, left = states[0], states[-1], len(states) - 1
    bench.apply(bench.park_state, (first, 1500), *((state, 100) for state in states[1:]))
    for start in (first, last, bench.park_state):
        bench.refused(*bench.apply_body(start, [(last, 1)]), ErrorCode.BUSY, left)
        status = bench.status()
        expect(status.steps_left == left, f"{status.steps_left} states left; {left} is right")
        expect(status.state == first, "a refused apply changed what is latched, or status lies")
        expect(status.flags == Flag.MOVING, f"flags while a path runs are {status.flags!r}")
    status = bench.settle(1500 + 100 * left)
    expect(status.state == last, "the path did not go on after the refusal")
    bench.endpoint.advance(50)
    status = bench.status()
    expect(status.state == last, "a refused apply was carried out after the path")
    expect(not status.flags & Flag.MOVING, "a refused apply was carried out after the path")


@check
def park_while_moving(bench: Bench) -> None:
    """Park latches at once while a path runs, and the rest of the path is dropped."""
    states = bench.walk(min(3, bench.identity.max_path))
    since = _known(bench)
    bench.apply(bench.park_state, *((state, 300) for state in states))
    reply = bench.ask_for(Park(), ParkReply)
    expect(reply.flags == Flag.PARKED, f"flags after park are {reply.flags!r}")
    for _ in range(12):
        status = bench.status()
        expect(status.state == bench.park_state, "a state of the dropped path came after park")
        expect(status.steps_left == 0, "states are left of a path that was dropped")
        expect(status.flags == Flag.PARKED, f"flags after park are {status.flags!r}")
        bench.endpoint.advance(100)
    if since is not None:
        latched = [state for _, state in bench.changes(since)]
        expected = [states[0], bench.park_state]
        expect(latched == expected, f"the record shows {latched}; {expected} is right")
    # What was dropped is gone for the next path, too.
    bench.apply(bench.park_state, (states[0], 1))
    bench.endpoint.advance(400)
    expect(bench.status().state == states[0], "a state of a dropped path was latched later")
