"""What a conformance check works with: an endpoint, and a host that believes nothing.

Knows: how to ask a device, in bytes, and how to insist on what comes back.
Must not know: what is checked, and what kind of device stands behind the endpoint.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable
from typing import TypeVar

from firmware_protocol.bodies import decode_reply, encode_request
from firmware_protocol.errors import MessageError
from firmware_protocol.framing import DELIMITER, Decoder, Frame, encode_frame
from firmware_protocol.messages import (
    ERROR_TYPE,
    HOLD_OFF_AT_START_MS,
    INTERLOCK,
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
    "COUNTER",
    "LATEST_MS",
    "Bench",
    "CheckFailed",
    "Endpoint",
    "NotApplicable",
    "expect",
    "expect_timing",
]

COUNTER = 1 << 32
"""Where a device's millisecond counter wraps."""
LATEST_MS = 2
"""How late a state of a path, or the park at the end of the hold-off, may be latched."""

_QUIET_MS = 60
"""How long no byte may come where none is due: the 50 ms a device has to reply, and some."""

R = TypeVar("R")


class CheckFailed(Exception):  # noqa: N818 - a finding about the device
    """The device does not do what SPEC.md says."""


class NotApplicable(Exception):  # noqa: N818 - a finding about the endpoint
    """The check needs something that this endpoint does not have."""


def expect(condition: bool, message: str) -> None:
    """Raise CheckFailed with the message unless the condition holds."""
    if not condition:
        raise CheckFailed(message)


class Endpoint(ABC):
    """One device under check. Times are milliseconds of the device's own clock.

    The methods that are not abstract are optional; left alone, the checks that need them come out
    as not applicable.
    """

    patience_ms: int = 250
    """How long to wait for a reply before a check calls it missing."""

    forbidden_state: int | None = None
    """A state inside the relay count that this board refuses as forbidden, where known."""

    @abstractmethod
    def send(self, data: bytes) -> None:
        """Send bytes to the device."""

    @abstractmethod
    def receive(self, timeout_ms: int) -> bytes:
        """Return the bytes that have come, waiting for the first; b"" when the time has passed."""

    @abstractmethod
    def advance(self, ms: int) -> None:
        """Let that much time pass, with nothing sent."""

    def close(self) -> None:  # noqa: B027 - optional
        """Let go of the device."""

    def latches(self) -> list[tuple[int, int]]:
        """Return every (time, state) latched since power-up; times on the device's counter."""
        raise NotApplicable("no record of what was latched")

    def restart(self) -> None:
        """Restart the device, as by its power being lost for a moment."""
        raise NotApplicable("cannot restart the device")

    def preset_counter(self, counter_ms: int) -> None:  # noqa: ARG002 - optional
        """Restart the device with its millisecond counter at `counter_ms`."""
        raise NotApplicable("cannot preset the device's counter")

    def set_fault(self) -> None:
        """Make the board find something wrong with itself, once."""
        raise NotApplicable("cannot provoke a fault")


