"""The device's side, as a state machine without hardware: what every firmware has to do.

Knows: SPEC.md, all of it that a device can be held to.
Must not know: how bytes arrive, how relays are driven, what time it is (it is told).

Time is a millisecond counter that wraps at 2^32, as a small chip has it. The device may be called
late: whatever fell due in between is done first, in order, each thing at the time it was due. By
its own reckoning it is therefore never late, and has no lateness to make up for.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Final

from firmware_protocol.bodies import encode_reply
from firmware_protocol.framing import Decoder, Frame, encode_frame
from firmware_protocol.messages import (
    CLEARABLE,
    HOLD_OFF_AT_START_MS,
    INTERLOCK,
    LONGEST_HOLD_MS,
    LONGEST_HOLD_OFF_MS,
    MOST_PATH,
    PROTOCOL_VERSION,
    SHORTEST_HOLD_OFF_MS,
    ApplyReply,
    Capability,
    ClearReply,
    ErrorCode,
    ErrorReply,
    Flag,
    HoldOffReply,
    IdentifyReply,
    Kind,
    ParkReply,
    Reply,
    SenseReply,
    StatusReply,
    mask_width,
)

__all__ = ["Device", "DeviceConfig", "SenseSample"]

_COUNTER: Final = 1 << 32
_EMPTY_BODY: Final = frozenset({Kind.IDENTIFY, Kind.STATUS, Kind.PARK})


@dataclass(frozen=True, kw_only=True)
class SenseSample:
    """One conversion of an analogue input: volts = reference_mv / 1000 * raw / full_scale."""

    raw: int
    full_scale: int
    reference_mv: int

    @classmethod
    def of_volts(
        cls, volts: float, *, full_scale: int = 1024, reference_mv: int = 5000
    ) -> SenseSample:
        """Return what a converter makes of a voltage: floor, and it saturates at both ends."""
        raw = int(volts * 1000 / reference_mv * full_scale)
        return cls(
            raw=max(0, min(full_scale - 1, raw)), full_scale=full_scale, reference_mv=reference_mv
        )


def _allow_all(_state: int) -> bool:
    return False


@dataclass(frozen=True, kw_only=True)
class DeviceConfig:
    """What a board is. `sense` takes a channel and returns None for one it does not have.

    `forbidden` says whether the board refuses a pattern of relays. Raises MessageError when the
    numbers do not fit together.
    """

    relay_count: int
    park_state: int = 0
    max_path: int = MOST_PATH
    max_payload: int = 200
    name: str = ""
    boots: int = 0
    sense: Callable[[int], SenseSample | None] | None = None
    forbidden: Callable[[int], bool] = _allow_all

    def __post_init__(self) -> None:
        self.identity(Flag(0), self.boots)

    def identity(self, flags: Flag, boots: int) -> IdentifyReply:
        """Return what the board says of itself."""
        return IdentifyReply(
            flags=flags,
            version=PROTOCOL_VERSION,
            relay_count=self.relay_count,
            capabilities=Capability.SENSE if self.sense else Capability(0),
            max_path=self.max_path,
            max_payload=self.max_payload,
            boots=boots,
            park_state=self.park_state,
            name=self.name,
        )


class _Refusal(Exception):  # noqa: N818 - a refusal is an answer, not a failure
    def __init__(self, code: ErrorCode, detail: int = 0) -> None:
        super().__init__(code, detail)
        self.code = code
        self.detail = detail


@dataclass
class _Memory:
    """Everything a restart loses."""

    decoder: Decoder
    dropped: int = 0
    sticky: Flag = Flag.RESTARTED
    hold_off_ms: int = HOLD_OFF_AT_START_MS
    fed_at_ms: int = 0
    path: deque[tuple[int, int]] = field(default_factory=deque)
    moving: bool = False
    due_at_ms: int = 0
    identified: bool = False
    last_request: Frame | None = None
    last_reply: bytes = b""


class Device:
    """One device, powered up at `now_ms`.

    `on_latch` is called with the time and the state at every change the latch is told, the park
    at power-up included; the time is when it was due, even when the device was called late.
    """

    def __init__(
        self,
        config: DeviceConfig,
        *,
        now_ms: int = 0,
        on_latch: Callable[[int, int], None] | None = None,
    ) -> None:
        self.config = config
        self.boots = config.boots
        self._on_latch = on_latch
        self._state = config.park_state
        self._memory = self._fresh_memory(now_ms)
        self._latch(now_ms % _COUNTER, config.park_state)

    @property
    def state(self) -> int:
        """What is latched."""
        return self._state

    @property
    def flags(self) -> Flag:
        """The status byte as it would be sent now."""
        memory = self._memory
        flags = memory.sticky
        if memory.moving:
            flags |= Flag.MOVING
        elif self._state == self.config.park_state:
            flags |= Flag.PARKED
        return flags

    def restart(self, now_ms: int) -> None:
        """Lose power and start again: parks, forgets everything, counts a start."""
        now_ms %= _COUNTER
        self._run_until(now_ms)
        self.boots = (self.boots + 1) % 0x10000
        self._memory = self._fresh_memory(now_ms)
        self._latch(now_ms, self.config.park_state)

    def set_fault(self, now_ms: int) -> None:
        """The board has found something wrong with itself: park and say so until cleared."""
        now_ms %= _COUNTER
        self._run_until(now_ms)
        self._park(now_ms)
        self._memory.sticky |= Flag.FAULT

    def tick(self, now_ms: int) -> None:
        """Do what has fallen due up to now. Call it at least every 2^31 ms."""
        self._run_until(now_ms % _COUNTER)

    def next_due_in_ms(self, now_ms: int) -> int | None:
        """Return in how many milliseconds something falls due; None while nothing will."""
        due = self._next_due()
        return None if due is None else max(0, _since(due, now_ms % _COUNTER))

    def receive(self, data: bytes, now_ms: int) -> bytes:
        """Take bytes that arrived; return the bytes to send back, b"" for none."""
        now_ms %= _COUNTER
        self._run_until(now_ms)
        memory = self._memory
        before = memory.decoder.dropped
        frames = memory.decoder.feed(data)
        memory.dropped = min(255, memory.dropped + memory.decoder.dropped - before)
        return b"".join(self._answer(frame, now_ms) for frame in frames)

    # --- time -----------------------------------------------------------------------------------

    def _next_due(self) -> int | None:
        """Return when the next thing falls due: hold-off or path, the hold-off first on a tie."""
        memory = self._memory
        if not memory.moving and self._state == self.config.park_state:
            return None
        expiry = (memory.fed_at_ms + memory.hold_off_ms) % _COUNTER
        if memory.moving and _since(memory.due_at_ms, expiry) < 0:
            return memory.due_at_ms
        return expiry

    def _run_until(self, now_ms: int) -> None:
        while (due := self._next_due()) is not None and _since(now_ms, due) >= 0:
            memory = self._memory
            expiry = (memory.fed_at_ms + memory.hold_off_ms) % _COUNTER
            if due == expiry:
                self._park(due)
                memory.sticky |= Flag.HOLD_OFF_EXPIRED
            else:
                self._step(due)

    def _step(self, at_ms: int) -> None:
        """Latch the next state of the path, or end it when its last hold has passed."""
        memory = self._memory
        if not memory.path:
            memory.moving = False
            return
        state, hold_ms = memory.path.popleft()
        memory.due_at_ms = (at_ms + hold_ms) % _COUNTER
        self._latch(at_ms, state)

    def _park(self, at_ms: int) -> None:
        self._memory.path.clear()
        self._memory.moving = False
        self._latch(at_ms, self.config.park_state)

    def _latch(self, at_ms: int, state: int) -> None:
        self._state = state
        if self._on_latch is not None:
            self._on_latch(at_ms, state)

    def _fresh_memory(self, now_ms: int) -> _Memory:
        decoder = Decoder(max_payload=self.config.max_payload)
        return _Memory(decoder=decoder, fed_at_ms=now_ms % _COUNTER)

    # --- requests -------------------------------------------------------------------------------

    def _answer(self, frame: Frame, now_ms: int) -> bytes:
        if frame.type == 0 or frame.type >= 0x80:  # an echo, or meant for somebody else
            return b""
        memory = self._memory
        memory.fed_at_ms = now_ms
        if frame == memory.last_request and frame.type != Kind.IDENTIFY:
            return memory.last_reply
        try:
            reply = self._carry_out(frame, now_ms)
        except _Refusal as refusal:
            reply = ErrorReply(
                flags=self.flags,
                code=refusal.code,
                request_type=frame.type,
                detail=refusal.detail,
            )
        kind, body = encode_reply(reply, self.config.relay_count)
        memory.last_request = frame
        memory.last_reply = encode_frame(Frame(type=kind, sequence=frame.sequence, body=body))
        return memory.last_reply

    def _carry_out(self, frame: Frame, now_ms: int) -> Reply:
        """Do what is asked and return the reply; raises _Refusal, having done nothing."""
        body = frame.body
        if frame.type in _EMPTY_BODY:
            _need(not body, ErrorCode.BAD_LENGTH)
        match frame.type:
            case Kind.IDENTIFY:
                self._memory.identified = True
                return self.config.identity(self.flags, self.boots)
            case Kind.STATUS:
                return self._status()
            case Kind.APPLY:
                return self._apply(body, now_ms)
            case Kind.PARK:
                self._park(now_ms)
                return ParkReply(flags=self.flags)
            case Kind.HOLD_OFF:
                return self._set_hold_off(body)
            case Kind.SENSE:
                return self._sense(body)
            case Kind.CLEAR:
                return self._clear(body)
            case _:
                raise _Refusal(ErrorCode.UNSUPPORTED)

    def _status(self) -> StatusReply:
        memory = self._memory
        return StatusReply(
            flags=self.flags,
            state=self._state,
            steps_left=len(memory.path),
            hold_off_ms=memory.hold_off_ms,
            dropped=memory.dropped,
        )

    def _apply(self, body: bytes, now_ms: int) -> ApplyReply:
        """Check the whole request in the order of SPEC.md section 8, then begin the path."""
        memory, config = self._memory, self.config
        width = mask_width(config.relay_count)
        _need(len(body) > width, ErrorCode.BAD_LENGTH)
        count = body[width]
        _need(1 <= count <= config.max_path, ErrorCode.PATH_TOO_LONG)
        _need(len(body) == width + 1 + count * (width + 2), ErrorCode.BAD_LENGTH)
        _need(not memory.moving, ErrorCode.BUSY, len(memory.path))
        _need(not memory.sticky & INTERLOCK, ErrorCode.INTERLOCKED)
        start = int.from_bytes(body[:width], "little")
        _need(not start >> config.relay_count, ErrorCode.BAD_VALUE)
        path = []
        for index in range(count):
            at = width + 1 + index * (width + 2)
            state = int.from_bytes(body[at : at + width], "little")
            hold_ms = int.from_bytes(body[at + width : at + width + 2], "little")
            sound = not state >> config.relay_count and 1 <= hold_ms <= LONGEST_HOLD_MS
            _need(sound, ErrorCode.BAD_VALUE, index + 1)
            path.append((state, hold_ms))
        for index, (state, _) in enumerate(path):
            _need(not config.forbidden(state), ErrorCode.FORBIDDEN, index + 1)
        _need(start == self._state, ErrorCode.WRONG_START)
        memory.path = deque(path)
        memory.moving = True
        self._step(now_ms)
        return ApplyReply(flags=self.flags)

    def _set_hold_off(self, body: bytes) -> HoldOffReply:
        _need(len(body) == 2, ErrorCode.BAD_LENGTH)
        time_ms = int.from_bytes(body, "little")
        if time_ms:
            allowed = SHORTEST_HOLD_OFF_MS <= time_ms <= LONGEST_HOLD_OFF_MS
            _need(allowed, ErrorCode.BAD_VALUE)
            self._memory.hold_off_ms = time_ms
        return HoldOffReply(flags=self.flags, time_ms=self._memory.hold_off_ms)

    def _sense(self, body: bytes) -> SenseReply:
        if self.config.sense is None:
            raise _Refusal(ErrorCode.UNSUPPORTED)
        _need(len(body) == 1, ErrorCode.BAD_LENGTH)
        sample = self.config.sense(body[0])
        if sample is None:
            raise _Refusal(ErrorCode.BAD_VALUE)
        return SenseReply(
            flags=self.flags,
            channel=body[0],
            raw=sample.raw,
            full_scale=sample.full_scale,
            reference_mv=sample.reference_mv,
        )

    def _clear(self, body: bytes) -> ClearReply:
        memory = self._memory
        _need(len(body) == 1, ErrorCode.BAD_LENGTH)
        # A clear from before this start must not hide the start from its host.
        seen = memory.identified or not body[0] & Flag.RESTARTED
        _need(seen, ErrorCode.INTERLOCKED)
        _need(not body[0] & ~int(CLEARABLE), ErrorCode.BAD_VALUE)
        memory.sticky &= ~Flag(body[0])
        return ClearReply(flags=self.flags)


def _since(later_ms: int, earlier_ms: int) -> int:
    """Return the signed distance between two readings of the wrapping counter."""
    return (later_ms - earlier_ms + _COUNTER // 2) % _COUNTER - _COUNTER // 2


def _need(condition: bool, code: ErrorCode, detail: int = 0) -> None:
    if not condition:
        raise _Refusal(code, detail)
