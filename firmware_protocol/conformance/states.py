"""Checks of the hold-off, the interlock, restarts, faults, sense and the counter.

Knows: SPEC.md.
Must not know: what kind of device is being checked.
"""

from __future__ import annotations

from collections.abc import Callable

from firmware_protocol.conformance.bench import COUNTER, LATEST_MS, Bench, expect, expect_timing
from firmware_protocol.conformance.registry import check
from firmware_protocol.framing import DELIMITER
from firmware_protocol.messages import (
    ERROR_TYPE,
    HOLD_OFF_AT_START_MS,
    INTERLOCK,
    SHORTEST_HOLD_OFF_MS,
    Capability,
    Clear,
    ClearReply,
    ErrorCode,
    Flag,
    HoldOff,
    HoldOffReply,
    Identify,
    IdentifyReply,
    Kind,
    Park,
    Sense,
    SenseReply,
)


@check
def hold_off_is_reported(bench: Bench) -> None:
    """The hold-off time is set, kept by zero, and reported by reply and status."""
    reply = bench.ask_for(HoldOff(time_ms=1234), HoldOffReply)
    expect(reply.time_ms == 1234, f"1234 ms became {reply.time_ms}")
    reply = bench.ask_for(HoldOff(time_ms=0), HoldOffReply)
    expect(reply.time_ms == 1234, f"zero changed the time to {reply.time_ms}")
    expect(bench.status().hold_off_ms == 1234, "status reports another time")


@check
def hold_off_parks(bench: Bench) -> None:
    """Silence longer than the hold-off parks, sets the flag, and interlocks until cleared."""
    bench.let_hold_off_expire()
    status = bench.status()
    expected = Flag.PARKED | Flag.HOLD_OFF_EXPIRED
    expect(status.flags == expected, f"flags after the hold-off are {status.flags!r}")
    expect(status.state == bench.park_state, "the hold-off did not latch the park state")
    body = bench.apply_body(bench.park_state, [(bench.away()[0], 1)])
    bench.unmoved("an interlocked apply", lambda: bench.refused(*body, ErrorCode.INTERLOCKED))
    bench.ask(Park())
    expect(bool(bench.status().flags & Flag.HOLD_OFF_EXPIRED), "park cleared a sticky flag")
    reply = bench.ask_for(Clear(flags=Flag.HOLD_OFF_EXPIRED), ClearReply)
    expect(reply.flags == Flag.PARKED, f"flags after clear are {reply.flags!r}")
    bench.apply(bench.park_state, (bench.away()[0], 1))


@check
def hold_off_parks_on_time(bench: Bench) -> None:
    """The latch record shows the park when the hold-off ran out, at most 2 ms late."""
    bench.ask(HoldOff(time_ms=400))
    state = bench.away()[0]
    since = len(bench.changes())
    bench.apply(bench.park_state, (state, 1))
    bench.endpoint.advance(600)
    changes = bench.changes(since)
    expect(len(changes) == 2, f"the record shows {len(changes)} changes; 2 are right")
    after = (changes[1][0] - changes[0][0]) % COUNTER
    expect(400 <= after <= 400 + LATEST_MS, f"parked {after} ms after the last request")


@check
def hold_off_drops_the_path(bench: Bench) -> None:
    """A hold-off that runs out while a path runs parks and drops the rest of it."""
    bench.ask(HoldOff(time_ms=SHORTEST_HOLD_OFF_MS))
    bench.apply(bench.park_state, *((state, 400) for state in bench.walk(2)))
    bench.endpoint.advance(900)
    status = bench.status()
    expect(status.state == bench.park_state, "a state of the path is latched after the hold-off")
    expect(status.flags == Flag.PARKED | Flag.HOLD_OFF_EXPIRED, f"flags are {status.flags!r}")
    expect(status.steps_left == 0, "states are left of a path that was dropped")