class Bench:
    """A host at one endpoint. Every method that asks raises CheckFailed on a wrong answer."""

    def __init__(self, endpoint: Endpoint) -> None:
        self.endpoint = endpoint
        self._decoder = Decoder()
        self._waiting: list[Frame] = []
        self._sequence = 0x40
        self._identity: IdentifyReply | None = None
        self._away: tuple[int, ...] | None = None

    # --- beginning ------------------------------------------------------------------------------

    def identify(self) -> None:
        """Start a conversation, whatever lies on the line; moves nothing."""
        self.endpoint.send(DELIMITER)
        while self.endpoint.receive(_QUIET_MS):
            pass
        self.reset()
        self._identity = self.ask_for(Identify(), IdentifyReply)

    def begin(self) -> None:
        """Bring the device to a known start: identified, parked, flags clear, hold-off 2000 ms."""
        self.identify()
        self.ask(Park())
        self.ask(Clear(flags=INTERLOCK))
        self.ask(HoldOff(time_ms=HOLD_OFF_AT_START_MS))
        status = self.status()
        expect(status.flags == Flag.PARKED, f"after park and clear the flags are {status.flags!r}")

    def reset(self) -> None:
        """Forget what was received and not looked at."""
        self._decoder = Decoder()
        self._waiting.clear()

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
        """Return up to two states that are one relay off the park state and allowed."""
        if self._away is None:
            found: list[int] = []
            for relay in range(self.identity.relay_count):
                state = self.park_state ^ (1 << relay)
                reply = self.ask_any(*self.apply_body(self.park_state, [(state, 1)]))
                if isinstance(reply, ApplyReply):
                    found.append(state)
                self.ask(Park())
                if len(found) == 2:
                    break
            if not found:
                raise NotApplicable("every state that is one relay off the park state is refused")
            self._away = tuple(found)
        return self._away

    def walk(self, count: int) -> list[int]:
        """Return `count` states, each another than the one before, the first off the park state."""
        if count > self.identity.max_path:
            raise NotApplicable(f"the board takes no path of {count} states")
        away = self.away()
        first, second = away[0], away[1] if len(away) > 1 else self.park_state
        # The start is the park state, so that no state of the walk equals the one before.
        return [first if index % 2 == 0 else second for index in range(count)]

    # --- asking ---------------------------------------------------------------------------------

    def next_sequence(self) -> int:
        """Return a sequence number that the request before did not have."""
        self._sequence = (self._sequence + 1) % 256
        return self._sequence

    def frame(self, kind: int, body: bytes = b"") -> bytes:
        """Return the bytes of a new request."""
        return encode_frame(Frame(type=kind, sequence=self.next_sequence(), body=body))

    def apply_body(self, start: int, path: list[tuple[int, int]]) -> tuple[int, bytes]:
        """Return type and body of an apply, whatever is wrong with it."""
        body = self.mask(start) + bytes([len(path)])
        for state, hold_ms in path:
            body += self.mask(state) + hold_ms.to_bytes(2, "little")
        return 0x03, body

    def exchange(self, data: bytes) -> Frame:
        """Send bytes and return the one frame that must come back."""
        self.endpoint.send(data)
        return self.next_frame()

    def next_frame(self) -> Frame:
        """Return the next frame the device sends; it must be sound and must come in time."""
        while not self._waiting:
            data = self.endpoint.receive(self.endpoint.patience_ms)
            expect(bool(data), "no reply")
            self._waiting += self._decoder.feed(data)
            expect(self._decoder.dropped == 0, "a reply was torn or corrupt")
        return self._waiting.pop(0)

    def ask_any(self, kind: int, body: bytes = b"") -> Reply:
        """Send a new request; return its reply or refusal, with type and sequence checked."""
        data = self.frame(kind, body)
        frame = self.exchange(data)
        expect(frame.sequence == self._sequence, "the reply has another sequence number")
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
        reply = self.ask_any(kind, body)
        shown = f"type {kind:#04x} with body {body.hex() or '(empty)'}"
        if not isinstance(reply, ErrorReply):
            raise CheckFailed(f"{shown} was not refused; {code.name} was due")
        expect(reply.code == code, f"{shown} was refused with {reply.code!r}; {code!r} was due")
        expect(reply.detail == detail, f"{shown}: detail is {reply.detail}; {detail} was due")

    def silent(self, data: bytes, wait_ms: int = _QUIET_MS) -> None:
        """Send bytes that must get no reply."""
        self.endpoint.send(data)
        came = self.endpoint.receive(wait_ms)
        expect(not came, f"{data[:8].hex(' ')}... got the reply {came.hex(' ')}; none was due")

    # --- looking --------------------------------------------------------------------------------

    def settle(self, most_ms: int) -> StatusReply:
        """Let a path of at most so many milliseconds end, feeding meanwhile."""
        waited = 0
        while (status := self.status()).flags & Flag.MOVING:
            expect(waited <= most_ms + 20, f"still moving after {waited} ms")
            self.endpoint.advance(step := min(100, max(5, most_ms - waited)))
            waited += step
        return status

    def changes(self, since: int = 0) -> list[tuple[int, int]]:
        """Return what the latch record holds from an index on, without latchings of no change."""
        record = self.endpoint.latches()
        changed = [
            entry
            for index, entry in enumerate(record)
            if index == 0 or entry[1] != record[index - 1][1]
        ]
        return changed[since:]

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
        self.endpoint.advance(SHORTEST_HOLD_OFF_MS + 50)
        expired = self.status().flags & Flag.HOLD_OFF_EXPIRED
        expect(bool(expired), "the hold-off did not run out")


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
