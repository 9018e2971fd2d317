"""Checks of who answers and of how relays move: identify, apply, park.

Knows: SPEC.md.
Must not know: what kind of device is being checked.
"""

from __future__ import annotations

from firmware_protocol.conformance.bench import Bench, expect, expect_timing
from firmware_protocol.conformance.registry import check
from firmware_protocol.framing import Frame, encode_frame
from firmware_protocol.messages import (
    PROTOCOL_VERSION,
    ErrorCode,
    ErrorReply,
    Flag,
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
    bench.apply(bench.park_state, *((state, 3) for state in states))
    status = bench.settle(3 * count)
    expect(status.state == states[-1], "the path did not end in its last state")
    expect(status.steps_left == 0, f"{status.steps_left} states left at the end")


@check
def path_to_park_is_parked(bench: Bench) -> None:
    """A path that ends in the park state leaves the device parked."""
    first = bench.walk(2)[0]
    bench.apply(bench.park_state, (first, 5), (bench.park_state, 5))
    status = bench.settle(10)
    expect(status.flags == Flag.PARKED, f"flags at the end of the path are {status.flags!r}")


@check
def path_timing(bench: Bench) -> None:
    """Each state is latched when the hold before has passed, never early, at most 2 ms late."""
    holds = [1, 7, 40, 2, 5, 100, 1, 3, 9, 1, 1, 60, 1, 2, 30, 4][: bench.identity.max_path]
    states = bench.walk(len(holds))
    since = len(bench.changes())
    bench.apply(bench.park_state, *zip(states, holds, strict=True))
    bench.settle(sum(holds))
    expect_timing(bench.changes(since), states, holds)


@check
def every_relay_by_itself(bench: Bench) -> None:
    """Bit i of a mask is relay i, for every relay the board lets be latched alone."""
    for relay in range(bench.identity.relay_count):
        state = bench.park_state ^ (1 << relay)
        reply = bench.ask_any(*bench.apply_body(bench.park_state, [(state, 1)]))
        if isinstance(reply, ErrorReply):
            expect(reply.code == ErrorCode.FORBIDDEN, f"relay {relay} was refused: {reply.code!r}")
            continue
        expect(bench.status().state == state, f"relay {relay}: another state was latched")
        bench.ask(Park())


@check
def busy_while_moving(bench: Bench) -> None:
    """Apply is refused with busy, and the states left, while a path runs; the path goes on."""
    first, second = bench.walk(2)
    bench.apply(bench.park_state, (first, 1500), (second, 1))
    bench.refused(*bench.apply_body(first, [(second, 1)]), ErrorCode.BUSY, 1)
    status = bench.status()
    expect(status.steps_left == 1, f"status says {status.steps_left} states left; 1 is right")
    expect(bench.settle(1500).state == second, "the path did not go on after the refusal")


@check
def park_while_moving(bench: Bench) -> None:
    """Park latches at once while a path runs, and the rest of the path is dropped."""
    first, second = bench.walk(2)
    bench.apply(bench.park_state, (first, 300), (second, 300))
    reply = bench.ask_for(Park(), ParkReply)
    expect(reply.flags == Flag.PARKED, f"flags after park are {reply.flags!r}")
    bench.endpoint.advance(700)
    status = bench.status()
    expect(status.state == bench.park_state, "a state of the dropped path was latched after park")
    expect(status.steps_left == 0, "states are left of a path that was dropped")
