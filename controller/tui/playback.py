"""A record as a film: the events behind its lines, and the picture after any of them.

Knows: which event leaves which line, and the view-model.
Must not know: Textual, clocks, how lines are proven.

The routine that leaves no line (link reports, prompts) is not in a record and not in the film.
Neither lines nor events are kept: a picture is made of the few lines that have left something in
it, so that a record of any length opens at once and takes no more room than its file.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from typing import Any

from controller.errors import InputError
from controller.on_demand import OnDemand
from controller.planning.model import ResolvedStep
from controller.records.codec import events_of_line
from controller.records.decode import StepsOnDemand, plan_of
from controller.records.indexed import IndexedRecord, indexed_record
from controller.records.reader import Record
from controller.run.events import Event, StepFinished, StepStarted
from controller.run.model import StepResult
from controller.tui.reel import Leaves, Reel
from controller.tui.step_rows import highest_ohms
from controller.tui.view import Point, RunView, after, estimate_s, point_of

__all__ = ["Film", "film_at"]

_TELL_EVERY = 256


class Film:
    """The events of a record in order, and the picture after any number of them.

    `steps` are the positions after which a step has its result, `fails` those where it failed.
    Until everything has been `read`, pictures lack what only a whole record tells (`operations`,
    `spent_s`, `spent_planned_s`), and a line that this version cannot read may still turn up:
    then whatever asks for it raises InputError.
    """

    def __init__(self, indexed: IndexedRecord, reel: Reel) -> None:
        self.plan = plan_of(indexed.record)
        self.whole = False
        self._indexed = indexed
        self._reel = reel
        self.steps: Sequence[int] = reel.steps
        self.fails: Sequence[int] = reel.fails
        self.last = reel.last
        self.last_s = reel.last_s
        self._planned_s = OnDemand(
            len(self.plan.steps), lambda index: estimate_s((self.plan.steps[index],), self.plan)
        )
        self._points: dict[int, Point | None] = {}
        self._limits: dict[int, tuple[float, float]] = {}
        self._sums: list[tuple[int, float, float]] = []
        self._result = lru_cache(256)(self._read_result)

    def __len__(self) -> int:
        """How many lines it is made of."""
        return len(self._reel)

    @property
    def most_ohms(self) -> float:
        """The highest resistance of any step of the plan. Raises InputError."""
        steps = self.plan.steps
        if isinstance(steps, StepsOnDemand):
            return highest_ohms(steps.achieved_ohms)
        return highest_ohms(step.achieved_ohms for step in steps)

    # Events

    def events_of(self, line: int) -> list[Event]:
        """Return the events behind a line, counted from 0. Raises InputError."""
        reel = self._reel
        try:
            found: list[Event] = []
            for one in self._indexed.lines(line + 1):
                attempts: dict[int, int] = {}
                if reel.leaves(line) is Leaves.BEGIN:
                    attempts[one["step"]] = reel.attempt(line) - 1
                found += events_of_line(one, self.plan, attempts)
            if len(found) != reel.first(line + 1) - reel.first(line):
                raise ValueError("it holds more or fewer events than it seems to")
        except _UNREADABLE as error:
            raise _unreadable(self._indexed.record.path, line + 1, error) from None
        return found

    def event(self, position: int) -> Event:
        """Return the last of the first `position` events, at least one. Raises InputError."""
        line = self._reel.line_at(position)
        return self.events_of(line)[position - self._reel.first(line) - 1]

    def events(self) -> Iterator[Event]:
        """Yield every event. Raises InputError."""
        for line in range(len(self)):
            yield from self.events_of(line)

    def read(self, told: Callable[[float], None] | None = None) -> None:
        """Read every step and every line once; tell now and then which share is done.

        Raises InputError at the first line that this version cannot read, and what `told` raises.
        """
        if self.whole:
            return
        sums: list[tuple[int, float, float]] = []
        unread = set(range(len(self.plan.steps)))
        whole = len(self) + len(unread)

        def tell(done: int) -> None:
            if told is not None and done % _TELL_EVERY == 0:
                told(done / whole)

        view = self._nothing(0)
        for line in range(len(self)):
            tell(line + len(self.plan.steps) - len(unread))
            events = self.events_of(line)
            leaves = self._reel.leaves(line)
            if leaves is Leaves.BEGIN:
                sums.append((view.operations, view.spent_s, view.spent_planned_s))
            if leaves not in (Leaves.NOTHING, Leaves.READING):
                view = _after_all(view, events)
            for event in events:
                match event:
                    case StepStarted() if event.step.index in unread:
                        unread.remove(event.step.index)
                        self._limit(event.step)
                    case StepFinished():
                        self._points[line] = point_of(event.result)
        for done, index in enumerate(sorted(unread), start=whole - len(unread)):
            tell(done)
            self._limit(self.plan.steps[index])
        for plan in self.plan.inputs[1:]:
            for _step in plan.steps:
                tell(whole - 1)
        self._sums, self.whole = sums, True

    def _limit(self, step: ResolvedStep) -> None:
        if step.expected_celsius is not None and step.tolerance_celsius is not None:
            self._limits[step.index] = step.expected_celsius, step.tolerance_celsius

    # Pictures

    def at(self, position: int) -> RunView:
        """Return the picture after the first `position` events. Raises InputError."""
        reel = self._reel
        position = max(0, min(position, self.last))
        stop = reel.line_at(position) + 1
        begun = reel.begun_before(stop)
        # The step before, too: relays stand where it has left them until the next one is set.
        here, before = (reel.begun[begun - one] if begun >= one else 0 for one in (1, 2))
        view = self._nothing(position)
        for line in (*reel.lasting_before(before), *reel.leaving(before, here)):
            view = self._after_line(view, line, position)
        if begun and self.whole:
            operations, spent_s, planned_s = self._sums[begun - 1]
            view = replace(view, operations=operations, spent_s=spent_s, spent_planned_s=planned_s)
        for line in reel.leaving(here, stop):
            view = self._after_line(view, line, position)
        newest = reel.newest_at(position)
        return replace(
            view,
            judged_now=reel.judged_at(position),
            newest=None if newest is None else self._result(newest),
        )

    def _nothing(self, position: int) -> RunView:
        """Return a picture of nothing but the results at a position."""
        results = OnDemand(len(self.plan.steps), lambda index: self._result_at(position, index))
        return RunView(plan=self.plan, results=results, planned_s=self._planned_s)

    def _after_line(self, view: RunView, line: int, position: int) -> RunView:
        events = self.events_of(line)[: position - self._reel.first(line)]
        if self._reel.leaves(line) is Leaves.READING:
            events = events[-1:]
        return _after_all(view, events)

    def _result_at(self, position: int, index: int) -> StepResult | None:
        line = self._reel.result_at(position, index)
        return None if line is None else self._result(line)

    def _read_result(self, line: int) -> StepResult:
        (event,) = self.events_of(line)
        assert isinstance(event, StepFinished)  # noqa: S101 - the reel has found it to be one
        return event.result

    def points(self, position: int) -> tuple[Point, ...]:
        """Return the judged steps that have numbers at a position; none before all is read."""
        if not self.whole:
            return ()
        lines = (self._reel.result_at(position, one) for one in range(len(self.plan.steps)))
        found = (self._points.get(line) for line in lines if line is not None)
        return tuple(point for point in found if point is not None)

    @property
    def limits(self) -> Sequence[tuple[float, float]]:
        """What each step expects and its limit, in degC; none before all is read."""
        return tuple(self._limits.values()) if self.whole else ()

    # Times and positions

    def time_s(self, position: int) -> float:
        """Return the run's time after the first `position` events. Raises InputError."""
        if position <= 0 or not self.last:
            return 0.0
        line = self._reel.line_at(position)
        if position == self._reel.first(line + 1):
            return self._reel.end_s(line)
        return self.event(position).at_s

    def position_at(self, time_s: float) -> int:
        """Return how many events have happened by a time. Raises InputError."""
        line = self._reel.lines_by(time_s)
        if line == len(self):
            return self.last
        begun = sum(event.at_s <= time_s for event in self.events_of(line))
        return self._reel.first(line) + begun

    def next_step(self, position: int) -> int:
        """Return the position at which the next step gets its result, or the end."""
        return self._reel.next_step(position)

    def step_before(self, position: int) -> int:
        """Return the position at which the step before got its result, or the start."""
        return self._reel.step_before(position)


def _after_all(view: RunView, events: Iterable[Event]) -> RunView:
    for event in events:
        view = after(view, event)
    return view


def film_at(path: Path, told: Callable[[], None] = lambda: None) -> tuple[Film, Record]:
    """Return the film of a record's file, and the record with its opening as its only line.

    Every line is proven, none understood yet: `Film.read` does that. `told` is called at each
    line. Raises InputError when the file cannot be read or is damaged, and what `told` raises.
    """
    reel = Reel()

    def note(line: dict[str, Any]) -> None:
        told()
        try:
            reel.note(line)
        except _UNREADABLE as error:
            raise _unreadable(path, line.get("seq"), error) from None

    indexed = indexed_record(path, note)
    return Film(indexed, reel), indexed.record


_UNREADABLE = (LookupError, TypeError, ValueError, AttributeError, OverflowError)


def _unreadable(path: Path, seq: object, error: Exception) -> InputError:
    return InputError.single(
        f"line {seq} lacks or misstates what this version reads ({error!r})",
        where=str(path),
        hint="the record may come from another version of the program",
    )
