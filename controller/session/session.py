"""A run under way: the bench it drives, the record it leaves, its events as they happen.

The record is told of every event before anybody else, and whatever happens the job is brought to
its end and everything is let go of.
"""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Callable, Generator, Iterable, Iterator
from contextlib import closing, suppress
from dataclasses import dataclass, replace
from pathlib import Path
from types import TracebackType
from typing import Self, cast

from controller.bench.calibration_age import calibration_age_warnings
from controller.bench.model import BenchFile
from controller.bench.opened import Bench
from controller.bench.self_tests import self_test_file, self_test_warnings
from controller.bench.wear import bench_wear_warnings, wear_file
from controller.bench.wiring import open_bench
from controller.clock import Clock, RealClock
from controller.errors import RelayKnowledge
from controller.planning.model import ResolvedPlan
from controller.readback.base import Readback
from controller.readback.lines import LineSource
from controller.records.writer import RecordError, RecordWriter
from controller.run.events import Event, NoteKind, NoteMade, RunFinished, RunStarted, StepFinished
from controller.run.job import Job
from controller.run.model import RunSummary, StepResult
from controller.session.recording import with_earlier

__all__ = ["Session", "Setup"]


_LEFT_ALONE = (
    "the second ladder of this bench is left alone: plans with two inputs drive it, and --input 2"
)


@dataclass(frozen=True, kw_only=True)
class Setup:
    """A run that is prepared: nothing is open but its record.

    `make_job` gets the opened bench. `earlier` are results of a record that is gone on with.
    `reads_back` is False for runs that only drive; `readback` takes the place of the bench's own.
    `warnings` are sentences that go into the record as soon as the run has begun, `self_tested`
    one on the self-test that was made for it.
    """

    bench: BenchFile
    plan: ResolvedPlan
    make_job: Callable[[Bench], Job]
    clock: Clock
    record: RecordWriter | None = None
    earlier: tuple[StepResult, ...] = ()
    reads_back: bool = True
    warnings: tuple[str, ...] = ()
    readback: Readback | None = None
    self_tested: str | None = None


