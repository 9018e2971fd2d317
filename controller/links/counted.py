"""A link that counts how often each relay of its ladder moves.

Knows: the interface of links, what changes between two states.
Must not know: what the counts are for, where they are kept.

What cannot be known is not counted: the parking at the start, from a state nobody has told. After
a failure the ladder is taken to have run its path and parked by itself, as it is made to.
"""

from __future__ import annotations

from collections.abc import Sequence

from controller.errors import LinkError
from controller.ladder.model import PathStep
from controller.ladder.moves import count_each
from controller.links.base import Link, LinkIdentity, LinkStatus
from controller.links.wrapped import WrappedLink

__all__ = ["CountedLink"]


class CountedLink(WrappedLink):
    """Another link, with `counts`: the operations of each relay since it was made."""

    def __init__(self, link: Link, *, relay_count: int, park_state: int) -> None:
        self.counts = [0] * relay_count
        super().__init__(link)
        self._park_state = park_state
        self._state: int | None = None

    def open(self, *, hold_off_ms: int = 2000) -> LinkIdentity:
        """Open the link; the ladder is parked then."""
        identity = super().open(hold_off_ms=hold_off_ms)
        self._state = self._park_state
        return identity

    def apply(self, path: Sequence[PathStep]) -> LinkStatus:
        """Run a path and count what moves."""
        for step in path:
            self._moved(step.state)
        try:
            return super().apply(path)
        except LinkError:
            self._parked()
            raise

    def park(self) -> None:
        """Park and count what moves."""
        self._parked()
        super().park()

    def feed(self) -> LinkStatus:
        """Ask for the status."""
        try:
            return super().feed()
        except LinkError:
            self._parked()
            raise

    def close(self) -> None:
        """Park as far as possible, and let go. Never raises."""
        self._parked()
        super().close()

    def _parked(self) -> None:
        if self._state is not None:
            self._moved(self._park_state)

    def _moved(self, state: int) -> None:
        if self._state is not None:
            count_each(self.counts, self._state, (state,))
        self._state = state
