"""A channel: the bytes between this machine and one device.

Knows: the interface, and the one error of every channel.
Must not know: what the bytes mean, what is known of the relays.
"""

from __future__ import annotations

from typing import Protocol

__all__ = ["Channel", "ChannelError"]


class ChannelError(Exception):
    """The bytes cannot get through. `message` says what happened, `hint` what to do."""

    def __init__(self, message: str, hint: str | None = None) -> None:
        super().__init__(message)
        self.message = message
        self.hint = hint


class Channel(Protocol):
    """Bytes both ways. Every failure of every call but `close` is raised as ChannelError."""

    @property
    def port(self) -> str:
        """The channel's name for people."""

    def open(self) -> None:
        """Connect, with nothing left to read from before."""

    def write(self, data: bytes) -> None:
        """Send all of the bytes."""

    def read(self, timeout_s: float) -> bytes:
        """Return what has come, waiting at most so long for the first byte; b"" when none came.

        A channel may return sooner than the timeout with nothing.
        """

    def drain(self) -> None:
        """Throw away what has come and was not read."""

    def close(self) -> None:
        """Let go. Never raises; closing twice is no harm."""
