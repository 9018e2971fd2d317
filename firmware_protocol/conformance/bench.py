"""What a conformance check works with: an endpoint, and a host that believes nothing."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from typing import TypeVar

from firmware_protocol.bodies import decode_reply, encode_request
from firmware_protocol.conformance.endpoint import (
    COUNTER,
    CheckFailed,
    Endpoint,
    NotApplicable,
    Pace,
    expect,
)
from firmware_protocol.conformance.line import CLOCK_TOLERANCE, Line, Moment
from firmware_protocol.errors import MessageError
from firmware_protocol.framing import DELIMITER, Frame
from firmware_protocol.messages import (
    ERROR_TYPE,
    HOLD_OFF_AT_START_MS,
    INTERLOCK,
    LATEST_MS,
    SHORTEST_HOLD_OFF_MS,
    Apply,
    ApplyReply,
    Clear,
    ErrorCode,
    ErrorReply,
    Flag,
    HoldOff,
    Identify,
    IdentifyReply,
    Kind,
    Park,
    PathState,
    Reply,
    Request,
    Status,
    StatusReply,
    mask_width,
    reply_type,
)

__all__ = [
    "CLOCK_TOLERANCE",
    "COUNTER",
    "LATEST_MS",
    "Bench",
    "CheckFailed",
    "Endpoint",
    "Moment",
    "NotApplicable",
    "Pace",
    "expect",
]

R = TypeVar("R")


class Bench(Line):
    """A host at one endpoint. Every method that asks raises CheckFailed on a wrong answer."""

    def __init__(self, endpoint: Endpoint) -> None:
        super().__init__(endpoint)
        self.latched_unasked: list[tuple[int, int]] = []
        """What the record showed before anything was asked."""
        self._identity: IdentifyReply | None = None
        self._away: tuple[int, ...] | None = None

    # --- beginning ------------------------------------------------------------------------------

    def identify(self) -> None:
        """Start a conversation, whatever lies on the line; moves nothing."""
        self.endpoint.send(DELIMITER)
        self.drain()
        if self._identity is None:
            with suppress(NotApplicable):
                self.latched_unasked = self.endpoint.latches()
        self._identity = self.ask_for(Identify(), IdentifyReply)

    def wake(self) -> None:
        """Identify a device that may still be booting."""
        self._asleep = True
        self.identify()

    def begin(self) -> None:
        """Bring the device to a known start: identified, parked, flags clear, hold-off 2000 ms."""
        self.identify()
        self.ask(Park())
        self.ask(Clear(flags=INTERLOCK))
        self.ask(HoldOff(time_ms=HOLD_OFF_AT_START_MS))
        status = self.status()
        expect(status.flags == Flag.PARKED, f"after park and clear the flags are {status.flags!r}")
        with suppress(NotApplicable):
            self.away()  # now, so that looking for them is no part of what a check watches

    @property
    def identity(self) -> IdentifyReply:
        """What the device said of itself in `begin`."""
        if self._identity is None:
            raise CheckFailed("the device has not been identified")
        return self._identity

    @property
    def park_state(self) -> int:
        """The park state."""
        return self.identity.park_state

    def mask(self, state: int) -> bytes:
        """Write a mask, whatever its bits: checks also send wrong ones."""
        return state.to_bytes(mask_width(self.identity.relay_count), "little")

    def away(self) -> tuple[int, ...]:
        """Return up to three allowed states that are one relay off the park state.

        No more than one relay at a time: what a board's supply can drive is not known.
        """
        if self._away is None:
            park, count = self.park_state, self.identity.relay_count
            found: list[int] = []
            for state in (park ^ (1 << relay) for relay in range(count)):
                reply = self.ask_any(*self.apply_body(park, [(state, 1)]))
                if isinstance(reply, ApplyReply):
                    found.append(state)
                self.ask(Park())
                if len(found) == 3:
                    break
            if not found:
                raise NotApplicable("every state that is one relay off the park state is refused")
            self._away = tuple(found)
        return self._away

    def walk(self, count: int) -> list[int]:
        """Return `count` states, none equal to the one before, the first off the park state.

        Three states take turns, so that no walk is the same backwards; fewer where the board
        allows no more.
        """
        if count > self.identity.max_path:
            raise NotApplicable(f"the board takes no path of {count} states")
        states = list(self.away())
        if len(states) < 3:
            states.append(self.park_state)
        return [states[index % len(states)] for index in range(count)]

    # --- asking ---------------------------------------------------------------------------------

    def apply_body(self, start: int, path: list[tuple[int, int]]) -> tuple[int, bytes]:
        """Return type and body of an apply, whatever is wrong with it."""
        body = self.mask(start) + bytes([len(path)])
        for state, hold_ms in path:
            body += self.mask(state) + hold_ms.to_bytes(2, "little")
        return 0x03, body

    def ask_any(self, kind: int, body: bytes = b"") -> Reply:
        """Send a new request; return its reply or refusal, with type and sequence checked."""
        data = self.frame(kind, body)
        if kind != Kind.IDENTIFY:
            return self.read(self.exchange(data), kind, self.sequence)
        # Each try is a new one, and the reply that counts is to the last.
        frame = self.exchange(data, again=lambda: self.frame(kind, body))
        return self.read(frame, kind, self.sequence)

    def read(self, frame: Frame, kind: int, sequence: int) -> Reply:
        """Return what a frame says in answer to a request of that type and sequence number."""
        expect(frame.sequence == sequence, "the reply has another sequence number")
        expect(
            frame.type in (reply_type(kind), ERROR_TYPE),
            f"a request of type {kind:#04x} was answered with type {frame.type:#04x}",
        )
        relay_count = self._identity.relay_count if self._identity else 1
        try:
            reply = decode_reply(frame.type, frame.body, relay_count)
        except MessageError as error:
            raise CheckFailed(f"the reply to type {kind:#04x} is malformed: {error}") from None
        expect(int(reply.flags) & 0xE0 == 0, "bits 5 to 7 of the status byte are not zero")
        both = Flag.PARKED | Flag.MOVING
        expect(reply.flags & both != both, "a reply says parked and moving at once")
        if isinstance(reply, ErrorReply):
            expect(reply.request_type == kind, "the error names another type of request")
        return reply

    def ask(self, request: Request) -> Reply:
        """Send a request that must not be refused."""
        kind, body = encode_request(request, self._identity.relay_count if self._identity else 1)
        reply = self.ask_any(kind, body)
        if isinstance(reply, ErrorReply):
            raise CheckFailed(f"{request} was refused with {reply.code!r}, detail {reply.detail}")
        return reply

    def ask_for(self, request: Request, wanted: type[R]) -> R:
        """Send a request and return its reply, which has to be of the type named."""
        reply = self.ask(request)
        if not isinstance(reply, wanted):
            raise CheckFailed(f"{request} was answered with {reply}")
        return reply

    def status(self) -> StatusReply:
        """Ask for the status."""
        return self.ask_for(Status(), StatusReply)

    def apply(self, start: int, *path: tuple[int, int]) -> ApplyReply:
        """Run a path that must be accepted."""
        steps = tuple(PathState(state=state, hold_ms=hold_ms) for state, hold_ms in path)
        return self.ask_for(Apply(start=start, path=steps), ApplyReply)

    def refused(self, kind: int, body: bytes, code: ErrorCode, detail: int = 0) -> None:
        """Send a request that must be refused with exactly this code and detail."""
        self.expect_refusal(self.ask_any(kind, body), kind, body, code, detail)

    def expect_refusal(
        self, reply: Reply, kind: int, body: bytes, code: ErrorCode, detail: int = 0
    ) -> None:
        """Insist that a reply refuses a request with exactly this code and detail."""
        shown = f"type {kind:#04x} with body {body.hex() or '(empty)'}"
        if not isinstance(reply, ErrorReply):
            raise CheckFailed(f"{shown} was not refused; {code.name} was due")
        expect(reply.code == code, f"{shown} was refused with {reply.code!r}; {code!r} was due")
        expect(reply.detail == detail, f"{shown}: detail is {reply.detail}; {detail} was due")

    # --- time -----------------------------------------------------------------------------------

    def settle(self, most_ms: int) -> StatusReply:
        """Let a path of at most so many milliseconds end, feeding meanwhile."""
        began = self.last
        waited = 0
        while (status := self.status()).flags & Flag.MOVING:
            least = self.least_ms(began, self.last)
            expect(least <= most_ms + LATEST_MS, f"still moving after {least:.0f} ms")
            expect(waited <= 20 * most_ms + 5000, "a path does not end")
            self.endpoint.advance(step := min(100, max(5, most_ms - waited)))
            waited += step
        return status

    # --- looking --------------------------------------------------------------------------------

    def changes(self, since: int = 0) -> list[tuple[int, int]]:
        """Return what the latch record holds from an index on, without latchings of no change."""
        record = self.endpoint.latches()
        changed = [
            entry
            for index, entry in enumerate(record)
            if index == 0 or entry[1] != record[index - 1][1]
        ]
        return changed[since:]

    def watch(self, since: int, ms: int, ended: Callable[[list[int]], bool]) -> list[int]:
        """Say nothing for a time, and for longer where the device's time may fall behind.

        Return the states that the record then shows from an index on; `ended` says of them whether
        there is nothing more to wait for.
        """
        for _ in range(20 if self.endpoint.pace is Pace.BEHIND else 1):
            self.endpoint.advance(ms)
            states = [state for _, state in self.changes(since)]
            if ended(states):
                break
        return states

    def unmoved(self, what: str, act: Callable[[], None]) -> None:
        """Do something after which the same state must be latched and nothing may move."""
        before = self.status()
        try:
            count = len(self.changes())
        except NotApplicable:
            count = -1
        act()
        after = self.status()
        expect(after.state == before.state, f"{what} changed the state")
        expect(not after.flags & Flag.MOVING, f"{what} started a path")
        if count >= 0:
            expect(len(self.changes()) == count, f"{what} moved a relay")

    def let_hold_off_expire(self) -> None:
        """Leave the park state, be silent for longer than the hold-off, and come back."""
        self.ask(HoldOff(time_ms=SHORTEST_HOLD_OFF_MS))
        self.apply(self.park_state, (self.away()[0], 1))
        self.outlast(SHORTEST_HOLD_OFF_MS + LATEST_MS)
        expired = self.status().flags & Flag.HOLD_OFF_EXPIRED
        expect(bool(expired), "the hold-off did not run out")