@check
def every_request_feeds(bench: Bench) -> None:
    """Status, hold-off 0, a refused request and a repeat each feed the hold-off."""
    bench.ask(HoldOff(time_ms=1500))
    bench.apply(bench.park_state, (bench.away()[0], 1))
    refused = bench.frame(0x7F)
    feeds: list[tuple[str, Callable[[], object]]] = [
        ("status", bench.status),
        ("hold-off 0", lambda: bench.ask(HoldOff())),
        ("identify", lambda: bench.ask(Identify())),
        ("a refused request", lambda: bench.exchange(refused)),
        ("a repeat", lambda: bench.exchange(refused)),
    ]
    for name, feed in feeds:
        if name == "a repeat":
            bench.exchange(refused)
        bench.endpoint.advance(900)
        feed()
        bench.endpoint.advance(900)
        status = bench.status()
        expect(not status.flags & Flag.HOLD_OFF_EXPIRED, f"{name} did not feed the hold-off")


@check
def noise_does_not_feed(bench: Bench) -> None:
    """Frames that are dropped, and those of foreign types, do not feed the hold-off."""
    bench.ask(HoldOff(time_ms=400))
    bench.apply(bench.park_state, (bench.away()[0], 1))
    for _ in range(6):
        bench.endpoint.advance(60)
        bench.silent(b"\x05\x04\x41\xff\xff\x00", wait_ms=5)
        bench.silent(bench.frame(0x82), wait_ms=5)
    bench.endpoint.advance(100)
    expect(bool(bench.status().flags & Flag.HOLD_OFF_EXPIRED), "noise fed the hold-off")


@check
def a_parked_device_may_be_left_alone(bench: Bench) -> None:
    """Nothing happens when the hold-off runs out while parked."""
    bench.ask(HoldOff(time_ms=SHORTEST_HOLD_OFF_MS))
    bench.endpoint.advance(3 * SHORTEST_HOLD_OFF_MS)
    status = bench.status()
    expect(status.flags == Flag.PARKED, f"flags after silence while parked are {status.flags!r}")


@check
def restart_interlocks(bench: Bench) -> None:
    """After a restart the device is parked, says so, has forgotten, and refuses to move."""
    body = bench.apply_body(bench.park_state, [(bench.away()[0], 1)])
    data = bench.frame(*body)
    bench.exchange(data)
    bench.endpoint.restart()
    bench.reset()
    frame = bench.exchange(DELIMITER + data)
    expect(
        frame.body[1:2] == bytes([ErrorCode.INTERLOCKED]),
        "a request repeated across a restart was not refused with interlocked",
    )
    status = bench.status()
    expected = Flag.PARKED | Flag.RESTARTED
    expect(status.flags == expected, f"flags after a restart are {status.flags!r}")
    expect(status.state == bench.park_state, "a restart did not latch the park state")
    expect(status.hold_off_ms == HOLD_OFF_AT_START_MS, f"hold-off is {status.hold_off_ms} ms")
    expect(status.dropped == 0, f"dropped is {status.dropped} after a restart")
    boots = bench.ask_for(Identify(), IdentifyReply).boots
    counted = (bench.identity.boots + 1) % 0x10000
    expect(boots in (0, counted), f"boots went from {bench.identity.boots} to {boots}")
    bench.ask(Clear(flags=Flag.RESTARTED))
    bench.apply(bench.park_state, (bench.away()[0], 1))


@check
def restart_is_not_cleared_unseen(bench: Bench) -> None:
    """A clear repeated across a restart is refused, and so is any until identify, that names it."""
    data = bench.frame(Kind.CLEAR, bytes([INTERLOCK]))
    bench.exchange(data)
    bench.endpoint.restart()
    bench.reset()
    frame = bench.exchange(DELIMITER + data)
    expect(
        frame.type == ERROR_TYPE and frame.body[1:2] == bytes([ErrorCode.INTERLOCKED]),
        "a clear repeated across a restart was not refused with interlocked",
    )
    expect(bool(bench.status().flags & Flag.RESTARTED), "a refused clear cleared the flag")
    bench.refused(Kind.CLEAR, bytes([Flag.RESTARTED]), ErrorCode.INTERLOCKED)
    # interlocked before bad-value, but after the errors of shape
    bench.refused(Kind.CLEAR, bytes([Flag.RESTARTED | Flag.PARKED]), ErrorCode.INTERLOCKED)
    bench.refused(Kind.CLEAR, bytes([Flag.RESTARTED, 0]), ErrorCode.BAD_LENGTH)
    bench.refused(Kind.CLEAR, bytes([Flag.PARKED]), ErrorCode.BAD_VALUE)
    reply = bench.ask_for(Clear(flags=Flag.HOLD_OFF_EXPIRED | Flag.FAULT), ClearReply)
    expect(bool(reply.flags & Flag.RESTARTED), "clear cleared a flag that was not named")
    bench.ask(Identify())
    reply = bench.ask_for(Clear(flags=Flag.RESTARTED), ClearReply)
    expect(reply.flags == Flag.PARKED, f"flags after identify and clear are {reply.flags!r}")


