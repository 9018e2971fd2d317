"""The device of this package as an endpoint, on a clock of its own that costs no time."""

from __future__ import annotations

from collections.abc import Callable

from firmware_protocol.conformance.endpoint import COUNTER, Endpoint, Pace
from firmware_protocol.device import Device, DeviceConfig

__all__ = ["DeviceEndpoint"]


class DeviceEndpoint(Endpoint):
    """A `Device` in memory. `make` may build another one, to try the checks on wrong devices."""

    pace = Pace.OWN
    has_minutes = True
    counts_starts = True

    def __init__(
        self,
        config: DeviceConfig,
        *,
        forbidden_state: int | None = None,
        make: Callable[..., Device] = Device,
    ) -> None:
        self.forbidden_state = forbidden_state
        self._passed_ms = 0
        self._config = config
        self._make = make
        self._now_ms = 0
        self._latched: list[tuple[int, int]] = []
        self._replies = b""
        self._device = make(config, on_latch=self._record)

    def send(self, data: bytes) -> None:
        """Give bytes to the device now."""
        self._replies += self._device.receive(data, self._now_ms)

    def receive(self, timeout_ms: int) -> bytes:
        """Return what the device has sent; nothing comes by waiting, but time passes."""
        if not self._replies:
            self.advance(timeout_ms)
        data, self._replies = self._replies, b""
        return data

    def advance(self, ms: int) -> None:
        """Move the device's clock."""
        self._passed_ms += ms
        self._now_ms = (self._now_ms + ms) % COUNTER
        self._device.tick(self._now_ms)

    def now_ms(self) -> float:
        """Return how much time has passed; the device's counter can be preset, this cannot."""
        return self._passed_ms

    def latches(self) -> list[tuple[int, int]]:
        """Return what the device has latched."""
        return list(self._latched)

    def restart(self) -> None:
        """Restart the device."""
        self._replies = b""
        self._device.restart(self._now_ms)

    def preset_counter(self, counter_ms: int) -> None:
        """Power a new device up with its counter at that value."""
        self._now_ms = counter_ms % COUNTER
        self._latched.clear()
        self._replies = b""
        self._device = self._make(self._config, now_ms=self._now_ms, on_latch=self._record)

    def hold_up(self, ms: int) -> None:
        """Move the clock without the device's knowledge; it then does what is due as of old."""
        self._passed_ms += ms
        self._now_ms = (self._now_ms + ms) % COUNTER

    def set_fault(self) -> None:
        """Make the device find a fault."""
        self._device.set_fault(self._now_ms)

    def _record(self, at_ms: int, state: int) -> None:
        self._latched.append((at_ms, state))
