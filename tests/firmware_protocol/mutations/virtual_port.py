"""A device of this package behind a serial port that is not there, on a clock that costs no time.

It offers what a real port does and no more: no record of latches, no fault, no counter. On request
it is as bad as a real one: an adapter that holds replies back, lost bytes, a clock that is off.
"""

from __future__ import annotations

import random
from collections.abc import Callable

from firmware_protocol.conformance import Endpoint, Pace
from firmware_protocol.conformance.endpoint import COUNTER
from firmware_protocol.device import Device, DeviceConfig
from firmware_protocol.messages import REPEAT_AFTER_MS, TRIES

_REPLY_MS = 1.0
"""How long a board takes to answer."""


class VirtualPort(Endpoint):
    """One board at a port. A device's attribute `late_ms`, where it has one, delays its replies."""

    patience_ms = REPEAT_AFTER_MS
    tries = TRIES
    pace = Pace.STEADY
    has_minutes = True

    def __init__(
        self,
        config: DeviceConfig,
        *,
        forbidden_state: int | None = None,
        make: Callable[..., Device] = Device,
        adapter_ms: float = 0.0,
        lost: float = 0.0,
        clock_error: float = 0.0,
        seed: int = 0,
    ) -> None:
        self.forbidden_state = forbidden_state
        self._adapter_ms = adapter_ms
        self._lost = lost
        self._clock_error = clock_error
        self._random = random.Random(seed)
        self._now_ms = 1000.25
        self._coming: list[tuple[float, bytes]] = []
        self._device = make(config, now_ms=self._counter())

    def _counter(self) -> int:
        return int(self._now_ms * (1 + self._clock_error)) % COUNTER

    def _pass(self, ms: float) -> None:
        self._now_ms += ms
        self._device.tick(self._counter())

    def _through(self, data: bytes) -> bytes:
        """Return what is left of bytes on the line."""
        if not self._lost:
            return data
        return bytes(byte for byte in data if self._random.random() >= self._lost)

    def send(self, data: bytes) -> None:
        self._pass(len(data) * self.byte_ms + self._random.uniform(0, self._adapter_ms / 4))
        reply = self._device.receive(self._through(data), self._counter())
        if reply:
            late_ms = getattr(self._device, "late_ms", 0)
            after_ms = _REPLY_MS + late_ms + len(reply) * self.byte_ms
            after_ms += self._random.uniform(0, self._adapter_ms)
            self._coming.append((self._now_ms + after_ms, self._through(reply)))

    def receive(self, timeout_ms: int) -> bytes:
        end_ms = self._now_ms + timeout_ms
        due_ms = self._coming[0][0] if self._coming else end_ms + 1
        self._pass(max(0.0, min(due_ms, end_ms) - self._now_ms))
        data = b""
        while self._coming and self._coming[0][0] <= self._now_ms:
            data += self._coming.pop(0)[1]
        return data

    def advance(self, ms: int) -> None:
        self._pass(ms)

    def now_ms(self) -> float:
        return self._now_ms

    def restart(self) -> None:
        self._coming.clear()
        self._device.restart(self._counter())
