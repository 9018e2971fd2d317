"""Messages as bytes: the bodies of frames, written and read.

Knows: SPEC.md sections 5 to 8: masks, the order and the width of fields.
Must not know: checksums, sequence numbers, time.

A message with masks needs the relay count to be written or read; it is an argument.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache
from typing import Final

from firmware_protocol.errors import MessageError
from firmware_protocol.messages import (
    ERROR_TYPE,
    Apply,
    ApplyReply,
    Capability,
    Clear,
    ClearReply,
    ErrorCode,
    ErrorReply,
    Flag,
    HoldOff,
    HoldOffReply,
    Identify,
    IdentifyReply,
    Kind,
    Park,
    ParkReply,
    PathState,
    Reply,
    Request,
    Sense,
    SenseReply,
    Status,
    StatusReply,
    check_mask,
    mask_width,
    reply_type,
)

__all__ = ["decode_reply", "decode_request", "encode_reply", "encode_request"]

_KIND_OF: Final[dict[type[Request], Kind]] = {
    Identify: Kind.IDENTIFY,
    Status: Kind.STATUS,
    Apply: Kind.APPLY,
    Park: Kind.PARK,
    HoldOff: Kind.HOLD_OFF,
    Sense: Kind.SENSE,
    Clear: Kind.CLEAR,
}


def encode_request(request: Request, relay_count: int) -> tuple[int, bytes]:
    """Return the type and the body of a request. Raises MessageError for a mask too wide."""
    kind = _KIND_OF[type(request)]
    match request:
        case Apply():
            body = _mask("start", request.start, relay_count) + bytes([len(request.path)])
            for step in request.path:
                body += _mask("state", step.state, relay_count) + step.hold_ms.to_bytes(2, "little")
        case HoldOff():
            body = request.time_ms.to_bytes(2, "little")
        case Sense():
            body = bytes([request.channel])
        case Clear():
            body = bytes([request.flags])
        case _:
            body = b""
    return kind, body


def decode_request(kind: int, body: bytes, relay_count: int) -> Request:
    """Return the request of a type and a body. Raises MessageError when it is none."""
    take = _Taker(body, relay_count)
    request: Request
    match kind:
        case Kind.IDENTIFY:
            request = Identify()
        case Kind.STATUS:
            request = Status()
        case Kind.APPLY:
            start, count = take.mask(), take.u8()
            path = tuple(PathState(state=take.mask(), hold_ms=take.u16()) for _ in range(count))
            request = Apply(start=start, path=path)
        case Kind.PARK:
            request = Park()
        case Kind.HOLD_OFF:
            request = HoldOff(time_ms=take.u16())
        case Kind.SENSE:
            request = Sense(channel=take.u8())
        case Kind.CLEAR:
            request = Clear(flags=Flag(take.u8()))
        case _:
            raise MessageError(f"there is no request of type {kind:#04x}")
    take.end()
    return request


def encode_reply(reply: Reply, relay_count: int) -> tuple[int, bytes]:
    """Return the type and the body of a reply. Raises MessageError for a mask too wide."""
    kind: int
    match reply:
        case IdentifyReply():
            kind = Kind.IDENTIFY
            head = [
                reply.version,
                reply.relay_count,
                reply.capabilities,
                reply.max_path,
                reply.max_payload,
            ]
            rest = bytes(head) + reply.boots.to_bytes(2, "little")
            rest += _mask("park_state", reply.park_state, reply.relay_count) + reply.name.encode()
        case StatusReply():
            kind = Kind.STATUS
            rest = _mask("state", reply.state, relay_count) + bytes([reply.steps_left])
            rest += reply.hold_off_ms.to_bytes(2, "little") + bytes([reply.dropped])
        case ApplyReply():
            kind, rest = Kind.APPLY, b""
        case ParkReply():
            kind, rest = Kind.PARK, b""
        case HoldOffReply():
            kind, rest = Kind.HOLD_OFF, reply.time_ms.to_bytes(2, "little")
        case SenseReply():
            kind = Kind.SENSE
            rest = bytes([reply.channel]) + b"".join(
                value.to_bytes(2, "little")
                for value in (reply.raw, reply.full_scale, reply.reference_mv)
            )
        case ClearReply():
            kind, rest = Kind.CLEAR, b""
        case ErrorReply():
            kind = ERROR_TYPE
            rest = bytes([reply.code, reply.request_type, reply.detail])
    return reply_type(kind), bytes([reply.flags]) + rest


@lru_cache(maxsize=16)  # a ladder that is held says the same again and again
def decode_reply(kind: int, body: bytes, relay_count: int) -> Reply:
    """Return the reply of a type and a body. Raises MessageError when it is none.

    `relay_count` is not used for an identify reply, which brings its own.
    """
    decode = _REPLIES.get(kind)
    if decode is None:
        raise MessageError(f"there is no reply of type {kind:#04x}")
    take = _Taker(body, relay_count)
    reply = decode(Flag(take.u8()), take)
    take.end()
    return reply


class _Taker:
    """Takes fields off the front of a body."""

    def __init__(self, body: bytes, relay_count: int) -> None:
        self._body = body
        self._at = 0
        self.relay_count = relay_count

    def _take(self, count: int) -> bytes:
        self._at += count
        if self._at > len(self._body):
            raise MessageError(f"a body of {len(self._body)} bytes is too short")
        return self._body[self._at - count : self._at]

    def u8(self) -> int:
        return self._take(1)[0]

    def u16(self) -> int:
        return int.from_bytes(self._take(2), "little")

    def mask(self) -> int:
        value = int.from_bytes(self._take(mask_width(self.relay_count)), "little")
        check_mask("mask", value, self.relay_count)
        return value

    def rest(self) -> bytes:
        return self._take(len(self._body) - self._at)

    def end(self) -> None:
        if self._at != len(self._body):
            raise MessageError(f"a body of {len(self._body)} bytes is too long")


def _decode_identify(flags: Flag, take: _Taker) -> IdentifyReply:
    version, relay_count = take.u8(), take.u8()
    take.relay_count = relay_count
    return IdentifyReply(
        flags=flags,
        version=version,
        relay_count=relay_count,
        capabilities=Capability(take.u8()),
        max_path=take.u8(),
        max_payload=take.u8(),
        boots=take.u16(),
        park_state=take.mask(),
        name=_text(take.rest()),
    )


def _decode_status(flags: Flag, take: _Taker) -> StatusReply:
    return StatusReply(
        flags=flags,
        state=take.mask(),
        steps_left=take.u8(),
        hold_off_ms=take.u16(),
        dropped=take.u8(),
    )


def _decode_sense(flags: Flag, take: _Taker) -> SenseReply:
    return SenseReply(
        flags=flags,
        channel=take.u8(),
        raw=take.u16(),
        full_scale=take.u16(),
        reference_mv=take.u16(),
    )


def _decode_error(flags: Flag, take: _Taker) -> ErrorReply:
    code = take.u8()
    known = ErrorCode(code) if code in _CODES else code
    return ErrorReply(flags=flags, code=known, request_type=take.u8(), detail=take.u8())


_CODES: Final = frozenset(ErrorCode)
_REPLIES: Final[dict[int, Callable[[Flag, _Taker], Reply]]] = {
    reply_type(Kind.IDENTIFY): _decode_identify,
    reply_type(Kind.STATUS): _decode_status,
    reply_type(Kind.APPLY): lambda flags, _: ApplyReply(flags=flags),
    reply_type(Kind.PARK): lambda flags, _: ParkReply(flags=flags),
    reply_type(Kind.HOLD_OFF): lambda flags, take: HoldOffReply(flags=flags, time_ms=take.u16()),
    reply_type(Kind.SENSE): _decode_sense,
    reply_type(Kind.CLEAR): lambda flags, _: ClearReply(flags=flags),
    ERROR_TYPE: _decode_error,
}


def _mask(what: str, value: int, relay_count: int) -> bytes:
    check_mask(what, value, relay_count)
    return value.to_bytes(mask_width(relay_count), "little")


def _text(data: bytes) -> str:
    try:
        return data.decode()
    except UnicodeDecodeError as error:
        raise MessageError(f"the name is not UTF-8 (byte {error.start})") from None
