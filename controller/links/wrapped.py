"""A link around another one: passes everything on, for those that look at what goes by.

Knows: the interface of links.
Must not know: what is looked for.
"""

from __future__ import annotations

from collections.abc import Sequence

from controller.errors import RelayKnowledge
from controller.ladder.model import PathStep
from controller.links.base import Link, LinkIdentity, LinkStatus, SenseReading

__all__ = ["WrappedLink"]


class WrappedLink:
    """Does what the link inside does, and knows of the relays what that one knows."""

    def __init__(self, link: Link) -> None:
        self._link = link

    @property
    def port(self) -> str:
        """The link's name for people."""
        return self._link.port

    @property
    def relays(self) -> RelayKnowledge:
        """What is known of the relay state right now."""
        return self._link.relays

    def open(self, *, hold_off_ms: int = 2000) -> LinkIdentity:
        """Open the link; the ladder is parked then."""
        return self._link.open(hold_off_ms=hold_off_ms)

    def apply(self, path: Sequence[PathStep]) -> LinkStatus:
        """Run a path."""
        return self._link.apply(path)

    def park(self) -> None:
        """Park."""
        self._link.park()

    def feed(self) -> LinkStatus:
        """Ask for the status."""
        return self._link.feed()

    def sense(self, channel: int = 0) -> SenseReading:
        """Read the board's analogue input."""
        return self._link.sense(channel)

    def close(self) -> None:
        """Park as far as possible, and let go. Never raises."""
        self._link.close()
