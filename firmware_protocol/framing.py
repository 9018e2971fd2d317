"""Frames: COBS with a zero delimiter, and the checksum inside.

Knows: SPEC.md section 3.
Must not know: what the types mean, who sends and who answers.
"""

from __future__ import annotations

from dataclasses import dataclass

from firmware_protocol.checksum import crc16
from firmware_protocol.errors import FrameError, LocalProtocolError

__all__ = [
    "DELIMITER",
    "LARGEST_PAYLOAD",
    "SMALLEST_PAYLOAD",
    "Decoder",
    "Frame",
    "cobs_decode",
    "cobs_encode",
    "decode_frame",
    "encode_frame",
]

DELIMITER = b"\x00"
SMALLEST_PAYLOAD = 4
"""Type, sequence and checksum: a frame with an empty body."""
LARGEST_PAYLOAD = 200

_LONGEST_RUN = 254


@dataclass(frozen=True, kw_only=True)
class Frame:
    """What a frame carries: type and sequence number (0 to 255 each) and a body."""

    type: int
    sequence: int
    body: bytes = b""


def cobs_encode(data: bytes) -> bytes:
    """Return `data` with its zero bytes stuffed away; no delimiter is added.

    Cheshire and Baker, IEEE/ACM Transactions on Networking 7(2), 1999. As common libraries do, a
    full run of 254 bytes at the very end gets no empty block after it.
    """
    if len(data) < _LONGEST_RUN:  # every frame: each zero becomes the way to the next one
        short = bytearray(b"\0%b\0" % data)
        at = 0
        while (after := short.find(0, at + 1)) > 0:
            short[at] = after - at
            at = after
        return bytes(short[:-1])
    out = bytearray()
    for index, block in enumerate(blocks := data.split(DELIMITER)):
        while len(block) > _LONGEST_RUN or (len(block) == _LONGEST_RUN and index < len(blocks) - 1):
            out.append(_LONGEST_RUN + 1)
            out += block[:_LONGEST_RUN]
            block = block[_LONGEST_RUN:]
        out.append(len(block) + 1)
        out += block
    return bytes(out)


def cobs_decode(encoded: bytes) -> bytes:
    """Undo `cobs_encode`. Raises FrameError when the bytes are not its output."""
    if not encoded:
        raise FrameError("nothing to decode")
    if 0 in encoded:
        raise FrameError("a zero byte inside a frame")
    position = 0
    if len(encoded) <= _LONGEST_RUN:  # every frame: each way to the next zero becomes that zero
        short = bytearray(encoded)
        while position < len(encoded):
            code, short[position] = short[position], 0
            position += code
        if position > len(encoded):
            raise FrameError("the frame ends inside a block")
        return bytes(short[1:])
    out = bytearray()
    while position < len(encoded):
        code = encoded[position]
        end = position + code
        if end > len(encoded):
            raise FrameError("the frame ends inside a block")
        out += encoded[position + 1 : end]
        if code <= _LONGEST_RUN and end < len(encoded):
            out.append(0)
        position = end
    return bytes(out)


def encode_frame(frame: Frame) -> bytes:
    """Return the bytes of a frame, the delimiter at its end included."""
    head = bytes([frame.type, frame.sequence]) + frame.body
    payload = head + crc16(head).to_bytes(2, "little")
    if len(payload) > LARGEST_PAYLOAD:
        raise LocalProtocolError(f"a payload of {len(payload)} bytes is above {LARGEST_PAYLOAD}")
    return cobs_encode(payload) + DELIMITER


def decode_frame(encoded: bytes, *, max_payload: int = LARGEST_PAYLOAD) -> Frame:
    """Return the frame between two delimiters (neither included). Raises FrameError."""
    payload = cobs_decode(encoded)
    if len(payload) < SMALLEST_PAYLOAD:
        raise FrameError(f"a payload of {len(payload)} bytes is too short")
    if len(payload) > max_payload:
        raise FrameError(f"a payload of {len(payload)} bytes is above {max_payload}")
    if crc16(payload[:-2]) != int.from_bytes(payload[-2:], "little"):
        raise FrameError("the checksum is wrong")
    return Frame(type=payload[0], sequence=payload[1], body=payload[2:-2])


class Decoder:
    """Takes bytes as they come, in pieces of any size, and gives the frames that are sound.

    Never raises on what it is fed: what is over-long, torn or corrupt is dropped and counted in
    `dropped`. Holds at most one frame in memory, however long the noise is.
    """

    def __init__(self, *, max_payload: int = LARGEST_PAYLOAD) -> None:
        self.dropped = 0
        self._max_payload = max_payload
        self._limit = max_payload + 1  # COBS adds one byte to anything up to 254
        self._held = bytearray()
        self._overlong = False

    def reset(self) -> None:
        """Forget the half frame that is held, uncounted: the line is being started afresh."""
        self._held.clear()
        self._overlong = False

    def feed(self, data: bytes) -> list[Frame]:
        """Take more bytes; return the frames that they complete, in order."""
        frames = []
        *ended, rest = data.split(DELIMITER)
        for piece in ended:
            self._hold(piece)
            if self._overlong:
                self.dropped += 1
            elif self._held:
                try:
                    frames.append(decode_frame(bytes(self._held), max_payload=self._max_payload))
                except FrameError:
                    self.dropped += 1
            self.reset()
        if rest:
            self._hold(rest)
        return frames

    def _hold(self, piece: bytes) -> None:
        """Keep more of the frame at hand, or none of it once it is too long to be one."""
        if self._overlong or len(self._held) + len(piece) > self._limit:
            self._overlong = True
            self._held.clear()
        else:
            self._held += piece
