"""Checks of the hold-off, the interlock, faults and sense."""

from __future__ import annotations

from collections.abc import Callable

from firmware_protocol.conformance.bench import Bench
from firmware_protocol.conformance.endpoint import expect
from firmware_protocol.conformance.registry import check
from firmware_protocol.messages import (
    INTERLOCK,
    LATEST_MS,
    LONGEST_HOLD_MS,
    SHORTEST_HOLD_OFF_MS,
    Capability,
    Clear,
    ClearReply,
    ErrorCode,
    Flag,
    HoldOff,
    HoldOffReply,
    Identify,
    Kind,
    Park,
    Sense,
    SenseReply,
)

_EXPIRED = Flag.PARKED | Flag.HOLD_OFF_EXPIRED


@check
def hold_off_is_reported(bench: Bench) -> None:
    """The hold-off time is set, kept by zero, and reported by reply and status."""
    for time_ms in (1234, 513, 4096):
        reply = bench.ask_for(HoldOff(time_ms=time_ms), HoldOffReply)
        expect(reply.time_ms == time_ms, f"{time_ms} ms became {reply.time_ms}")
        reply = bench.ask_for(HoldOff(time_ms=0), HoldOffReply)
        expect(reply.time_ms == time_ms, f"zero changed the time to {reply.time_ms}")
        expect(bench.status().hold_off_ms == time_ms, "status reports another time")


@check
def hold_off_parks(bench: Bench) -> None:
    """Silence longer than the hold-off parks, sets the flag, and interlocks until cleared."""
    bench.let_hold_off_expire()
    status = bench.status()
    expect(status.flags == _EXPIRED, f"flags after the hold-off are {status.flags!r}")
    expect(status.state == bench.park_state, "the hold-off did not latch the park state")
    body = bench.apply_body(bench.park_state, [(bench.away()[0], 1)])
    bench.unmoved("an interlocked apply", lambda: bench.refused(*body, ErrorCode.INTERLOCKED))
    bench.ask(Park())
    bench.ask(Identify())
    expect(bool(bench.status().flags & Flag.HOLD_OFF_EXPIRED), "park cleared a sticky flag")
    reply = bench.ask_for(Clear(flags=Flag.HOLD_OFF_EXPIRED), ClearReply)
    expect(reply.flags == Flag.PARKED, f"flags after clear are {reply.flags!r}")
    bench.apply(bench.park_state, (bench.away()[0], 1))


@check
def hold_off_drops_the_path(bench: Bench) -> None:
    """A hold-off that runs out while a path runs parks at once and drops the rest of it."""
    bench.ask(HoldOff(time_ms=SHORTEST_HOLD_OFF_MS))
    # The hold-off runs out in the first hold, at the end of one, or in the second of three.
    for holds in ([900, 900], [SHORTEST_HOLD_OFF_MS, 900], [90, 900, 300], [LONGEST_HOLD_MS]):
        holds = holds[: bench.identity.max_path]
        bench.apply(bench.park_state, *zip(bench.walk(len(holds)), holds, strict=True))
        bench.outlast(SHORTEST_HOLD_OFF_MS + LATEST_MS)
        # Asked again and again, which feeds: nothing of the path may come later.
        for _ in range(14):
            status = bench.status()
            expect(status.flags == _EXPIRED, f"a path and silence gave flags {status.flags!r}")
            expect(status.state == bench.park_state, "a state of the path is latched after it")
            expect(status.steps_left == 0, "states are left of a path that was dropped")
            bench.endpoint.advance(100)
        bench.ask(Clear(flags=Flag.HOLD_OFF_EXPIRED))


@check
def a_dropped_path_leaves_no_trace(bench: Bench) -> None:
    """The latch record shows the park as the last change of a path whose hold-off ran out."""
    bench.ask(HoldOff(time_ms=SHORTEST_HOLD_OFF_MS))
    states = bench.walk(min(4, bench.identity.max_path))
    since = len(bench.changes())
    bench.apply(bench.park_state, *((state, 150) for state in states))
    changed = bench.watch(since, 1000, lambda states: states[-1:] == [bench.park_state])
    expected = states[:2]
    if expected[-1] != bench.park_state:
        expected.append(bench.park_state)
    expect(changed == expected, f"the record shows {changed}; {expected} is right")


