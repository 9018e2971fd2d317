"""Checks of time: paths, hold-off and replies, as sharply as the endpoint's clock allows.

A request is taken in between its sending and the coming of its reply, so from two requests the
host knows the least and the most of the device's time that lies between them. What a status shows
is held to both: nothing before it was due, nothing still undone when it was overdue. A record of
latches, where there is one, is held to its own times.
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise

from firmware_protocol.conformance.bench import Bench, Moment
from firmware_protocol.conformance.endpoint import COUNTER, NotApplicable, Pace, expect
from firmware_protocol.conformance.registry import check
from firmware_protocol.messages import (
    LATEST_MS,
    LONGEST_HOLD_OFF_MS,
    REPLY_WITHIN_MS,
    SHORTEST_HOLD_OFF_MS,
    Capability,
    Clear,
    Flag,
    HoldOff,
    Identify,
    Park,
    Sense,
    StatusReply,
)

_ADAPTER_MS = 8
"""What an adapter may add to the quickest of several replies. Common practice, no source."""
_COUNTED_MS = 1
"""A silence that is counted in whole milliseconds may be short by the one that was running."""


def follow(bench: Bench, states: list[int], holds: list[int], every_ms: int = 2) -> None:
    """Run a path from the park state and insist, by many statuses, that it keeps its times."""
    path = list(zip(states, holds, strict=True))
    bench.apply(bench.park_state, *path)
    began = bench.last
    dues = [sum(holds[:index]) for index in range(len(holds) + 1)]
    moving = True
    while moving:
        bench.endpoint.advance(every_ms)
        status = bench.status()
        moving = bool(status.flags & Flag.MOVING)
        _expect_place(bench, status, began, states, dues)
        expect(bench.most_ms(began, bench.last) < 20 * dues[-1] + 5000, "a path does not end")


def _expect_place(
    bench: Bench, status: StatusReply, began: Moment, states: list[int], dues: list[int]
) -> None:
    """Insist that a status shows what the path has latched by then; `dues` ends with its end."""
    least = bench.least_ms(began, bench.last) - LATEST_MS
    most = bench.most_ms(began, bench.last)
    latched = len(states) - status.steps_left
    expect(latched >= 1, f"{status.steps_left} states are left of a path of {len(states)}")
    due = dues[latched - 1]
    expect(due <= most, f"state {latched} was latched within {most:.1f} ms, and due at {due} ms")
    expect(
        status.state == states[latched - 1],
        f"status shows {status.state:#x} and {status.steps_left} states left of a path; then"
        f" {states[latched - 1]:#x} is latched",
    )
    if status.flags & Flag.MOVING:
        due = dues[latched]
        what = f"state {latched + 1}" if latched < len(states) else "the end of the path"
        expect(due >= least, f"{what} was due at {due} ms and had not come after {least:.1f} ms")
    else:
        expect(status.steps_left == 0, f"a path has ended with {status.steps_left} states left")
        expect(dues[-1] <= most, f"a path of {dues[-1]} ms has ended within {most:.1f} ms")


def expect_timing(changes: list[tuple[int, int]], states: list[int], holds: list[int]) -> None:
    """Insist that a latch record shows a path: its states, never early, at most 2 ms late."""
    latched = [state for _, state in changes]
    expect(latched == states, f"the states {latched} were latched; the path has {states}")
    began = changes[0][0]
    due = 0
    for (at_ms, _), hold_ms in zip(changes, holds, strict=True):
        late = (at_ms - began) % COUNTER - due
        expect(0 <= late <= LATEST_MS, f"a state due {due} ms into the path came {late} ms late")
        due += hold_ms


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
def path_seen_from_the_host(bench: Bench) -> None:
    """Every status during a path shows the state that is due, and how many are left."""
    most = bench.identity.max_path
    for holds in ([120, 333, 80, 200, 150], [20] * 16, [700, 300], [1400]):
        holds = holds[:most]
        follow(bench, bench.walk(len(holds)), holds)
        bench.ask(Park())


@check
def a_device_that_was_held_up_shortens_no_hold(bench: Bench) -> None:
    """Behind by more than 2 ms, the device counts anew: no hold is short by more than that."""
    holds = [50, 60, 40, 30][: bench.identity.max_path]
    if len(holds) < 3:
        raise NotApplicable("the board takes no path of three states")
    for held_up_ms in (33, 40, 100, 700):
        states = bench.walk(len(holds))
        since = len(bench.changes())
        bench.apply(bench.park_state, *zip(states, holds, strict=True))
        bench.endpoint.advance(20)
        bench.endpoint.hold_up(held_up_ms)
        bench.settle(sum(holds))
        changes = bench.changes(since)
        latched = [state for _, state in changes]
        expect(latched == states, f"the states {latched} were latched; the path has {states}")
        for (at_ms, _), (next_ms, _), hold_ms in zip(changes, changes[1:], holds, strict=False):
            held = (next_ms - at_ms) % COUNTER
            short = (
                f"held up for {held_up_ms} ms, the device held a state for {held} ms of {hold_ms}"
            )
            expect(held >= hold_ms - LATEST_MS, short)
        late = (changes[-1][0] - changes[0][0]) % COUNTER - sum(holds[:-1])
        expect(late <= held_up_ms + 2 * LATEST_MS, f"and its last state came {late} ms late")
        bench.ask(Park())


@check
def path_left_alone(bench: Bench) -> None:
    """A path runs by itself: nobody asks meanwhile, and its last state is there in the end."""
    bench.ask(HoldOff(time_ms=LONGEST_HOLD_OFF_MS))
    holds = [90, 160, 70, 110, 50][: bench.identity.max_path]
    states = bench.walk(len(holds))
    bench.apply(bench.park_state, *zip(states, holds, strict=True))
    began = bench.last
    bench.outlast(sum(holds[:-1]) + LATEST_MS)
    dues = [sum(holds[:index]) for index in range(len(holds) + 1)]
    _expect_place(bench, bench.status(), began, states, dues)
    status = bench.settle(sum(holds))
    expect(status.state == states[-1], "the path did not end in its last state")


@check
def hold_off_is_not_early(bench: Bench) -> None:
    """The hold-off does not run out before its time has passed since the last request."""
    bench.ask(Park())
    for time_ms in (SHORTEST_HOLD_OFF_MS, 700, 2000):
        bench.ask(HoldOff(time_ms=time_ms))
        bench.apply(bench.park_state, (bench.away()[0], 1))
        for wait_ms in (time_ms * 98 // 100 - 6, time_ms * 95 // 100 - 10, time_ms * 85 // 100):
            fed = bench.last
            bench.endpoint.advance(wait_ms)
            status = bench.status()
            most = bench.most_ms(fed, bench.last)
            if status.flags & Flag.HOLD_OFF_EXPIRED:
                late = most >= time_ms - _COUNTED_MS  # it was the host that was held up
                expect(late, f"a hold-off of {time_ms} ms ran out within {most:.1f} ms")
                bench.ask(Clear(flags=Flag.HOLD_OFF_EXPIRED))
                bench.apply(bench.park_state, (bench.away()[0], 1))
        bench.ask(Park())


@check
def hold_off_is_not_late(bench: Bench) -> None:
    """When the hold-off has run out the next status says so, though nobody asked before."""
    for time_ms in (SHORTEST_HOLD_OFF_MS, 700, 2000):
        bench.ask(HoldOff(time_ms=time_ms))
        bench.apply(bench.park_state, (bench.away()[0], 1))
        bench.outlast(time_ms + LATEST_MS)
        status = bench.status()
        expired = Flag.PARKED | Flag.HOLD_OFF_EXPIRED
        expect(status.flags == expired, f"{time_ms} ms of silence gave the flags {status.flags!r}")
        bench.ask(Clear(flags=Flag.HOLD_OFF_EXPIRED))


@check
def longest_hold_off_runs_out(bench: Bench) -> None:
    """A hold-off of 60000 ms neither runs out early nor never, wherever the counter is."""
    if not bench.endpoint.has_minutes:
        raise NotApplicable("silences of a minute were not asked for")
    bench.ask(HoldOff(time_ms=LONGEST_HOLD_OFF_MS))
    for _ in range(2):  # so that one of them holds the wrap of a counter of 16 bits
        bench.apply(bench.park_state, (bench.away()[0], 1))
        fed = bench.last
        bench.endpoint.advance(LONGEST_HOLD_OFF_MS * 98 // 100)
        expired = bool(bench.status().flags & Flag.HOLD_OFF_EXPIRED)
        early = bench.most_ms(fed, bench.last) < LONGEST_HOLD_OFF_MS - _COUNTED_MS
        expect(not (expired and early), "a hold-off of 60000 ms ran out early")
        bench.outlast(LONGEST_HOLD_OFF_MS + LATEST_MS)
        expired = bool(bench.status().flags & Flag.HOLD_OFF_EXPIRED)
        expect(expired, "a hold-off of 60000 ms did not run out")
        bench.ask(Clear(flags=Flag.HOLD_OFF_EXPIRED))


@check
def hold_off_parks_on_time(bench: Bench) -> None:
    """The latch record shows the park when the hold-off ran out, at most 2 ms late."""
    bench.ask(HoldOff(time_ms=400))
    state = bench.away()[0]
    since = len(bench.changes())
    bench.apply(bench.park_state, (state, 1))
    bench.watch(since, 600, lambda states: len(states) > 1)
    changes = bench.changes(since)
    expect(len(changes) == 2, f"the record shows {len(changes)} changes; 2 are right")
    after = (changes[1][0] - changes[0][0]) % COUNTER
    expect(400 <= after <= 400 + LATEST_MS, f"parked {after} ms after the last request")


@check
def hold_off_parks_before_the_path_goes_on(bench: Bench) -> None:
    """No state of a path is latched in the millisecond in which the hold-off parks."""
    bench.ask(HoldOff(time_ms=SHORTEST_HOLD_OFF_MS))
    for hold_ms in range(SHORTEST_HOLD_OFF_MS - 2, SHORTEST_HOLD_OFF_MS + 2):
        since = len(bench.changes())
        bench.apply(bench.park_state, *((state, hold_ms) for state in bench.walk(2)))
        bench.watch(
            since, 2 * SHORTEST_HOLD_OFF_MS, lambda states: states[-1:] == [bench.park_state]
        )
        changes = bench.changes(since)
        for (before, _), (parked, state) in pairwise(changes):
            at_once = parked == before and state == bench.park_state
            expect(not at_once, "a state was latched in the millisecond of the park")
        expect(changes[-1][1] == bench.park_state, "the hold-off did not park")
        bench.ask(Clear(flags=Flag.HOLD_OFF_EXPIRED))


@check
def replies_in_time(bench: Bench) -> None:
    """Every kind of request is answered within 50 ms, at rest and while a path runs."""
    if bench.endpoint.pace is Pace.BEHIND:
        raise NotApplicable("the device's time may stand still")
    state = bench.away()[0]
    bench.ask(HoldOff(time_ms=LONGEST_HOLD_OFF_MS))
    apply_ = bench.apply_body(bench.park_state, [(state, 1)])
    kinds: dict[str, Callable[[], object]] = {
        "status": bench.status,
        "identify": lambda: bench.ask(Identify()),
        "hold-off": lambda: bench.ask(HoldOff()),
        "clear": lambda: bench.ask(Clear(flags=Flag(0))),
        "a refused request": lambda: bench.ask_any(0x7F),
        "park": lambda: bench.ask(Park()),
        "apply": lambda: bench.ask_any(*apply_),
    }
    if bench.identity.capabilities & Capability.SENSE:
        kinds["sense"] = lambda: bench.ask(Sense(channel=0))
    for name, ask in kinds.items():
        _expect_prompt(bench, name, ask)
    frame = bench.frame(0x7F)
    _expect_prompt(bench, "a repeat", lambda: bench.exchange(frame))
    bench.ask(Park())
    bench.apply(bench.park_state, *((state, 5000) for state in bench.walk(1)))
    _expect_prompt(bench, "status while a path runs", bench.status)


def _expect_prompt(bench: Bench, name: str, ask: Callable[[], object]) -> None:
    """Insist that the quickest of several replies is in time: hosts are held up now and then."""
    took = []
    for _ in range(8):
        ask()
        took.append(bench.last.came_ms - bench.last.sent_ms)
    line_ms = 12 * bench.endpoint.byte_ms
    most = REPLY_WITHIN_MS + _ADAPTER_MS
    expect(min(took) - line_ms <= most, f"{name}: no reply came within {min(took):.0f} ms")


@check
def requests_are_answered(bench: Bench) -> None:
    """A hundred requests in a row get their replies; one may be lost on the line."""
    before = bench.repeats
    for _ in range(100):
        bench.status()
    lost = bench.repeats - before
    expect(lost <= 1, f"{lost} of a hundred requests had to be repeated")
