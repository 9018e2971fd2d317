"""The simulated ladder: the protocol's own device state machine at the end of a memory channel.

Knows: how to run the device on an injected clock, and how a line can go wrong.
Must not know: ladders, resistances, modules. They listen to `on_latch`.

Nothing is short-circuited: requests are framed, checked, answered and believed as over a wire.
"""

from __future__ import annotations

import random
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from enum import Enum
from typing import TypeAlias

from controller.clock import Clock
from controller.links.channel import ChannelError
from controller.links.session_link import SessionLink
from firmware_protocol.device import Device, DeviceConfig, SenseSample

__all__ = [
    "ORDINARY",
    "Direction",
    "Fault",
    "FaultHook",
    "FaultKind",
    "SimulatedChannel",
    "SimulatedDevice",
    "scripted_faults",
    "seeded_faults",
    "simulated_link",
]

_COUNTER = 1 << 32


class SimulatedDevice:
    """A device on an injected clock.

    `on_latch` is called with the clock's time in seconds and the state, whenever the latch is
    told a state, the park at power-up included. A simulated device does not run by itself: it
    catches up with the clock when it is asked something or when `catch_up` is called, and then
    reports each latching with the time at which it was due.

    `input_volts` gives it an analogue input for each channel for which it returns volts; a
    converter of 10 bits against 5 V reads them. `sense` does the same with samples of any kind.
    """

    def __init__(
        self,
        *,
        relay_count: int,
        park_state: int,
        clock: Clock,
        on_latch: Callable[[float, int], None] | None = None,
        name: str = "simulated ladder",
        max_path: int = 16,
        sense: Callable[[int], SenseSample | None] | None = None,
        input_volts: Callable[[int], float | None] | None = None,
        forbidden: Callable[[int], bool] = lambda _state: False,
        counter_ms: int = 0,
    ) -> None:
        self.clock = clock
        self.config = DeviceConfig(
            relay_count=relay_count,
            park_state=park_state,
            max_path=max_path,
            name=name,
            sense=_converter(input_volts) if input_volts is not None else sense,
            forbidden=forbidden,
        )
        self._on_latch = on_latch
        self._origin_s = clock.now_s()
        self._counter_ms = counter_ms
        self._elapsed_ms = 0
        self._device = Device(self.config, now_ms=counter_ms, on_latch=self._latched)

    @property
    def state(self) -> int:
        """What is latched now."""
        self.catch_up()
        return self._device.state

    def catch_up(self) -> None:
        """Do everything that has fallen due up to now."""
        self._device.tick(self._now_ms())

    def receive(self, data: bytes) -> bytes:
        """Give the device bytes; return what it sends back."""
        return self._device.receive(data, self._now_ms())

    def next_due_in_s(self) -> float | None:
        """Return in how many seconds something falls due by itself; None while nothing will."""
        due_ms = self._device.next_due_in_ms(self._now_ms())
        return None if due_ms is None else due_ms / 1000

    def restart(self) -> None:
        """Take the supply away for a moment."""
        self._device.restart(self._now_ms())

    def set_fault(self) -> None:
        """Let the board find something wrong with itself."""
        self._device.set_fault(self._now_ms())

    def _now_ms(self) -> int:
        """Return the device's counter; rounding keeps a sum of decimal waits from falling short."""
        elapsed_ms = int((self.clock.now_s() - self._origin_s) * 1000 + 1e-6)
        self._elapsed_ms = max(self._elapsed_ms, elapsed_ms)
        return (self._counter_ms + self._elapsed_ms) % _COUNTER

    def _latched(self, at_ms: int, state: int) -> None:
        if self._on_latch is not None:
            ago_ms = (self._counter_ms + self._elapsed_ms - at_ms) % _COUNTER
            self._on_latch(self._origin_s + (self._elapsed_ms - ago_ms) / 1000, state)


def _converter(input_volts: Callable[[int], float | None]) -> Callable[[int], SenseSample | None]:
    def sense(channel: int) -> SenseSample | None:
        volts = input_volts(channel)
        return None if volts is None else SenseSample.of_volts(volts)

    return sense


# --- how a line goes wrong ----------------------------------------------------------------------


class Direction(Enum):
    """Which way bytes go."""

    TO_DEVICE = "to the device"
    TO_HOST = "to the host"


class FaultKind(Enum):
    """What happens to one sending: a request with its delimiters, or a reply."""

    DROP = "none of it arrives"
    CORRUPT = "one bit of it is flipped"
    DUPLICATE = "it arrives twice"
    DELAY = "it, and what follows it, arrives late"
    TRUNCATE = "its end is missing"
    REORDER = "it arrives right after the one that is sent next"
    RESET = "the device restarts as it comes by, and it is lost"


@dataclass(frozen=True, kw_only=True)
class Fault:
    """A fault and where it strikes: `bit` and `keep` are taken modulo the length at hand."""

    kind: FaultKind
    delay_s: float = 0.3
    bit: int = 0
    keep: int = 1


FaultHook: TypeAlias = Callable[[Direction, int, bytes], Fault | None]
"""Called with the direction, the number of the sending in that direction, and the bytes."""


def scripted_faults(script: Mapping[tuple[Direction, int], Fault]) -> FaultHook:
    """Return a hook that strikes at the sendings named, counted from 0 in each direction."""
    return lambda direction, index, _data: script.get((direction, index))


