"""Time, injected.

Knows: how to tell elapsed seconds, wait, and say the time of day; a real clock and a virtual one.
Must not know: what is being timed. Nothing else in the project may call `time` or `datetime.now`.
"""

from __future__ import annotations

import time
from datetime import UTC, datetime, timedelta
from typing import Protocol

__all__ = ["Clock", "PacedClock", "RealClock", "VirtualClock"]


class Clock(Protocol):
    """What a part may ask of time."""

    def now_s(self) -> float:
        """Return seconds since an arbitrary origin; never runs backwards."""

    def sleep_s(self, seconds: float) -> None:
        """Let that many seconds pass; zero or less returns at once."""

    def utc(self) -> datetime:
        """Return the time of day, with time zone UTC."""


class RealClock:
    """The machine's own clock."""

    def now_s(self) -> float:
        """Return the monotonic clock in seconds."""
        return time.monotonic()

    def sleep_s(self, seconds: float) -> None:
        """Sleep."""
        if seconds > 0:
            time.sleep(seconds)

    def utc(self) -> datetime:
        """Return the time of day."""
        return datetime.now(UTC)


class VirtualClock:
    """A clock on which waiting costs nothing: sleeping moves its time forward.

    Time starts at zero seconds and at a fixed date, so that two runs give the same record.
    """

    def __init__(self, *, start_utc: datetime = datetime(2026, 1, 1, tzinfo=UTC)) -> None:
        self._now_s = 0.0
        self._start_utc = start_utc

    def now_s(self) -> float:
        """Return the virtual seconds that have passed."""
        return self._now_s

    def sleep_s(self, seconds: float) -> None:
        """Move time forward; never backwards."""
        if seconds > 0:
            self._now_s += seconds

    def utc(self) -> datetime:
        """Return the start date plus the virtual seconds that have passed."""
        return self._start_utc + timedelta(seconds=self._now_s)


class PacedClock(VirtualClock):
    """Virtual time that a person can watch: each second of it takes a fraction of a real one."""

    def __init__(self, speed: float) -> None:
        super().__init__()
        self._speed = speed

    def sleep_s(self, seconds: float) -> None:
        """Move time forward and wait for its share."""
        super().sleep_s(seconds)
        if seconds > 0:
            time.sleep(seconds / self._speed)
