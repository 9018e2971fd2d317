"""The one driver: opens a bench's links, travels, holds, feeds the hold-off, parks.

Knows: links as an interface, wishes of a person.
Must not know: readbacks, what a job is for, plans, who listens, terminals.

What takes time is a script: a generator that does a little between one yield and the next and
hands over what happened. Where a run has two ladders, each leaves its own Parked.
"""

from __future__ import annotations

from collections.abc import Generator, Sequence
from contextlib import suppress
from functools import partial
from typing import TypeAlias

from controller.bench.opened import Bench
from controller.clock import Clock
from controller.errors import LinkError, ReadbackError, worst_knowledge
from controller.ladder.model import PathStep
from controller.links.base import LinkStatus
from controller.run.ends import End, Ends
from controller.run.events import (
    Event,
    FaultRaised,
    LinkReported,
    NoteKind,
    NoteMade,
    Parked,
    RelaysSet,
)
from controller.run.health import require_health, require_ladder
from controller.run.intents import Intent, Intents, Standing, too_late
from controller.run.pieces import in_pieces
from controller.run.summary import known_words

__all__ = ["POLL_S", "Driver", "Part", "Stopped", "Wished"]

POLL_S = 0.1
"""The longest a job looks away from the readback and from a person's wishes."""

_LONGEST_PIECE_S = 0.5

Part: TypeAlias = Generator[tuple[Event, ...], None, None]
"""A piece of a script."""


class Stopped(Exception):  # noqa: N818 - a way out of a script, not an error
    """A person asked for the end."""


class Wished(Exception):  # noqa: N818 - a way out of a step, not an error
    """A person asked for something else than going on with this step."""

    def __init__(self, intent: Intent) -> None:
        self.intent = intent


