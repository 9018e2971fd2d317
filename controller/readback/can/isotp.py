"""Messages longer than a frame, after ISO 15765-2 (from memory): single frames and segments.

Knows: the first byte of a frame, the order of segments, flow control.
Must not know: identifiers, buses, services.

What we ask always fits a single frame. What is answered may not: the first frame of a long answer
is met with flow control that asks for all the rest.
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["CLEAR_TO_SEND", "LONGEST_GAP_S", "OVERFLOW", "Heard", "Reassembly", "single_frame"]

LONGEST_GAP_S = 1.0
"""N_Cr: how long the next segment of an answer may take."""

FRAME = 8
CLEAR_TO_SEND = bytes([0x30, 0, 0, 0, 0, 0, 0, 0])
"""Flow control: send all that is left, without pauses."""
OVERFLOW = bytes([0x32, 0, 0, 0, 0, 0, 0, 0])
"""Flow control: this message is too long to be taken."""


def single_frame(message: bytes) -> bytes:
    """Return the frame that holds a message of up to seven bytes. Raises ValueError."""
    if not 1 <= len(message) < FRAME:
        raise ValueError(f"a single frame holds 1 to 7 bytes, not {len(message)}")
    return bytes([len(message), *message]).ljust(FRAME, b"\x00")


@dataclass(frozen=True)
class Heard:
    """What a frame came to: a whole message, a frame to send back, or a message that is lost."""

    message: bytes | None = None
    reply: bytes | None = None
    lost: bool = False


_NOTHING = Heard()
_LOST = Heard(lost=True)


class Reassembly:
    """Puts together what one sender says. Time is an argument, in seconds."""

    def __init__(self) -> None:
        self._length = 0
        self._parts = bytearray()
        self._next = 0
        self._heard_s = 0.0

    @property
    def under_way(self) -> bool:
        """Whether a long message has begun and not ended."""
        return self._length > 0

    def take(self, data: bytes, now_s: float) -> Heard:
        """Take the next frame of the sender."""
        if self.under_way and now_s - self._heard_s > LONGEST_GAP_S:
            self._length = 0
        if not data:
            return self._nonsense()
        match data[0] >> 4:
            case 0:
                return self._single(data)
            case 1:
                return self._first(data, now_s)
            case 2:
                return self._consecutive(data, now_s)
            case 3:  # flow control is about what we say
                return _NOTHING
            case _:
                return self._nonsense()

    def _nonsense(self) -> Heard:
        """Give up what is under way: who says something unknown in between is not to be trusted."""
        lost, self._length = self.under_way, 0
        return _LOST if lost else _NOTHING

    def _single(self, data: bytes) -> Heard:
        length = data[0]
        if not 1 <= length < len(data):
            return _NOTHING
        self._length = 0  # a new message ends the one before, whole or not
        return Heard(message=data[1 : 1 + length])

    def _first(self, data: bytes, now_s: float) -> Heard:
        length = (data[0] & 0x0F) << 8 | data[1] if len(data) == FRAME else -1
        if length == 0:  # the escape for more than 4095 bytes
            self._length = 0
            return Heard(reply=OVERFLOW, lost=True)
        if length < FRAME:
            return _NOTHING
        self._length, self._parts, self._next = length, bytearray(data[2:]), 1
        self._heard_s = now_s
        return Heard(reply=CLEAR_TO_SEND)

    def _consecutive(self, data: bytes, now_s: float) -> Heard:
        if not self.under_way:
            return _NOTHING
        left = self._length - len(self._parts)
        part = data[1 : 1 + left]
        if data[0] & 0x0F != self._next or len(part) < min(left, FRAME - 1):
            self._length = 0
            return _LOST
        self._parts += part
        self._next = (self._next + 1) % 16
        self._heard_s = now_s
        if len(self._parts) < self._length:
            return _NOTHING
        self._length = 0
        return Heard(message=bytes(self._parts))
