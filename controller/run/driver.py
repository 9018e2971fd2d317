"""The one driver: opens a bench, travels, holds, feeds the hold-off, parks, ends in good order.

Knows: links and readbacks as interfaces, wishes of a person, the order of a run's last events.
Must not know: what a job is for, plan files, who listens, terminals.

Every job (a sweep, values set by hand, the measurement of a ladder) is a script on this driver: a
generator that does a little between one yield and the next and hands over what happened. The
order of events is:

    [CodesRead] RunStarted (what the job does) Parked [CodesRead] RunFinished

A fault cuts this short with FaultRaised, then Parked if the ladder still acknowledges, then
RunFinished. A stop parks at once.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Generator, Iterator, Sequence
from contextlib import suppress
from typing import TypeAlias

from controller.bench.opened import Bench
from controller.clock import Clock
from controller.errors import LinkError, ReadbackError
from controller.ladder.model import PathStep
from controller.links.base import LinkStatus
from controller.planning.model import ResolvedPlan
from controller.run.events import (
    CodesRead,
    Event,
    FaultRaised,
    LinkReported,
    Moment,
    NoteKind,
    NoteMade,
    Parked,
    RunFinished,
    RunStarted,
)
from controller.run.health import require_health, require_ladder
from controller.run.intents import Intents
from controller.run.model import Ending, RunSummary
from controller.run.pieces import in_pieces

__all__ = ["POLL_S", "Driver", "Job", "Part", "Stopped", "run_events"]

POLL_S = 0.1
"""The longest a job looks away from the readback and from a person's wishes."""

_LONGEST_PIECE_S = 0.5

Part: TypeAlias = Generator[tuple[Event, ...], None, None]
"""A piece of a script."""


class Stopped(Exception):  # noqa: N818 - a way out of a script, not an error
    """A person asked for the end."""


class Driver:
    """Moves the relays of one opened bench, and never leaves the device in silence for long."""

    def __init__(self, bench: Bench, clock: Clock, intents: Intents, *, park_state: int) -> None:
        self._bench = bench
        self._clock = clock
        self._intents = intents
        # A third of the hold-off is the longest silence allowed; a slice never goes beyond it.
        self._feed_every_s = bench.hold_off_ms / 3000.0
        self._piece_s = min(_LONGEST_PIECE_S, self._feed_every_s)
        self._spoken_s = clock.now_s()
        self.state = park_state
        """The state that is latched as far as this run goes."""
        self.pauses = 0
        """How often the run has been paused and resumed."""
        self.paused_s = 0.0
        """How long it has been paused altogether."""

    def open(self) -> str:
        """Open the link, parked; return the device's name. Raises LinkError for another ladder."""
        link = self._bench.link
        identity = link.open(hold_off_ms=self._bench.hold_off_ms)
        self._spoken_s = self._clock.now_s()
        require_ladder(identity, self._bench.ladder, port=link.port)
        return identity.name

    def travel(self, path: Sequence[PathStep]) -> Part:
        """Run a path in pieces short enough to stop or to pause between them."""
        for piece, wait_s in in_pieces(path, self._piece_s):
            status = self._bench.link.apply(piece)
            self.state = piece[-1].state
            yield self._heard(status)
            yield from self.hold_still()
            yield from self.wait_until(self._clock.now_s() + wait_s)

    def wait_until(self, until_s: float) -> Part:
        """Hold what is set until a time on the run's clock."""
        while (left_s := until_s - self._clock.now_s()) > 0:
            yield self.slice(min(POLL_S, left_s))
            yield from self.hold_still()

    def slice(self, seconds: float = POLL_S) -> tuple[Event, ...]:
        """Let a little time pass, and feed the hold-off when it is due."""
        due_in_s = self._spoken_s + self._feed_every_s - self._clock.now_s()
        if due_in_s > seconds:
            self._clock.sleep_s(seconds)
            return ()
        self._clock.sleep_s(due_in_s)
        return self._heard(self._bench.link.feed())

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

    def _heard(self, status: LinkStatus) -> tuple[Event, ...]:
        """Take in a status, which has fed the hold-off too; check that it is as meant."""
        self._spoken_s = self._clock.now_s()
        require_health(status, self.state, self._bench.ladder, port=self._bench.link.port)
        reported = LinkReported(at_s=self._clock.now_s(), status=status)
        if status.slowest_ms is None:
            return (reported,)
        text = (
            f"a change of relays took {status.slowest_ms} ms where {self._bench.step_ms} ms were"
            " planned: the module may have seen more of the switching than the plan says"
        )
        return reported, self._note(NoteKind.SLOW, text)

    def _note(self, kind: NoteKind, text: str) -> NoteMade:
        return NoteMade(at_s=self._clock.now_s(), kind=kind, text=text)


