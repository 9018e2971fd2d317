"""A channel during whose waits others can be seen to: one run may speak with two ladders.

Knows: channels, and that somebody may want to do something while nothing comes.
Must not know: what is done then, what the bytes mean.
"""

from __future__ import annotations

from collections.abc import Callable

from controller.links.channel import Channel

__all__ = ["AttendedChannel", "Attention"]


class Attention:
    """What is done while a channel waits: `see_to`, which whoever drives the ladders sets."""

    def __init__(self) -> None:
        self.see_to: Callable[[], None] = _nobody


class AttendedChannel:
    """Another channel; every read calls `see_to` first. What that raises is handed on."""

    def __init__(self, channel: Channel, attention: Attention) -> None:
        self._channel = channel
        self._attention = attention

    @property
    def port(self) -> str:
        """The channel's name."""
        return self._channel.port

    def open(self) -> None:
        """Connect."""
        self._channel.open()

    def write(self, data: bytes) -> None:
        """Send all of the bytes."""
        self._channel.write(data)

    def read(self, timeout_s: float) -> bytes:
        """See to the others, then return what has come."""
        self._attention.see_to()
        return self._channel.read(timeout_s)

    def drain(self) -> None:
        """Throw away what has come and was not read."""
        self._channel.drain()

    def close(self) -> None:
        """Let go."""
        self._channel.close()


def _nobody() -> None:
    return None