@check
def fault_parks(bench: Bench) -> None:
    """A fault parks, sets the flag and interlocks until it is cleared."""
    bench.apply(bench.park_state, (bench.away()[0], 3000))
    bench.endpoint.set_fault()
    status = bench.status()
    expect(status.flags == Flag.PARKED | Flag.FAULT, f"flags after a fault are {status.flags!r}")
    expect(status.state == bench.park_state, "a fault did not latch the park state")
    body = bench.apply_body(bench.park_state, [(bench.away()[0], 1)])
    bench.refused(*body, ErrorCode.INTERLOCKED)
    reply = bench.ask_for(Clear(flags=Flag.FAULT), ClearReply)
    expect(reply.flags == Flag.PARKED, f"flags after clear are {reply.flags!r}")


@check
def clear_clears_what_is_named(bench: Bench) -> None:
    """Clear clears the flags named and no others."""
    bench.let_hold_off_expire()
    reply = bench.ask_for(Clear(flags=INTERLOCK & ~Flag.HOLD_OFF_EXPIRED), ClearReply)
    expect(bool(reply.flags & Flag.HOLD_OFF_EXPIRED), "clear cleared a flag that was not named")
    reply = bench.ask_for(Clear(flags=Flag(0)), ClearReply)
    expect(bool(reply.flags & Flag.HOLD_OFF_EXPIRED), "clear of nothing cleared a flag")
    reply = bench.ask_for(Clear(flags=Flag.HOLD_OFF_EXPIRED), ClearReply)
    expect(reply.flags == Flag.PARKED, f"flags after clear are {reply.flags!r}")


@check
def sense(bench: Bench) -> None:
    """Sense reads channel 0 where the board has it, and is unsupported where it has not."""
    if not bench.identity.capabilities & Capability.SENSE:
        bench.refused(Kind.SENSE, bytes(1), ErrorCode.UNSUPPORTED)
        bench.refused(Kind.SENSE, b"", ErrorCode.UNSUPPORTED)
        return
    reply = bench.ask_for(Sense(channel=0), SenseReply)
    expect(reply.channel == 0, f"the reading is of channel {reply.channel}")
    expect(reply.reference_mv > 0, "a reference of 0 mV")
    for body in (b"", bytes(2)):
        bench.refused(Kind.SENSE, body, ErrorCode.BAD_LENGTH)
    bench.refused(Kind.SENSE, b"\xff", ErrorCode.BAD_VALUE)


@check
def path_across_the_wrap(bench: Bench) -> None:
    """A path keeps its times while the millisecond counter wraps."""
    bench.endpoint.preset_counter(COUNTER - 1000)
    bench.begin()
    states = bench.walk(min(4, bench.identity.max_path))
    holds = [400, 400, 400, 400][: len(states)]
    since = len(bench.changes())
    bench.apply(bench.park_state, *zip(states, holds, strict=True))
    status = bench.settle(sum(holds))
    expect(status.state == states[-1], "the path did not end in its last state")
    expect_timing(bench.changes(since), states, holds)


@check
def hold_off_across_the_wrap(bench: Bench) -> None:
    """The hold-off neither fails nor fires early while the millisecond counter wraps."""
    bench.endpoint.preset_counter(COUNTER - 1000)
    bench.begin()
    bench.ask(HoldOff(time_ms=1500))
    bench.apply(bench.park_state, (bench.away()[0], 1))
    for _ in range(2):
        bench.endpoint.advance(800)
        status = bench.status()
        expect(not status.flags & Flag.HOLD_OFF_EXPIRED, "the hold-off ran out early")
    bench.endpoint.advance(1600)
    expect(bool(bench.status().flags & Flag.HOLD_OFF_EXPIRED), "the hold-off did not run out")