class Job(ABC):
    """Something that drives a bench in small steps and ends parked."""

    def __init__(self, plan: ResolvedPlan, bench: Bench, clock: Clock) -> None:
        self.plan = plan
        self._bench = bench
        self._clock = clock
        self._intents = Intents()
        self._driver = Driver(bench, clock, self._intents, park_state=plan.park_state)
        self._finished = False
        self._codes_at: dict[Moment, tuple[str, ...]] = {}
        self._script = self._run()

    @abstractmethod
    def _work(self) -> Part:
        """Do what the job is for, between the opened link and the last parking."""

    @abstractmethod
    def _summary(self, ending: Ending) -> RunSummary:
        """Return the end of the run in numbers and words."""

    def _open_instruments(self) -> None:
        """Open what this job needs besides the readback, before any relay moves.

        Raises ReadbackError.
        """
        return

    @property
    def finished(self) -> bool:
        """Whether the run is over: RunFinished has been returned, or `step` has raised."""
        return self._finished

    @property
    def new_codes(self) -> tuple[str, ...]:
        """The fault codes that were not there before the run and are now, as far as is known."""
        if Moment.BEFORE not in self._codes_at:
            return ()
        before = self._codes_at[Moment.BEFORE]
        after = self._codes_at.get(Moment.AFTER, ())
        return tuple(code for code in after if code not in before)

    def stop(self) -> None:
        """End the run: park at once. Any thread may call this."""
        self._intents.stop()

    def step(self) -> tuple[Event, ...]:
        """Do a little, for at most about half a second of the clock; return what happened.

        Returns nothing once the run is finished. A KeyboardInterrupt inside is taken as `stop`.
        Any error other than of link and readback parks as far as possible and goes on its way.
        """
        return next(self._script, ())

    # How every run begins and ends

    def _run(self) -> Part:
        try:
            ending = yield from self._to_the_end()
        finally:
            self._finished = True
        yield (RunFinished(at_s=self._clock.now_s(), summary=self._summary(ending)),)

    def _to_the_end(self) -> Generator[tuple[Event, ...], None, Ending]:
        try:
            ending = yield from self._begun_and_worked()
            self._bench.link.park()
            yield (Parked(at_s=self._clock.now_s()),)
            yield self._codes(Moment.AFTER)
        except (LinkError, ReadbackError) as error:
            ending = Ending.FAULT
            yield (self._fault(error),)
            try:
                self._bench.link.park()
            except LinkError:
                pass  # the summary says what is known of the relays
            else:
                yield (Parked(at_s=self._clock.now_s()),)
        except BaseException:
            with suppress(Exception):  # the error on its way matters more; close() parks again
                self._bench.link.park()
            raise
        return ending

    def _begun_and_worked(self) -> Generator[tuple[Event, ...], None, Ending]:
        try:
            self._bench.readback.open()
            self._open_instruments()
            yield self._codes(Moment.BEFORE)
            device_name = self._driver.open()
            yield (
                RunStarted(
                    at_s=self._clock.now_s(),
                    plan=self.plan,
                    device_name=device_name,
                    first_step=self.plan.first_step,
                ),
            )
            yield from self._work()
        except (Stopped, KeyboardInterrupt):
            self._intents.stop()
            return Ending.STOPPED
        return Ending.COMPLETE

    def _codes(self, moment: Moment) -> tuple[Event, ...]:
        """Ask which fault codes the module holds, where the readback can tell."""
        codes = self._bench.readback.codes()
        if codes is None:
            return ()
        self._codes_at[moment] = codes
        return (CodesRead(at_s=self._clock.now_s(), moment=moment, codes=codes),)

    def _fault(self, error: LinkError | ReadbackError) -> FaultRaised:
        message = f"{error.message} ({error.hint})" if error.hint else error.message
        relays = error.relays if isinstance(error, LinkError) else self._bench.link.relays
        return FaultRaised(
            at_s=self._clock.now_s(), message=f"{error.source}: {message}", relays=relays
        )


def run_events(job: Job) -> Iterator[Event]:
    """Return the events of a run one by one until it is finished.

    When the reader goes away early, the run is stopped and parks.
    """
    try:
        while not job.finished:
            yield from job.step()
    finally:
        job.stop()
        while not job.finished:
            job.step()