class Driver:
    """Moves the relays of one opened bench, and never leaves a device in silence for long.

    A bench may have a second ladder, and then a run that uses it has two `ends`: both are opened,
    fed and parked together, and `travel` names the one to move.
    """

    def __init__(
        self,
        bench: Bench,
        clock: Clock,
        intents: Intents,
        *,
        park_state: int,
        names: tuple[str, str] = ("", ""),
        second_park_state: int | None = None,
    ) -> None:
        self._clock = clock
        self._intents = intents
        now_s = clock.now_s()
        ends = [End(number=1, name=names[0], bench=bench, state=park_state, spoken_s=now_s)]
        if second_park_state is not None:
            assert bench.second is not None  # noqa: S101 - such a plan is refused elsewhere
            ends.append(
                End(
                    number=2,
                    name=names[1],
                    bench=bench.second,
                    state=second_park_state,
                    spoken_s=now_s,
                )
            )
        self._ends = Ends(ends, clock, self._heard_by_the_way)
        # A third of the hold-off is the longest silence allowed; a slice never goes beyond it.
        self._piece_s = min(_LONGEST_PIECE_S, *(end.feed_every_s for end in ends))
        self._unsaid: list[Event] = []
        self.pauses = 0
        """How often the run has been paused and resumed."""
        self.paused_s = 0.0
        """How long it has been paused altogether."""

    @property
    def ends(self) -> tuple[End, ...]:
        """The ladders of this run, the first one first."""
        return self._ends.all

    @property
    def state(self) -> int:
        """The state of the first ladder that is latched as far as this run goes."""
        return self.ends[0].state

    @property
    def known(self) -> str:
        """What is known of the relays, by name where there are several ladders."""
        return known_words((end.name, end.relays) for end in self.ends)

    def open(self) -> str:
        """Open every link, parked; return the devices' names.

        Raises LinkError for another ladder.
        """
        names = []
        for end in self.ends:
            link, hold_off_ms = end.bench.link, end.bench.hold_off_ms
            identity = self._ends.speak(end, partial(link.open, hold_off_ms=hold_off_ms))
            end.opened = True
            self._ends.failing = end
            require_ladder(identity, end.bench.ladder, port=link.port)
            self._ends.failing = None
            names.append(identity.name)
        return " and ".join(names)

    def travel(self, path: Sequence[PathStep], end: End | None = None) -> Part:
        """Run a path in pieces short enough to stop or to pause between them.

        `end` is the ladder to move, the first one unless given.
        """
        end = end or self.ends[0]
        for piece, wait_s in in_pieces(path, self._piece_s):
            yield from self._feed_for(end)
            status = self._ends.speak(end, partial(end.bench.link.apply, piece))
            end.state = piece[-1].state
            yield self._heard(end, status)
            yield from self.hold_still()
            yield from self.wait_until(self._clock.now_s() + wait_s)

    def go(self, path: Sequence[PathStep], achieved_ohms: float) -> Part:
        """Run a path of the first ladder that is no step of a plan's, and tell what it makes."""
        yield from self.travel(path)
        yield (self.stands(path, achieved_ohms),)

    def stands(self, path: Sequence[PathStep], achieved_ohms: float) -> RelaysSet:
        """Return what is told where a path that is no step of a plan's has just run."""
        return RelaysSet(
            at_s=self._clock.now_s(),
            step_index=None,
            path=tuple(path),
            achieved_ohms=achieved_ohms,
        )

    def _feed_for(self, moving: End) -> Part:
        """Feed every other ladder that would fall due while a piece of a path runs."""
        for end in self.ends:
            due_in_s = end.spoken_s + end.feed_every_s - self._clock.now_s()
            if end is not moving and due_in_s <= self._piece_s:
                yield self._heard(end, self._ends.speak(end, end.bench.link.feed))

    def wait_until(self, until_s: float) -> Part:
        """Hold what is set until a time on the run's clock."""
        while (left_s := until_s - self._clock.now_s()) > 0:
            yield self.slice(min(POLL_S, left_s))
            yield from self.hold_still()

    def slice(self, seconds: float = POLL_S) -> tuple[Event, ...]:
        """Let a little time pass, and feed a hold-off when it is due."""
        due_in_s, end = self._ends.next_due()
        if due_in_s > seconds:
            self._clock.sleep_s(seconds)
            return ()
        self._clock.sleep_s(due_in_s)
        return self._heard(end, self._ends.speak(end, end.bench.link.feed))

    def rest(self) -> Part:
        """Park the first ladder in the middle of a run, which goes on."""
        end = self.ends[0]
        self._ends.speak(end, end.bench.link.park)
        yield (Parked(at_s=self._clock.now_s(), input=end.number),)

    def park(self) -> Part:
        """Park every ladder. Raises LinkError at the first that does not acknowledge it."""
        for end in self._ends.parked_in_turn():
            self._ends.speak(end, end.bench.link.park)
            yield (Parked(at_s=self._clock.now_s(), input=end.number),)

    def park_as_far_as_possible(self) -> Part:
        """Park every ladder that still acknowledges it: the others first, the failing one last."""
        for end in self._ends.parked_in_turn():
            try:
                end.bench.link.park()
            except LinkError:
                pass  # the summary says what is known of the relays
            else:
                yield (Parked(at_s=self._clock.now_s(), input=end.number),)

    def park_silently(self) -> None:
        """Park every ladder, whatever happens meanwhile: an error on its way matters more."""
        for end in self._ends.parked_in_turn():
            with suppress(Exception):  # close() parks again
                end.bench.link.park()

    def hold_still(self) -> Part:
        """Obey a wish to stop; wait as long as the run is paused."""
        self.check_stop()
        if not self._intents.is_paused():
            return
        began_s = self._clock.now_s()
        yield (self._note(NoteKind.PAUSED, "paused"),)
        while self._intents.is_paused():
            yield self.slice()
            self.check_stop()
        self.pauses += 1
        self.paused_s += self._clock.now_s() - began_s
        yield (self._note(NoteKind.RESUMED, "resumed"),)

    def check_stop(self) -> None:
        """Raise Stopped when a person has asked for the end."""
        if self._intents.is_stopped():
            raise Stopped

    def obey(self, about: Standing) -> Part:
        """Raise Stopped, or Wished for the oldest wish about the step under way.

        Of wishes about others say that they came late.
        """
        self.check_stop()
        intent = yield from self.wished(about)
        if intent is not None:
            raise Wished(intent)

    def wished(self, about: Standing) -> Generator[tuple[Event, ...], None, Intent | None]:
        """Return the oldest wish about the step under way; of others say that they came late."""
        while (wish := self._intents.take()) is not None:
            if wish.about == about:
                return wish.intent
            yield (self._note(NoteKind.REFUSED, too_late(wish)),)
        return None

    def close_wishes(self) -> tuple[Event, ...]:
        """Take no more wishes; say of those left over that they came too late."""
        return tuple(self._note(NoteKind.REFUSED, too_late(one)) for one in self._intents.close())

    def fault(self, error: LinkError | ReadbackError) -> FaultRaised:
        """Return what is told of an error: what failed, and what is known of all relays."""
        message = f"{error.message} ({error.hint})" if error.hint else error.message
        if len(self.ends) == 1:
            link = self.ends[0].bench.link
            relays = error.relays if isinstance(error, LinkError) else link.relays
            text = f"{error.source}: {message}"
        else:
            relays = worst_knowledge(end.relays for end in self.ends)
            failing = self._ends.failing_with(error)
            whose = "" if failing is None else f"{failing.name}, "
            text = f"{whose}{error.source}: {message}; {self.known}"
        return FaultRaised(at_s=self._clock.now_s(), message=text, relays=relays)

    def _heard(self, end: End, status: LinkStatus) -> tuple[Event, ...]:
        """Take in a status, which has fed the hold-off too; check that it is as meant."""
        unsaid, self._unsaid = self._unsaid, []
        return (*unsaid, *self._looked_at(end, status))

    def _heard_by_the_way(self, end: End, status: LinkStatus) -> None:
        self._unsaid += self._looked_at(end, status)

    def _looked_at(self, end: End, status: LinkStatus) -> tuple[Event, ...]:
        self._ends.failing, before = end, self._ends.failing
        require_health(status, end.state, end.bench.ladder, port=end.bench.link.port)
        self._ends.failing = before
        reported = LinkReported(at_s=self._clock.now_s(), status=status, input=end.number)
        if status.slowest_ms is None:
            return (reported,)
        text = (
            f"a change of relays took {status.slowest_ms} ms where {end.bench.step_ms} ms were"
            " planned: the module may have seen more of the switching than the plan says"
        )
        return reported, self._note(NoteKind.SLOW, text)

    def _note(self, kind: NoteKind, text: str) -> NoteMade:
        return NoteMade(at_s=self._clock.now_s(), kind=kind, text=text)