ORDINARY = tuple(kind for kind in FaultKind if kind not in (FaultKind.RESET, FaultKind.REORDER))
"""What happens to the bytes of one sending on a line that keeps their order."""


def seeded_faults(
    seed: int, probability: float, *, resets: bool = False, kinds: Sequence[FaultKind] = ORDINARY
) -> FaultHook:
    """Return a hook that strikes at random, the same way for the same seed."""
    chance = random.Random(seed)  # noqa: S311 - a simulation, nothing to guard
    kinds = [*kinds, FaultKind.RESET] if resets else kinds

    def strike(_direction: Direction, _index: int, _data: bytes) -> Fault | None:
        if chance.random() >= probability:
            return None
        return Fault(
            kind=chance.choice(kinds),
            delay_s=chance.uniform(0.0, 0.6),
            bit=chance.randrange(1 << 16),
            keep=chance.randrange(1 << 16),
        )

    return strike


class SimulatedChannel:
    """A channel to a simulated device. Bytes keep their order in each direction, as on a wire.

    The one fault that breaks it is REORDER: packets of a network, or of an adapter, can pass.

    `muted` swallows everything both ways; `unplugged` makes every call fail.
    """

    def __init__(
        self, device: SimulatedDevice, *, faults: FaultHook | None = None, port: str = "simulated"
    ) -> None:
        self.muted = False
        self.unplugged = False
        self._device = device
        self._clock = device.clock
        self._faults = faults
        self._port = port
        self._sent = dict.fromkeys(Direction, 0)
        self._held = dict.fromkeys(Direction, b"")
        self._lines: dict[Direction, deque[tuple[float, bytes, bool]]] = {
            direction: deque() for direction in Direction
        }

    @property
    def port(self) -> str:
        """The channel's name."""
        return self._port

    def open(self) -> None:
        """Connect."""
        self._need_plug()
        self._lines[Direction.TO_HOST].clear()

    def write(self, data: bytes) -> None:
        """Send bytes to the device."""
        self._need_plug()
        self._send(Direction.TO_DEVICE, data)
        self._move()

    def read(self, timeout_s: float) -> bytes:
        """Return what has come, letting the clock run until something has or time is up."""
        self._need_plug()
        self._move()
        until_s = self._clock.now_s() + timeout_s
        while not (data := self._arrived()):
            now_s = self._clock.now_s()
            if now_s >= until_s:
                return b""
            arrivals = [line[0][0] for line in self._lines.values() if line]
            wake_s = min([until_s, *(at_s for at_s in arrivals if at_s > now_s)])
            before_s = now_s
            self._clock.sleep_s(wake_s - now_s)
            if self._clock.now_s() <= before_s:  # too short a wait for the clock to notice
                return b""
            self._move()
        return data

    def drain(self) -> None:
        """Throw away what has come."""
        self._need_plug()
        self._move()
        self._arrived()

    def close(self) -> None:
        """Disconnect. The device goes on by itself, and parks when its hold-off runs out."""

    def _need_plug(self) -> None:
        if self.unplugged:
            raise ChannelError("the simulated cable is unplugged", "plug it in again")

    def _send(self, direction: Direction, data: bytes) -> None:
        """Put bytes on a line, with whatever fault strikes them."""
        index = self._sent[direction]
        self._sent[direction] += 1
        if self.muted:
            return
        fault = self._faults(direction, index, data) if self._faults else None
        line = self._lines[direction]
        earliest_s = line[-1][0] if line else self._clock.now_s()
        at_s = max(self._clock.now_s(), earliest_s)
        resets = False
        if fault is not None:
            match fault.kind:
                case FaultKind.DROP:
                    return
                case FaultKind.CORRUPT:
                    wrong = bytearray(data)
                    bit = fault.bit % (8 * len(data))
                    wrong[bit // 8] ^= 1 << bit % 8
                    data = bytes(wrong)
                case FaultKind.DUPLICATE:
                    data += data
                case FaultKind.DELAY:
                    at_s += fault.delay_s
                case FaultKind.TRUNCATE:
                    data = data[: fault.keep % len(data)]
                case FaultKind.REORDER:
                    self._held[direction] += data
                    return
                case FaultKind.RESET:
                    resets = True
        line.append((at_s, data, resets))
        if held := self._held[direction]:
            self._held[direction] = b""
            line.append((at_s, held, False))

    def _move(self) -> None:
        """Let the device take what has reached it by now, and answer."""
        line = self._lines[Direction.TO_DEVICE]
        while line and line[0][0] <= self._clock.now_s():
            _, data, resets = line.popleft()
            if resets:
                self._device.restart()
                continue
            # A reply to each frame is a sending of its own, for faults to strike.
            reply = self._device.receive(data)
            for part in reply.split(b"\x00")[:-1]:
                self._send(Direction.TO_HOST, part + b"\x00")
        self._device.catch_up()

    def _arrived(self) -> bytes:
        """Take what has reached the host by now."""
        line = self._lines[Direction.TO_HOST]
        data = b""
        while line and line[0][0] <= self._clock.now_s():
            _, part, resets = line.popleft()
            if resets:
                self._device.restart()
            else:
                data += part
        return data


def simulated_link(
    device: SimulatedDevice, *, faults: FaultHook | None = None, port: str = "simulated"
) -> SessionLink:
    """Return a link to a simulated device, on the device's clock."""
    return SessionLink(SimulatedChannel(device, faults=faults, port=port), device.clock)
