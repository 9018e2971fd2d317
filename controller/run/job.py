"""What every run has in common: how it begins, how it ends, and that it ends parked.

Knows: the driver, readbacks as an interface, the order of a run's first and last events.
Must not know: what a job is for, plan files, who listens, terminals.

Every job (a sweep, values set by hand, the measurement of a ladder) is a script on the driver. The
order of events is:

    [CodesRead] RunStarted (what the job does) Parked [CodesRead] RunFinished

A fault cuts this short with FaultRaised, then Parked if the ladder still acknowledges, then
RunFinished. A stop parks at once. Where a run has two ladders, whatever ends it parks both.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Generator, Iterator

from controller.bench.opened import Bench
from controller.clock import Clock
from controller.errors import LinkError, ReadbackError
from controller.planning.model import ResolvedPlan
from controller.readback.base import Readback
from controller.run.driver import Driver, Part, Stopped
from controller.run.events import CodesRead, Event, Moment, RunFinished, RunStarted
from controller.run.intents import Intents
from controller.run.model import Ending, RunSummary

__all__ = ["Job", "run_events"]


class Job(ABC):
    """Something that drives a bench in small steps and ends parked."""

    def __init__(self, plan: ResolvedPlan, bench: Bench, clock: Clock) -> None:
        self.plan = plan
        self._bench = bench
        self._clock = clock
        self._intents = Intents()
        second = plan.second
        self._driver = Driver(
            bench,
            clock,
            self._intents,
            park_state=plan.park_state,
            names=("", "") if second is None else (plan.input, second.input),
            second_park_state=None if second is None else second.park_state,
        )
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
        summary = self._summary(ending)
        unheard = self._driver.close_wishes()
        yield (*unheard, RunFinished(at_s=self._clock.now_s(), summary=summary))

    def _to_the_end(self) -> Generator[tuple[Event, ...], None, Ending]:
        try:
            ending = yield from self._begun_and_worked()
            yield from self._driver.park()
            yield self._codes(Moment.AFTER)
        except (LinkError, ReadbackError) as error:
            ending = Ending.FAULT
            yield (self._driver.fault(error),)
            yield from self._driver.park_as_far_as_possible()
        except BaseException:
            self._driver.park_silently()
            raise
        return ending

    def _begun_and_worked(self) -> Generator[tuple[Event, ...], None, Ending]:
        try:
            for readback in self._readbacks():
                readback.open()
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

    def _readbacks(self) -> tuple[Readback, ...]:
        """Return the readback of each input of this run; inputs may share one."""
        every = [end.bench.readback for end in self._driver.ends]
        return tuple(one for index, one in enumerate(every) if one not in every[:index])

    def _codes(self, moment: Moment) -> tuple[Event, ...]:
        """Ask which fault codes the module holds, where the readback can tell."""
        told = [one for rb in self._readbacks() if (one := rb.codes()) is not None]
        if not told:
            return ()
        codes = told[0]
        for others in told[1:]:
            codes += tuple(code for code in others if code not in codes)
        self._codes_at[moment] = codes
        return (CodesRead(at_s=self._clock.now_s(), moment=moment, codes=codes),)


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
