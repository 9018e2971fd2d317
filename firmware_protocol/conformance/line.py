"""The line between a check and a device: bytes out, frames in, and when the device had them."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass

from firmware_protocol.conformance.endpoint import CheckFailed, Endpoint, Pace, expect
from firmware_protocol.framing import DELIMITER, Decoder, Frame, encode_frame
from firmware_protocol.messages import REPLY_WITHIN_MS, TRIES_TO_WAKE

__all__ = ["CLOCK_TOLERANCE", "Line", "Moment"]

_QUIET_MS = REPLY_WITHIN_MS + 10
"""How long no byte may come where none is due."""
_ROUNDING_MS = 0.001
CLOCK_TOLERANCE = 0.01
"""How far the clocks of board and host may differ (SPEC.md section 9), on a line between them."""


@dataclass(frozen=True, kw_only=True)
class Moment:
    """Between which readings of the endpoint's clock the device took a request in."""

    sent_ms: float
    came_ms: float


class Line:
    """One line. Requests are repeated as a host repeats them where the endpoint may lose bytes."""

    def __init__(self, endpoint: Endpoint) -> None:
        self.endpoint = endpoint
        self.repeats = 0
        """How often a request had to be sent again."""
        self.last = Moment(sent_ms=0, came_ms=0)
        """When the last request was taken in."""
        self.sequence = 0x40
        """The number of the last request."""
        self._decoder = Decoder()
        self._waiting: list[Frame] = []
        self._asleep = False
        self._came = 0

    def reset(self) -> None:
        """Forget what was received and not looked at."""
        self._decoder = Decoder()
        self._waiting.clear()

    def drain(self) -> None:
        """Throw away what still comes, until the line is quiet."""
        while self.endpoint.receive(_QUIET_MS):
            pass
        self.reset()

    def restart(self) -> None:
        """Restart the device; it may need some tries until it hears."""
        self.endpoint.restart()
        if self.endpoint.tries > 1:
            self.drain()
        self.reset()
        self._asleep = True

    def next_sequence(self) -> int:
        """Return a sequence number that the request before did not have."""
        self.sequence = (self.sequence + 1) % 256
        return self.sequence

    def frame(self, kind: int, body: bytes = b"") -> bytes:
        """Return the bytes of a new request."""
        return encode_frame(Frame(type=kind, sequence=self.next_sequence(), body=body))

    def exchange(
        self, data: bytes, *, again: Callable[[], bytes] | None = None, tries: int | None = None
    ) -> Frame:
        """Send bytes and return the one frame that must come back.

        Where bytes may be lost the request is repeated as a host does it: the same bytes, or what
        `again` returns.
        """
        tries = tries or (TRIES_TO_WAKE if self._asleep else self.endpoint.tries)
        self._came = 0
        sent_ms = self.endpoint.now_ms()
        self.endpoint.send(data)
        tried = 1
        while (frame := self._next_frame(tries > 1)) is None or (
            tried > 1 and again is not None and frame.sequence != self.sequence
        ):
            if frame is not None:
                continue  # the reply to an earlier try
            expect(tried < tries, self._no_reply(tries))
            tried += 1
            self.repeats += not self._asleep
            self._decoder.reset()
            self.endpoint.send(DELIMITER + (again() if again else data))
        self.last = Moment(sent_ms=sent_ms, came_ms=self.endpoint.now_ms())
        if tried > 1:
            self.drain()  # of replies to the other tries
        elif self.endpoint.pace is Pace.OWN:
            after_ms = self.reply_ms(data, frame)
            expect(after_ms <= REPLY_WITHIN_MS, f"a reply came after {after_ms:.0f} ms")
        self._asleep = False
        return frame

    def _no_reply(self, tries: int) -> str:
        what = "no reply" if tries == 1 else f"no reply to {tries} tries"
        if self._decoder.dropped:
            return f"{what}, only torn or corrupt frames (is the speed right?)"
        if self._came:
            return f"{what}, only {self._came} bytes that are no frame (is the speed right?)"
        return what

    def reply_ms(self, data: bytes, frame: Frame) -> float:
        """Return how long the last reply took, without the time of the bytes on the line."""
        count = len(data) + len(encode_frame(frame))
        return self.last.came_ms - self.last.sent_ms - count * self.endpoint.byte_ms

    def _next_frame(self, may_be_lost: bool) -> Frame | None:
        """Return the next frame the device sends; None when none has come in time."""
        while not self._waiting:
            data = self.endpoint.receive(self.endpoint.patience_ms)
            if not data:
                return None
            self._came += len(data)
            self._waiting += self._decoder.feed(data)
            sound = self._decoder.dropped == 0
            expect(sound or may_be_lost, "a reply was torn or corrupt")
        return self._waiting.pop(0)

    def silent(self, data: bytes, wait_ms: int = _QUIET_MS) -> None:
        """Send bytes that must get no reply."""
        self.endpoint.send(data)
        came = self.endpoint.receive(wait_ms)
        expect(not came, f"{data[:8].hex(' ')}... got the reply {came.hex(' ')}; none was due")

    def at_last(self, act: Callable[[], None]) -> None:
        """Do what has to be found good once, where the line itself may spoil it now and then."""
        for _ in range(2 if self.endpoint.tries > 1 else 0):
            with suppress(CheckFailed):
                act()
                return
            self.endpoint.send(DELIMITER)
            self.drain()
        act()

    # --- time -----------------------------------------------------------------------------------

    def least_ms(self, earlier: Moment, later: Moment) -> float:
        """Return how much of the device's time has passed for sure between two requests."""
        if self.endpoint.pace is Pace.BEHIND:
            return 0
        least = (later.sent_ms - earlier.came_ms) * (1 - self._tolerance)
        return max(0.0, least - _ROUNDING_MS)

    def most_ms(self, earlier: Moment, later: Moment) -> float:
        """Return how much of the device's time can have passed between two requests."""
        return (later.came_ms - earlier.sent_ms) * (1 + self._tolerance) + _ROUNDING_MS

    @property
    def _tolerance(self) -> float:
        return 0.0 if self.endpoint.pace is Pace.OWN else CLOCK_TOLERANCE

    def outlast(self, ms: int) -> None:
        """Say nothing until that much of the device's time has passed since the last request."""
        if self.endpoint.pace is Pace.BEHIND:
            self.endpoint.advance(4 * ms + 200)
            return
        until_ms = self.last.came_ms + ms / (1 - self._tolerance)
        while (left := until_ms - self.endpoint.now_ms()) > 0:
            self.endpoint.advance(int(left) + 1)
