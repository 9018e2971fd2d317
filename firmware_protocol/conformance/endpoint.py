"""What stands between a check and a device: bytes, a clock, and what else can be done to it."""

from __future__ import annotations

from abc import ABC, abstractmethod
from enum import Enum

__all__ = ["COUNTER", "CheckFailed", "Endpoint", "NotApplicable", "Pace", "expect"]

COUNTER = 1 << 32
"""Where a device's millisecond counter wraps."""


class CheckFailed(Exception):  # noqa: N818 - a finding about the device
    """The device does not do what SPEC.md says."""


class NotApplicable(Exception):  # noqa: N818 - a finding about the endpoint
    """The check needs something that this endpoint does not have."""


def expect(condition: bool, message: str) -> None:
    """Raise CheckFailed with the message unless the condition holds."""
    if not condition:
        raise CheckFailed(message)


class Pace(Enum):
    """How an endpoint's `now_ms` goes beside the clock of its device."""

    OWN = "it is the device's own clock"
    STEADY = "it is another clock, as fast as the device's but for what clocks are allowed to err"
    BEHIND = "the device's time may fall behind it, as on a busy machine, and never runs ahead"


class Endpoint(ABC):
    """One device under check.

    The methods that are not abstract are optional; left alone, the checks that need them come out
    as not applicable.
    """

    patience_ms: int = 250
    """How long to wait for a reply before a check calls it missing, or repeats the request."""

    tries: int = 1
    """How often a request is sent before it is given up; more than once where bytes may be lost."""

    pace: Pace = Pace.BEHIND

    byte_ms: float = 10 / 115.2
    """How long a byte takes on the line: eight bits, start and stop."""

    has_minutes: bool = False
    """Whether checks that are silent for a minute may be run."""

    counts_starts: bool = False
    """Whether the board is known to keep its count of starts; else it may report zero."""

    forbidden_state: int | None = None
    """A state inside the relay count that this board refuses as forbidden, where known."""

    @abstractmethod
    def send(self, data: bytes) -> None:
        """Send bytes to the device."""

    @abstractmethod
    def receive(self, timeout_ms: int) -> bytes:
        """Return the bytes that have come, waiting for the first; b"" when the time has passed."""

    @abstractmethod
    def advance(self, ms: int) -> None:
        """Let that much time pass, with nothing sent."""

    @abstractmethod
    def now_ms(self) -> float:
        """Return the time in milliseconds, from any beginning; `pace` says by which clock."""

    def close(self) -> None:  # noqa: B027 - optional
        """Let go of the device."""

    def latches(self) -> list[tuple[int, int]]:
        """Return every (time, state) latched since power-up; times on the device's counter."""
        raise NotApplicable("no record of what was latched")

    def restart(self) -> None:
        """Restart the device, as by a moment without power; return when it has booted."""
        raise NotApplicable("cannot restart the device")

    def preset_counter(self, counter_ms: int) -> None:  # noqa: ARG002 - optional
        """Restart the device with its millisecond counter at `counter_ms`."""
        raise NotApplicable("cannot preset the device's counter")

    def hold_up(self, ms: int) -> None:  # noqa: ARG002 - optional
        """Let that much time pass at once, in which the device could do nothing."""
        raise NotApplicable("cannot hold the device up")

    def set_fault(self) -> None:
        """Make the board find something wrong with itself, once."""
        raise NotApplicable("cannot provoke a fault")
