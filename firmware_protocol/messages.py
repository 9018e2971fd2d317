"""Every request and reply, as frozen data that validates itself, and the protocol's numbers.

How they are written as bytes is in bodies.py.
"""

from __future__ import annotations

import unicodedata
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
    "check_mask",
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
LATEST_MS: Final = 2
"""How late a state of a path, or the park at the end of the hold-off, may be latched."""
REPLY_WITHIN_MS: Final = 50
REPEAT_AFTER_MS: Final = 250
TRIES: Final = 4
TRIES_TO_WAKE: Final = 12
"""For identify: many boards restart when their port is opened, and boot for two seconds."""


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


def check_mask(what: str, value: int, relay_count: int = MOST_RELAYS) -> None:
    """Raise MessageError unless a state fits that many relays."""
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
        check_mask("state", self.state)
        _within("hold_ms", self.hold_ms, 1, LONGEST_HOLD_MS)


@dataclass(frozen=True, kw_only=True)
class Apply:
    """Run a path of 1 to 16 states from `start`, which the host believes is latched."""

    start: int
    path: tuple[PathState, ...]

    def __post_init__(self) -> None:
        check_mask("start", self.start)
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
        check_mask("park_state", self.park_state, self.relay_count)
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
        check_mask("state", self.state)
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
