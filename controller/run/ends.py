"""The ends of a run: one ladder behind its link, or two, each with what is known of it.

Knows: that every end has a hold-off of its own, and whose turn it is to be fed.
Must not know: what is set and why, events, who listens.

While one link waits for an answer the others are fed: a time-out of one ladder must not run out
the hold-off of another.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import TypeVar

from controller.bench.opened import Bench
from controller.clock import Clock
from controller.errors import LinkError, ReadbackError, RelayKnowledge
from controller.links.base import LinkStatus

__all__ = ["End", "Ends"]

_Said = TypeVar("_Said")


@dataclass
class End:
    """A ladder that a run drives. `number` counts from 1, `name` is empty where there is one only.

    `state` is latched as far as the run goes; `spoken_s` is when the device was last heard.
    """

    number: int
    name: str
    bench: Bench
    state: int
    spoken_s: float
    opened: bool = False
    feed_every_s: float = field(init=False)
    """The longest silence allowed: a third of the hold-off."""

    def __post_init__(self) -> None:
        self.feed_every_s = self.bench.hold_off_ms / 3000.0

    @property
    def relays(self) -> RelayKnowledge:
        """What is known of its relays now."""
        return self.bench.link.relays


class Ends:
    """All ladders of a run. `heard` takes in every status that came of feeding by the way."""

    def __init__(
        self, ends: Sequence[End], clock: Clock, heard: Callable[[End, LinkStatus], None]
    ) -> None:
        self.all = tuple(ends)
        self.failing: End | None = None
        """The end that was last spoken with and has not answered as it should."""
        self._clock = clock
        self._heard = heard
        self._feeding = False
        self._parking = False
        if len(self.all) > 1:
            for end in self.all:
                end.bench.attention.see_to = partial(self._feed_the_others, end)

    def speak(self, end: End, call: Callable[[], _Said]) -> _Said:
        """Say something to an end; where that fails, it is the `failing` one."""
        before, self.failing = self.failing, end
        said = call()
        end.spoken_s = self._clock.now_s()
        self.failing = before
        return said

    def next_due(self) -> tuple[float, End]:
        """Return in how many seconds which end has to be fed."""
        end = self.all[0]
        for other in self.all[1:]:
            if other.spoken_s + other.feed_every_s < end.spoken_s + end.feed_every_s:
                end = other
        return end.spoken_s + end.feed_every_s - self._clock.now_s(), end

    def failing_with(self, error: LinkError | ReadbackError) -> End | None:
        """Return the end whose link has failed; None where no link has.

        A readback may speak with a ladder too, where it simulates the module at a real one.
        """
        if not isinstance(error, LinkError):
            self.failing = None
        elif self.failing is None:
            at_port = [end for end in self.all if end.bench.link.port == error.port]
            self.failing = at_port[0] if len(at_port) == 1 else None
        return self.failing

    def parked_in_turn(self) -> tuple[End, ...]:
        """Return all ends in the order to park them: one that fails may keep the others waiting."""
        self._parking = True
        return tuple(sorted(self.all, key=lambda end: end is self.failing))

    def _feed_the_others(self, waiting: End) -> None:
        """Feed every end that is due but for the one whose link is waiting for its own answer."""
        if self._feeding or self._parking:
            return
        self._feeding = True
        try:
            for end in self.all:
                due_s = end.spoken_s + end.feed_every_s
                if end.opened and end is not waiting and self._clock.now_s() >= due_s:
                    self._heard(end, self.speak(end, end.bench.link.feed))
        finally:
            self._feeding = False