class Session:
    """One run from its opened bench to its end. Use it as a context manager.

    `lines` is where typed readings come from and `write` where questions go; `keep_early` says
    that the lines come from a script, which writes all of its answers at once.
    """

    def __init__(
        self,
        setup: Setup,
        *,
        lines: LineSource | None = None,
        write: Callable[[str], None] | None = None,
        keep_early: bool = False,
    ) -> None:
        self.setup = setup
        self._now: dict[int, StepResult] = {}
        self.summary: RunSummary | None = None
        self._reached = False
        self._unseen: tuple[Event, ...] = ()
        # Appending to and taking from a deque are atomic.
        self._remarks: deque[str] = deque()
        self.epilogue: Callable[[RunSummary], Iterable[Event]] | None = None
        """What is still done, parked and judged, and belongs into the record before it closes."""
        try:
            bench = setup.bench
            if setup.plan.second is None:
                bench = replace(bench, second=None)  # it is not even opened
            self.bench = open_bench(
                bench,
                setup.clock,
                lines=lines,
                write=write,
                wear_path=wear_file(os.environ),
                keep_early=keep_early,
                reads_back=setup.reads_back,
                readback=setup.readback,
            )
        except BaseException:
            self._drop_record()
            raise
        try:
            self.job = setup.make_job(self.bench)
        except BaseException:
            self.bench.close()
            self._drop_record()
            raise

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        _kind: type[BaseException] | None,
        _error: BaseException | None,
        _trace: TracebackType | None,
    ) -> None:
        self.close()

    @property
    def finished(self) -> bool:
        """Whether the run is over."""
        return self.job.finished

    @property
    def relays(self) -> RelayKnowledge:
        """What is known of the relays now."""
        return self.bench.relays

    @property
    def results(self) -> tuple[StepResult, ...]:
        """The result that counts of each step, those of an earlier part of the run included."""
        return (*self.setup.earlier, *self._own_results())

    @property
    def record_path(self) -> Path | None:
        """The record of this run; None where none is left, the ladder not having been reached."""
        record = self.setup.record
        return None if record is None or not record.path.exists() else record.path

    @property
    def record_hash(self) -> str | None:
        """The SHA-256 of the record's last line; after the end it pins the whole record."""
        record = self.setup.record
        return None if record is None or self.record_path is None else record.tail_hash

    def stop(self) -> None:
        """Ask for the end: park at once. Any thread may call this."""
        self.job.stop()

    def note(self, text: str) -> None:
        """Keep a remark of a person in the record, in its place in time. Any thread may call this.

        After the end there is no place for it any more.
        """
        self._remarks.append(text)

    def step(self) -> tuple[Event, ...]:
        """Do a little; return what happened, after the record has been told.

        Raises RecordError when the record cannot be written to; `close` then ends the run.
        """
        now_s, said = self.setup.clock.now_s(), []
        while self._remarks:
            said.append(NoteMade(at_s=now_s, kind=NoteKind.REMARK, text=self._remarks.popleft()))
        events = (*said, *self._amended(self.job.step()))
        self._unseen = events
        if self.setup.record is not None:
            for event in events:
                self.setup.record.take(event)
            if self.finished and not self._reached:  # a port that never opened
                self._drop_record()
        self._unseen = ()
        return events

    def batches(self, until: Callable[[], bool] = lambda: False) -> Iterator[tuple[Event, ...]]:
        """Return what each step brings until the end; parked when the reader goes away early.

        `until` is asked between two steps whether the run is to be stopped. What an ending after
        a failure brings, the last of the failure's own events included, is returned as well.
        """
        try:
            while not self.finished:
                if until():
                    self.stop()
                yield self.step()
        except RecordError as error:
            yield self._unseen  # they have happened, though the record could not be told
            yield from self._wind_up()
            raise RecordError(f"{error}; {self.relays.value}") from None
        finally:
            for _ in self._wind_up():
                pass

    def events(self) -> Iterator[Event]:
        """Return the events one by one until the end; parked when the reader goes away early."""
        batches = cast("Generator[tuple[Event, ...], None, None]", self.batches())
        with closing(batches):
            for batch in batches:
                yield from batch

    def close(self) -> None:
        """Bring the job to its end, park, and let go of everything. Never raises."""
        for _ in self._wind_up():
            pass
        self.bench.close()
        self._let_go_of_record()

    def _wind_up(self) -> Iterator[tuple[Event, ...]]:
        """End a job that is cut short in good order; its last events still reach the record."""
        while not self.finished:
            self.stop()
            with suppress(Exception):  # the error on its way matters more
                yield self.step()

    def _drop_record(self) -> None:
        """Take the record away: nothing has been driven, and it tells of nothing."""
        if self.setup.record is not None:
            self.setup.record.discard()

    def _let_go_of_record(self) -> None:
        if self.setup.record is not None:
            self.setup.record.close()

    def _own_results(self) -> tuple[StepResult, ...]:
        return tuple(self._now[index] for index in sorted(self._now))

    def _amended(self, events: tuple[Event, ...]) -> Iterator[Event]:
        """Add what the job does not know: earlier results, warnings that belong to the record."""
        for event in events:
            match event:
                case StepFinished():
                    self._now[event.result.step.index] = event.result
                    yield event
                case RunStarted():
                    self._reached = True
                    yield event
                    for text in self.setup.warnings:
                        yield NoteMade(at_s=event.at_s, kind=NoteKind.WEAR, text=text)
                    if self.setup.bench.second is not None and self.setup.plan.second is None:
                        yield NoteMade(at_s=event.at_s, text=_LEFT_ALONE)
                    if (said := self.setup.self_tested) is not None:
                        yield NoteMade(at_s=event.at_s, kind=NoteKind.SELF_TEST, text=said)
                case RunFinished():
                    earlier, plan = self.setup.earlier, self.setup.plan
                    whole = with_earlier(event, plan, earlier, self._own_results())
                    self.summary = whole.summary
                    if self.epilogue is not None and self._reached:
                        yield from self.epilogue(whole.summary)
                    yield whole
                case _:
                    yield event


@dataclass(frozen=True, kw_only=True)
class BenchWarnings:
    """Sentences on a bench: relays near their rated life, a failed self-test, an old calibration.

    Going through it gives all of them.
    """

    wear: tuple[str, ...] = ()
    self_test: tuple[str, ...] = ()
    calibration: tuple[str, ...] = ()

    def __iter__(self) -> Iterator[str]:
        return iter((*self.wear, *self.self_test, *self.calibration))


def bench_warnings(bench: BenchFile) -> BenchWarnings:
    """Return what is to be said of a bench, as its file describes it. Raises InputError."""
    inputs = bench.inputs
    return BenchWarnings(
        wear=tuple(
            text for one in inputs for text in bench_wear_warnings(one, wear_file(os.environ))
        ),
        self_test=tuple(
            text for one in inputs for text in self_test_warnings(one, self_test_file(os.environ))
        ),
        calibration=tuple(
            text for one in inputs for text in calibration_age_warnings(one, RealClock().utc())
        ),
    )
