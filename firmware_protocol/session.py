"""The host's side of a conversation, without any input or output of its own.

Time is an argument, in seconds.

The same bytes are repeated, except of identify, which is new each time.

Use: `request` gives bytes to write; feed what arrives to `receive`, and call `tick` when
`deadline_s` has passed; both give events. After an event `RepeatDue` throw away what is waiting
to be read and write its bytes.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import Enum
from typing import Final, TypeAlias

from firmware_protocol.bodies import decode_reply, encode_request
from firmware_protocol.errors import LocalProtocolError, MessageError
from firmware_protocol.framing import DELIMITER, Decoder, Frame, encode_frame
from firmware_protocol.messages import (
    ERROR_TYPE,
    REPEAT_AFTER_MS,
    TRIES,
    TRIES_TO_WAKE,
    ErrorReply,
    Identify,
    IdentifyReply,
    Reply,
    Request,
    reply_type,
)

__all__ = ["Event", "GaveUp", "Line", "Refused", "RepeatDue", "Replied", "Session", "Signal"]

REPLY_TIMEOUT_S: Final = REPEAT_AFTER_MS / 1000


@dataclass(frozen=True, kw_only=True)
class Replied:
    """The open request has its reply, after `tries` sendings."""

    request: Request
    reply: Reply
    tries: int


@dataclass(frozen=True, kw_only=True)
class Refused:
    """The device has refused the open request: nothing was done.

    Unless the flags say that it restarted: then an earlier sending may have been carried out
    before, and the restart has parked since.
    """

    request: Request
    error: ErrorReply
    tries: int


@dataclass(frozen=True, kw_only=True)
class RepeatDue:
    """No reply came in time: discard what waits to be read, then write `data`."""

    data: bytes
    tries: int


@dataclass(frozen=True, kw_only=True)
class GaveUp:
    """No reply came to any of the tries. `why` names the last thing that came instead, if any."""

    request: Request
    tries: int
    why: str | None


Event: TypeAlias = Replied | Refused | RepeatDue | GaveUp


class Line(Enum):
    """What the session thinks of the line."""

    FRESH = "nothing was sent yet, so half a frame may lie in the receiver"
    CLEAN = "the last request was answered"
    WAITING = "a request is open"
    DIRTY = "a request went unanswered, so anything may still arrive"


class Signal(Enum):
    """What can happen to the line."""

    SENT = "request sent"
    ANSWERED = "matching reply came"
    LATE = "timeout passed, a try is left"
    LOST = "timeout passed, no try is left"
    ABANDONED = "the host no longer waits"


TRANSITIONS: Final[dict[tuple[Line, Signal], Line]] = {
    (Line.FRESH, Signal.SENT): Line.WAITING,
    (Line.CLEAN, Signal.SENT): Line.WAITING,
    (Line.DIRTY, Signal.SENT): Line.WAITING,
    (Line.WAITING, Signal.ANSWERED): Line.CLEAN,
    (Line.WAITING, Signal.LATE): Line.WAITING,
    (Line.WAITING, Signal.LOST): Line.DIRTY,
    (Line.WAITING, Signal.ABANDONED): Line.DIRTY,
}
"""Every pair that is not here is our own mistake and raises LocalProtocolError."""


@dataclass
class _Open:
    """The request that waits for its reply."""

    request: Request
    frame: Frame
    data: bytes
    deadline_s: float
    most_tries: int
    tries: int = 1
    why: str | None = None


class Session:
    """One conversation with one device. `relay_count` is known after the identify reply.

    A request is given `tries`, an identify `tries_to_wake`: the board may have to boot first.
    """

    def __init__(
        self,
        *,
        reply_timeout_s: float = REPLY_TIMEOUT_S,
        tries: int = TRIES,
        tries_to_wake: int = TRIES_TO_WAKE,
        first_sequence: int = 0,
    ) -> None:
        if reply_timeout_s <= 0 or min(tries, tries_to_wake) < 1:
            raise LocalProtocolError("a session needs a timeout above zero and at least one try")
        self.line = Line.FRESH
        self.relay_count: int | None = None
        self.retries = 0
        self.ignored = 0
        """Sound frames that were not believed: wrong sequence, type or shape."""
        self._reply_timeout_s = reply_timeout_s
        self._tries = tries
        self._tries_to_wake = tries_to_wake
        self._sequence = first_sequence % 256
        self._decoder = Decoder()
        self._open: _Open | None = None

    @property
    def dropped(self) -> int:
        """Frames that came in torn, over-long or corrupt."""
        return self._decoder.dropped

    @property
    def deadline_s(self) -> float | None:
        """When `tick` has something to do; None while no request is open."""
        return self._open.deadline_s if self._open else None

    def request(self, request: Request, now_s: float, *, tries: int | None = None) -> bytes:
        """Open a request and return the bytes to write; `tries` is for this request only.

        Raises LocalProtocolError while another is open or before the device was identified, and
        MessageError for a mask wider than the device.
        """
        if self.relay_count is None and not isinstance(request, Identify):
            raise LocalProtocolError("the first request of a conversation is identify")
        kind, body = encode_request(request, self.relay_count or 1)
        dirty = self.line is not Line.CLEAN
        self._signal(Signal.SENT)
        frame = Frame(type=kind, sequence=self._next_sequence(), body=body)
        data = encode_frame(frame)
        deadline_s = now_s + self._reply_timeout_s
        usual = self._tries_to_wake if isinstance(request, Identify) else self._tries
        self._open = _Open(request, frame, data, deadline_s, tries or usual)
        if dirty:
            self._decoder.reset()
            return DELIMITER + data
        return data

    def receive(self, data: bytes, now_s: float) -> list[Event]:
        """Take bytes that came in; return what they mean. Never raises on what is in them."""
        events: list[Event] = []
        dropped = self._decoder.dropped
        for frame in self._decoder.feed(data):
            event = self._believe(frame)
            if event is None:
                self.ignored += 1
            else:
                self._signal(Signal.ANSWERED)
                self._open = None
                events.append(event)
        if self._open is not None and self._decoder.dropped > dropped:
            self._open.why = "a corrupt frame"
        return events + self.tick(now_s)

    def tick(self, now_s: float) -> list[Event]:
        """Return what the passing of time means: nothing, a repeat that is due, or giving up."""
        waiting = self._open
        if waiting is None or now_s < waiting.deadline_s:
            return []
        self._decoder.reset()
        if waiting.tries >= waiting.most_tries:
            self._signal(Signal.LOST)
            self._open = None
            return [GaveUp(request=waiting.request, tries=waiting.tries, why=waiting.why)]
        self._signal(Signal.LATE)
        waiting.tries += 1
        waiting.deadline_s = now_s + self._reply_timeout_s
        self.retries += 1
        if isinstance(waiting.request, Identify):
            # Only the last one is believed: then none can be left on the line that reaches the
            # device after a restart, and lets the restart be cleared unseen.
            waiting.frame = replace(waiting.frame, sequence=self._next_sequence())
            waiting.data = encode_frame(waiting.frame)
        return [RepeatDue(data=DELIMITER + waiting.data, tries=waiting.tries)]

    def abandon(self) -> None:
        """Stop waiting for the open request, whose fate is then not known.

        Raises LocalProtocolError when none is open.
        """
        self._signal(Signal.ABANDONED)
        self._open = None

    def _next_sequence(self) -> int:
        sequence = self._sequence
        self._sequence = (sequence + 1) % 256
        return sequence

    def _believe(self, frame: Frame) -> Replied | Refused | None:
        """Return the event of a reply that matches the open request, else None."""
        waiting = self._open
        if waiting is None or frame.sequence != waiting.frame.sequence:
            return None
        if frame.type not in (reply_type(waiting.frame.type), ERROR_TYPE):
            return None
        try:
            reply = decode_reply(frame.type, frame.body, self.relay_count or 1)
        except MessageError as error:
            waiting.why = f"a reply that cannot be right ({error})"
            return None
        if isinstance(reply, ErrorReply):
            if reply.request_type != waiting.frame.type:
                return None
            return Refused(request=waiting.request, error=reply, tries=waiting.tries)
        if isinstance(reply, IdentifyReply):
            self.relay_count = reply.relay_count
        return Replied(request=waiting.request, reply=reply, tries=waiting.tries)

    def _signal(self, signal: Signal) -> None:
        after = TRANSITIONS.get((self.line, signal))
        if after is None:
            raise LocalProtocolError(f"{signal.value} does not fit: {self.line.value}")
        self.line = after
