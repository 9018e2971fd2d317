"""A link that tells a simulated module of every state it sets, as a wire would.

Knows: the link interface, clocks, when the states of a path fall due.
Must not know: what listens, bytes, ports.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from controller.clock import Clock
from controller.errors import RelayKnowledge
from controller.ladder.model import PathStep
from controller.links.base import Link, LinkIdentity, LinkStatus, SenseReading

__all__ = ["ExposingLink"]


class ExposingLink:
    """Passes everything on. `expose` gets a time on the clock and the state latched from then on.

    When the device latches within a path is not known to the millisecond; it is told as if the
    path had begun when it was sent.
    """

    def __init__(
        self, link: Link, clock: Clock, expose: Callable[[float, int], None], *, park_state: int
    ) -> None:
        self._link = link
        self._clock = clock
        self._expose = expose
        self._park_state = park_state

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
        identity = self._link.open(hold_off_ms=hold_off_ms)
        self._expose(self._clock.now_s(), self._park_state)
        return identity

    def apply(self, path: Sequence[PathStep]) -> LinkStatus:
        """Run a path and tell of its states."""
        due_s = self._clock.now_s()
        status = self._link.apply(path)
        now_s = self._clock.now_s()
        for step in path:
            self._expose(min(due_s, now_s), step.state)
            due_s += step.hold_ms / 1000
        return self._told(status)

    def park(self) -> None:
        """Park and tell."""
        self._link.park()
        self._expose(self._clock.now_s(), self._park_state)

    def feed(self) -> LinkStatus:
        """Ask for the status and tell the state it names: the device may have parked by itself."""
        return self._told(self._link.feed())

    def sense(self, channel: int = 0) -> SenseReading:
        """Read the board's analogue input."""
        return self._link.sense(channel)

    def close(self) -> None:
        """Park as far as possible, and let go. Never raises."""
        self._link.close()

    def _told(self, status: LinkStatus) -> LinkStatus:
        self._expose(self._clock.now_s(), status.state)
        return status
