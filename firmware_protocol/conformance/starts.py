"""Checks of what a start forgets and what it must not, and of the counter that wraps."""

from __future__ import annotations

from firmware_protocol.conformance.bench import Bench
from firmware_protocol.conformance.endpoint import COUNTER, expect
from firmware_protocol.conformance.registry import check
from firmware_protocol.conformance.timing import expect_timing
from firmware_protocol.framing import DELIMITER
from firmware_protocol.messages import (
    ERROR_TYPE,
    HOLD_OFF_AT_START_MS,
    INTERLOCK,
    LATEST_MS,
    Clear,
    ClearReply,
    ErrorCode,
    Flag,
    HoldOff,
    Identify,
    IdentifyReply,
    Kind,
)

_STARTED = Flag.PARKED | Flag.RESTARTED


@check
def restart_interlocks(bench: Bench) -> None:
    """After a restart the device is parked, says so, has forgotten, and refuses to move."""
    body = bench.apply_body(bench.park_state, [(bench.away()[0], 1)])
    bench.ask(HoldOff(time_ms=HOLD_OFF_AT_START_MS + 500))
    bench.silent(b"\x01\x00" * 20)  # counted as dropped, and forgotten
    data = bench.frame(*body)
    bench.exchange(data)
    bench.restart()
    frame = bench.exchange(DELIMITER + data)
    expect(
        frame.body[1:2] == bytes([ErrorCode.INTERLOCKED]),
        "a request repeated across a restart was not refused with interlocked",
    )
    status = bench.status()
    expect(status.flags == _STARTED, f"flags after a restart are {status.flags!r}")
    expect(status.state == bench.park_state, "a restart did not latch the park state")
    expect(status.hold_off_ms == HOLD_OFF_AT_START_MS, f"hold-off is {status.hold_off_ms} ms")
    noise = 0 if bench.endpoint.tries == 1 else 10  # on a real line, while the board comes up
    expect(status.dropped <= noise, f"dropped is {status.dropped} after a restart")
    identity = bench.ask_for(Identify(), IdentifyReply)
    _expect_counted(bench, bench.identity.boots, identity.boots)
    expect(identity.flags == _STARTED, f"flags after a restart are {identity.flags!r}")
    expect(bench.status().flags == _STARTED, "identify cleared a flag")
    bench.refused(*body, ErrorCode.INTERLOCKED)
    bench.ask(Clear(flags=Flag.RESTARTED))
    bench.apply(bench.park_state, (bench.away()[0], 1))
    bench.restart()
    again = bench.ask_for(Identify(), IdentifyReply)
    _expect_counted(bench, identity.boots, again.boots)


def _expect_counted(bench: Bench, before: int, after: int) -> None:
    """Insist that a start was counted, or is never counted where the board cannot."""
    never = before == after == 0 and not bench.endpoint.counts_starts
    counted = after == (before + 1) % 0x10000
    expect(counted or never, f"boots went from {before} to {after} at a restart")


@check
def restart_while_relays_are_energised_parks(bench: Bench) -> None:
    """A restart in a path drops it: parked from the first reply on, and nothing moves later."""
    bench.apply(bench.park_state, *((state, 2500) for state in bench.walk(1)))
    bench.restart()
    for _ in range(4):
        status = bench.status()
        expect(status.flags == _STARTED, f"flags after a restart in a path are {status.flags!r}")
        expect(status.state == bench.park_state, "a restart did not latch the park state")
        expect(status.steps_left == 0, "states are left of a path from before a restart")
        bench.endpoint.advance(1000)


@check
def power_up_latches_the_park_state(bench: Bench) -> None:
    """The latch record shows the park state latched at every start, before anything is asked."""
    bench.endpoint.latches()
    expect(bool(bench.latched_unasked), "nothing was latched at power-up")
    _, state = bench.latched_unasked[0]
    expect(state == bench.park_state, f"{state:#x} was latched at power-up")
    bench.apply(bench.park_state, (bench.away()[0], 1))
    known = len(bench.endpoint.latches())
    bench.restart()
    since = bench.endpoint.latches()[known:]
    expect(bool(since), "a restart latched nothing")
    states = {state for _, state in since}
    expect(states == {bench.park_state}, f"a restart latched {states}")


@check
def restart_is_not_cleared_unseen(bench: Bench) -> None:
    """A clear repeated across a restart is refused, and so is any until identify, that names it."""
    data = bench.frame(Kind.CLEAR, bytes([INTERLOCK]))
    bench.exchange(data)
    bench.restart()
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
    # An identify that is refused does not count as one.
    bench.refused(Kind.IDENTIFY, bytes(1), ErrorCode.BAD_LENGTH)
    bench.refused(Kind.CLEAR, bytes([Flag.RESTARTED]), ErrorCode.INTERLOCKED)
    expect(bench.status().flags == _STARTED, "a refused clear cleared the flag")
    bench.ask(Identify())
    reply = bench.ask_for(Clear(flags=Flag.RESTARTED), ClearReply)
    expect(reply.flags == Flag.PARKED, f"flags after identify and clear are {reply.flags!r}")


@check
def a_clear_that_is_refused_clears_nothing(bench: Bench) -> None:
    """A clear refused for `restarted` leaves the other flags that it names as well."""
    bench.restart()
    bench.endpoint.set_fault()
    expect(bool(bench.status().flags & Flag.FAULT), "a fault did not set its flag")
    bench.refused(Kind.CLEAR, bytes([INTERLOCK]), ErrorCode.INTERLOCKED)
    expect(bool(bench.status().flags & Flag.FAULT), "a refused clear cleared another flag")
    bench.ask(Identify())
    reply = bench.ask_for(Clear(flags=Flag.FAULT), ClearReply)
    expect(reply.flags == _STARTED, f"flags after clear of the fault are {reply.flags!r}")


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
    bench.outlast(1500 + LATEST_MS)
    expect(bool(bench.status().flags & Flag.HOLD_OFF_EXPIRED), "the hold-off did not run out")


@check
def silence_across_the_wrap(bench: Bench) -> None:
    """One silence that holds the wrap of the counter runs out, and not before its time."""
    for before_ms in (300, 900):
        bench.endpoint.preset_counter(COUNTER - before_ms - 400)
        bench.begin()
        state = bench.away()[0]
        bench.ask(HoldOff(time_ms=1000))
        since = len(bench.changes())
        bench.apply(bench.park_state, (state, 1))
        bench.watch(since, 2000, lambda states: len(states) > 1)
        changes = bench.changes(since)
        expect(
            [latched for _, latched in changes] == [state, bench.park_state],
            "a silence across the wrap of the counter did not park",
        )
        after = (changes[1][0] - changes[0][0]) % COUNTER
        expect(1000 <= after <= 1000 + LATEST_MS, f"parked {after} ms after the last request")
        expired = Flag.PARKED | Flag.HOLD_OFF_EXPIRED
        flags = bench.status().flags
        expect(flags == expired, f"flags after silence across the wrap are {flags!r}")
