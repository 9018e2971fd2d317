"""Every request and reply, as frozen data that validates itself.

Knows: SPEC.md sections 5 to 8: bodies, masks, ranges, codes.
Must not know: checksums, sequence numbers, time.

A message with masks needs the relay count to be written or read; it is an argument.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Callable
from dataclasses import dataclass
from enum import IntEnum, IntFlag
from typing import Final, TypeAlias

from firmware_protocol.errors import MessageError

__all__ = [
    "CLEARABLE",
    "INTERLOCK",
    "PROTOCOL_VERSION",
    "Apply",
    "ApplyReply",
    "Capability",
    "Clear",
    "ClearReply",
    "ErrorCode",
    "ErrorReply",
    "Flag",
    "HoldOff",
    "HoldOffReply",
    "Identify",
    "IdentifyReply",
    "Kind",
    "Park",
    "ParkReply",
    "PathState",
    "Reply",
    "Request",
    "Sense",
    "SenseReply",
    "Status",
    "StatusReply",
    "decode_reply",
    "decode_request",
    "encode_reply",
    "encode_request",
    "mask_width",
    "printable",
    "reply_type",
]

PROTOCOL_VERSION: Final = 1
REPLY_BIT: Final = 0x80
ERROR_TYPE: Final = 0xFF
MOST_RELAYS: Final = 64
MOST_PATH: Final = 16
LONGEST_HOLD_MS: Final = 5000
LONGEST_NAME: Final = 24
SHORTEST_HOLD_OFF_MS: Final = 200
LONGEST_HOLD_OFF_MS: Final = 60000
HOLD_OFF_AT_START_MS: Final = 2000


class Kind(IntEnum):
    """The types of request."""

    IDENTIFY = 0x01
    STATUS = 0x02
    APPLY = 0x03
    PARK = 0x04
    HOLD_OFF = 0x05
    SENSE = 0x06
    CLEAR = 0x07


class Flag(IntFlag):
    """The bits of the status byte."""

    PARKED = 1
    MOVING = 2
    HOLD_OFF_EXPIRED = 4
    FAULT = 8
    RESTARTED = 16


INTERLOCK: Final = Flag.HOLD_OFF_EXPIRED | Flag.FAULT | Flag.RESTARTED
CLEARABLE: Final = INTERLOCK


class Capability(IntFlag):
    """What a board can do beyond the required."""

    SENSE = 1


class ErrorCode(IntEnum):
    """Why a request was refused."""

    UNSUPPORTED = 1
    BAD_LENGTH = 2
    BAD_VALUE = 3
    BUSY = 4
    INTERLOCKED = 5
    WRONG_START = 6
    FORBIDDEN = 7
    PATH_TOO_LONG = 8


def reply_type(kind: int) -> int:
    """Return the type of the reply to a type of request."""
    return kind | REPLY_BIT


def mask_width(relay_count: int) -> int:
    """Return how many bytes a mask of that many relays takes."""
    return (relay_count + 7) // 8


def printable(text: str) -> str:
    """Return the text without control, format, surrogate and unassigned characters.

    Anything a device sends passes through here before a person sees it: an escape sequence in a
    name could otherwise redraw a terminal, and a direction mark reorder a line.
    """
    return "".join(c for c in text if not unicodedata.category(c).startswith("C")).strip()


def _within(what: str, value: int, least: int, most: int) -> None:
    if not least <= value <= most:
        raise MessageError(f"{what} must be {least} to {most}, is {value}")


def _u8(what: str, value: int) -> None:
    _within(what, value, 0, 0xFF)


def _u16(what: str, value: int) -> None:
    _within(what, value, 0, 0xFFFF)


def _state(what: str, value: int, relay_count: int = MOST_RELAYS) -> None:
    if value < 0 or value >> relay_count:
        raise MessageError(f"{what} {value:#x} is not a mask of {relay_count} relays")


# --- requests -----------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class Identify:
    """Who is there? Starts a conversation."""


@dataclass(frozen=True, kw_only=True)
class Status:
    """What is latched, and how is the path getting on?"""


@dataclass(frozen=True, kw_only=True)
class PathState:
    """One state of a path and how long it is held, 1 to 5000 ms."""

    state: int
    hold_ms: int

    def __post_init__(self) -> None:
        _state("state", self.state)
        _within("hold_ms", self.hold_ms, 1, LONGEST_HOLD_MS)


@dataclass(frozen=True, kw_only=True)
class Apply:
    """Run a path of 1 to 16 states from `start`, which the host believes is latched."""

    start: int
    path: tuple[PathState, ...]

    def __post_init__(self) -> None:
        _state("start", self.start)
        _within("the number of states", len(self.path), 1, MOST_PATH)


@dataclass(frozen=True, kw_only=True)
class Park:
    """Latch the park state now."""


@dataclass(frozen=True, kw_only=True)
class HoldOff:
    """Set the hold-off time, 200 to 60000 ms; 0 leaves it and only feeds."""

    time_ms: int = 0

    def __post_init__(self) -> None:
        if self.time_ms:
            _within("time_ms", self.time_ms, SHORTEST_HOLD_OFF_MS, LONGEST_HOLD_OFF_MS)


@dataclass(frozen=True, kw_only=True)
class Sense:
    """Read an analogue input."""

    channel: int = 0

    def __post_init__(self) -> None:
        _u8("channel", self.channel)


@dataclass(frozen=True, kw_only=True)
class Clear:
    """Clear sticky flags."""

    flags: Flag

    def __post_init__(self) -> None:
        if self.flags & ~CLEARABLE:
            raise MessageError(f"flags {int(self.flags):#04x} cannot be cleared")


Request: TypeAlias = Identify | Status | Apply | Park | HoldOff | Sense | Clear

_KIND_OF: Final[dict[type[Request], Kind]] = {
    Identify: Kind.IDENTIFY,
    Status: Kind.STATUS,
    Apply: Kind.APPLY,
    Park: Kind.PARK,
    HoldOff: Kind.HOLD_OFF,
    Sense: Kind.SENSE,
    Clear: Kind.CLEAR,
}


# --- replies ------------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class IdentifyReply:
    """Who answered. `name` is as sent: pass it through `printable` before showing it."""

    flags: Flag
    version: int
    relay_count: int
    capabilities: Capability
    max_path: int
    max_payload: int
    boots: int
    park_state: int
    name: str

    def __post_init__(self) -> None:
        _u8("version", self.version)
        _within("relay_count", self.relay_count, 1, MOST_RELAYS)
        _within("max_path", self.max_path, 1, MOST_PATH)
        longest_apply = 5 + mask_width(self.relay_count) * (self.max_path + 1) + 2 * self.max_path
        _within("max_payload", self.max_payload, longest_apply, 200)
        _u16("boots", self.boots)
        _state("park_state", self.park_state, self.relay_count)
        _within("the bytes of name", len(self.name.encode()), 0, LONGEST_NAME)


@dataclass(frozen=True, kw_only=True)
class StatusReply:
    """How things stand."""

    flags: Flag
    state: int
    steps_left: int
    hold_off_ms: int
    dropped: int

    def __post_init__(self) -> None:
        _state("state", self.state)
        _u8("steps_left", self.steps_left)
        _u16("hold_off_ms", self.hold_off_ms)
        _u8("dropped", self.dropped)


@dataclass(frozen=True, kw_only=True)
class ApplyReply:
    """The path has begun: its first state is latched."""

    flags: Flag


@dataclass(frozen=True, kw_only=True)
class ParkReply:
    """The park state is latched."""

    flags: Flag


@dataclass(frozen=True, kw_only=True)
class HoldOffReply:
    """The hold-off time in force."""

    flags: Flag
    time_ms: int

    def __post_init__(self) -> None:
        _u16("time_ms", self.time_ms)


@dataclass(frozen=True, kw_only=True)
class SenseReply:
    """What the analogue input saw: volts = reference_mv / 1000 * raw / full_scale."""

    flags: Flag
    channel: int
    raw: int
    full_scale: int
    reference_mv: int

    def __post_init__(self) -> None:
        _u8("channel", self.channel)
        _within("full_scale", self.full_scale, 1, 0xFFFF)
        _within("raw", self.raw, 0, self.full_scale)
        _u16("reference_mv", self.reference_mv)


@dataclass(frozen=True, kw_only=True)
class ClearReply:
    """The flags were cleared; `flags` shows those that are left."""

    flags: Flag


@dataclass(frozen=True, kw_only=True)
class ErrorReply:
    """A request was refused. `code` is an int when this version does not know it."""

    flags: Flag
    code: ErrorCode | int
    request_type: int
    detail: int = 0

    def __post_init__(self) -> None:
        _u8("code", self.code)
        _u8("request_type", self.request_type)
        _u8("detail", self.detail)


Reply: TypeAlias = (
    IdentifyReply
    | StatusReply
    | ApplyReply
    | ParkReply
    | HoldOffReply
    | SenseReply
    | ClearReply
    | ErrorReply
)


# --- to and from bodies -------------------------------------------------------------------------


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
        _state("mask", value, self.relay_count)
        return value

    def rest(self) -> bytes:
        return self._take(len(self._body) - self._at)

    def end(self) -> None:
        if self._at != len(self._body):
            raise MessageError(f"a body of {len(self._body)} bytes is too long")


def _decode_identify(flags: Flag, take: _Taker) -> IdentifyReply:
    version, relay_count = take.u8(), take.u8()
    _within("relay_count", relay_count, 1, MOST_RELAYS)
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
    _state(what, value, relay_count)
    return value.to_bytes(mask_width(relay_count), "little")


def _text(data: bytes) -> str:
    try:
        return data.decode()
    except UnicodeDecodeError as error:
        raise MessageError(f"the name is not UTF-8 (byte {error.start})") from None
