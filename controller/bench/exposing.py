"""A link that tells a simulated module of every state it sets, as a wire would.

Knows: the link interface, clocks, when the states of a path fall due.
Must not know: what listens, bytes, ports.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from controller.clock import Clock
from controller.ladder.model import PathStep
from controller.links.base import Link, LinkIdentity, LinkStatus
from controller.links.wrapped import WrappedLink

__all__ = ["ExposingLink"]


class ExposingLink(WrappedLink):
    """Passes everything on. `expose` gets a time on the clock and the state latched from then on.

    When the device latches within a path is not known to the millisecond; it is told as if the
    path had begun when it was sent.
    """

    def __init__(
        self, link: Link, clock: Clock, expose: Callable[[float, int], None], *, park_state: int
    ) -> None:
        super().__init__(link)
        self._clock = clock
        self._expose = expose
        self._park_state = park_state

    def open(self, *, hold_off_ms: int = 2000) -> LinkIdentity:
        """Open the link; the ladder is parked then."""
        identity = super().open(hold_off_ms=hold_off_ms)
        self._expose(self._clock.now_s(), self._park_state)
        return identity

    def apply(self, path: Sequence[PathStep]) -> LinkStatus:
        """Run a path and tell of its states."""
        due_s = self._clock.now_s()
        status = super().apply(path)
        now_s = self._clock.now_s()
        for step in path:
            self._expose(min(due_s, now_s), step.state)
            due_s += step.hold_ms / 1000
        return self._told(status)

    def park(self) -> None:
        """Park and tell."""
        super().park()
        self._expose(self._clock.now_s(), self._park_state)

    def feed(self) -> LinkStatus:
        """Ask for the status and tell the state it names: the device may have parked by itself."""
        return self._told(super().feed())

    def _told(self, status: LinkStatus) -> LinkStatus:
        self._expose(self._clock.now_s(), status.state)
        return status