@check
def a_path_is_fed_like_anything_else(bench: Bench) -> None:
    """A path that lasts longer than the hold-off runs to its end while the host asks."""
    bench.ask(HoldOff(time_ms=SHORTEST_HOLD_OFF_MS))
    bench.apply(bench.park_state, *((state, 400) for state in bench.walk(1)))
    for _ in range(4):
        bench.endpoint.advance(SHORTEST_HOLD_OFF_MS // 2)
        bench.ask(HoldOff())
    status = bench.settle(500)
    expect(status.flags == Flag(0), f"flags after a path that was fed are {status.flags!r}")


@check
def every_request_feeds(bench: Bench) -> None:
    """Status, hold-off 0, a refused request and a repeat each feed the hold-off."""
    state = bench.away()[0]
    bench.ask(HoldOff(time_ms=1500))
    bench.apply(bench.park_state, (state, 1))
    refused = bench.frame(0x7F)
    stale = bench.apply_body(bench.park_state, [(state, 1)])
    feeds: list[tuple[str, Callable[[], object]]] = [
        ("status", bench.status),
        ("hold-off 0", lambda: bench.ask(HoldOff())),
        ("identify", lambda: bench.ask(Identify())),
        ("clear", lambda: bench.ask(Clear(flags=Flag(0)))),
        ("a refused apply", lambda: bench.refused(*stale, ErrorCode.WRONG_START)),
        ("a bad length", lambda: bench.refused(Kind.STATUS, bytes(1), ErrorCode.BAD_LENGTH)),
        ("a refused request", lambda: bench.exchange(refused)),
        ("a repeat", lambda: bench.exchange(refused)),
        ("sense", lambda: bench.ask_any(Kind.SENSE, bytes(1))),
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
    """Frames that are dropped, those of foreign types, and bytes do not feed the hold-off."""
    bench.ask(HoldOff(time_ms=400))
    noises = {
        "a corrupt frame": b"\x05\x04\x41\xff\xff\x00",
        "a foreign frame": bench.frame(0x82),
        "delimiters": b"\x00\x00",
        "half a frame": b"\x05\x04",
    }
    for name, noise in noises.items():
        bench.apply(bench.park_state, (bench.away()[0], 1))
        for _ in range(6):
            bench.endpoint.advance(60)
            bench.silent(noise, wait_ms=5)
        bench.outlast(400 + LATEST_MS)
        bench.silent(b"\x00", wait_ms=5)
        fed = not bench.status().flags & Flag.HOLD_OFF_EXPIRED
        expect(not fed, f"{name} fed the hold-off")
        bench.ask(Clear(flags=Flag.HOLD_OFF_EXPIRED))


@check
def a_parked_device_may_be_left_alone(bench: Bench) -> None:
    """Nothing happens when the hold-off runs out while parked."""
    bench.ask(HoldOff(time_ms=SHORTEST_HOLD_OFF_MS))
    bench.endpoint.advance(3 * SHORTEST_HOLD_OFF_MS)
    status = bench.status()
    expect(status.flags == Flag.PARKED, f"flags after silence while parked are {status.flags!r}")
    # The silence before counts for nothing once a path has begun.
    bench.endpoint.advance(3 * SHORTEST_HOLD_OFF_MS)
    bench.apply(bench.park_state, (bench.away()[0], 1))
    expect(bench.settle(1).flags == Flag(0), "silence while parked was held against a path")


@check
def a_pattern_with_the_park_state_inside_is_not_parked(bench: Bench) -> None:
    """Passing through the park state on a path is moving, not parked; away from it is neither."""
    states = [bench.away()[0], bench.park_state, bench.away()[-1]][: bench.identity.max_path]
    bench.apply(bench.park_state, *((state, 200) for state in states))
    began = bench.last
    while (status := bench.status()).flags & Flag.MOVING:
        expect(not status.flags & Flag.PARKED, "a running path is called parked")
        expect(bench.least_ms(began, bench.last) < 1000, "a path does not end")
        bench.endpoint.advance(20)
    parked = bool(status.flags & Flag.PARKED)
    expect(parked == (status.state == bench.park_state), f"flags at rest are {status.flags!r}")


@check
def fault_parks(bench: Bench) -> None:
    """A fault parks, sets the flag and interlocks until it is cleared."""
    states = bench.walk(min(2, bench.identity.max_path))
    bench.apply(bench.park_state, *((state, 600) for state in states))
    bench.endpoint.set_fault()
    for _ in range(3):
        status = bench.status()
        flags = status.flags
        expect(flags == Flag.PARKED | Flag.FAULT, f"flags after a fault are {flags!r}")
        expect(status.state == bench.park_state, "a fault did not latch the park state")
        expect(status.steps_left == 0, "states are left of a path that a fault ended")
        bench.endpoint.advance(300)
    body = bench.apply_body(bench.park_state, [(bench.away()[0], 1)])
    bench.refused(*body, ErrorCode.INTERLOCKED)
    bench.ask(Park())
    bench.ask(Clear(flags=Flag.HOLD_OFF_EXPIRED))
    expect(bool(bench.status().flags & Flag.FAULT), "a fault was cleared by something else")
    reply = bench.ask_for(Clear(flags=Flag.FAULT), ClearReply)
    expect(reply.flags == Flag.PARKED, f"flags after clear are {reply.flags!r}")
    # At rest away from the park state, and parked already.
    bench.apply(bench.park_state, (bench.away()[0], 1))
    bench.settle(1)
    for _ in range(2):
        bench.endpoint.set_fault()
        flags = bench.status().flags
        expect(flags == Flag.PARKED | Flag.FAULT, f"flags after a fault at rest are {flags!r}")
    bench.ask(Clear(flags=Flag.FAULT))


@check
def clear_clears_what_is_named(bench: Bench) -> None:
    """Clear clears the flags named and no others."""
    bench.let_hold_off_expire()
    for flags in (INTERLOCK & ~Flag.HOLD_OFF_EXPIRED, Flag.FAULT, Flag.RESTARTED, Flag(0)):
        reply = bench.ask_for(Clear(flags=flags), ClearReply)
        kept = bool(reply.flags & Flag.HOLD_OFF_EXPIRED)
        expect(kept, f"clear of {flags!r} cleared a flag that was not named")
    # A clear that is refused clears nothing, whatever else it names.
    wrong = bytes([Flag.HOLD_OFF_EXPIRED | Flag.PARKED])
    bench.refused(Kind.CLEAR, wrong, ErrorCode.BAD_VALUE)
    kept = bool(bench.status().flags & Flag.HOLD_OFF_EXPIRED)
    expect(kept, "a refused clear cleared a flag")
    reply = bench.ask_for(Clear(flags=Flag.HOLD_OFF_EXPIRED), ClearReply)
    expect(reply.flags == Flag.PARKED, f"flags after clear are {reply.flags!r}")
    expect(bench.status().flags == Flag.PARKED, "a cleared flag came back")


@check
def sense(bench: Bench) -> None:
    """Sense reads channel 0 where the board has it, and is unsupported where it has not."""
    if not bench.identity.capabilities & Capability.SENSE:
        bench.refused(Kind.SENSE, bytes(1), ErrorCode.UNSUPPORTED)
        bench.refused(Kind.SENSE, b"", ErrorCode.UNSUPPORTED)
        return
    reply = bench.ask_for(Sense(channel=0), SenseReply)
    expect(reply.reference_mv > 0, "a reference of 0 mV")
    for channel in range(8):
        answer = bench.ask_any(Kind.SENSE, bytes([channel]))
        if isinstance(answer, SenseReply):
            expect(answer.channel == channel, f"the reading is of channel {answer.channel}")
            same = (answer.full_scale, answer.reference_mv) == (
                reply.full_scale,
                reply.reference_mv,
            )
            expect(same or channel > 0, "the scale of channel 0 changes from reading to reading")
    for body in (b"", bytes(2)):
        bench.refused(Kind.SENSE, body, ErrorCode.BAD_LENGTH)
    bench.refused(Kind.SENSE, b"\xff", ErrorCode.BAD_VALUE)
