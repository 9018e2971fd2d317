"""A record as a film: the events behind its lines, and the picture after any of them.

Knows: which event leaves which line, and the view-model.
Must not know: Textual, clocks, how lines are proven.

The routine that leaves no line (link reports, prompts) is not in a record and not in the film. The
lines themselves are not kept: a long record would take many times the room.
"""

from __future__ import annotations

import bisect
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from controller.errors import InputError
from controller.planning.model import ResolvedPlan
from controller.records.codec import events_of_line
from controller.records.decode import plan_of
from controller.records.reader import Proof, Record, record_of, walk_record
from controller.run.events import Event, ReadingSeen, StepFinished, StepStarted
from controller.tui.view import RunView, after, begin

__all__ = ["Film", "film_at", "film_of"]

_CHECKPOINT_EVERY = 256


class Film:
    """Events in order with the times of their lines, and a picture every so often to start from.

    `steps` are the positions after which a step has its result. Pictures to start from are made
    as far as they are asked for; only the last picture is there at once.
    """

    def __init__(self, plan: ResolvedPlan) -> None:
        self.plan = plan
        self.events: list[Event] = []
        self.times_s: list[float] = []
        self.steps: list[int] = []
        self._checkpoints: list[RunView] = [begin(plan)]
        self._last: tuple[int, RunView] | None = None
        self._attempts: dict[int, int] = {}
        self._step_at = 0

    def take(self, line: Mapping[str, Any]) -> None:
        """Add what is behind a line. Raises ValueError and the like for a line that is not ours."""
        at_s = float(line["elapsed_s"])
        for event in events_of_line(line, self.plan, self._attempts):
            self.events.append(event)
            self.times_s.append(at_s)
            if isinstance(event, StepStarted):
                self._step_at = len(self.events)
            elif isinstance(event, StepFinished):
                self.steps.append(len(self.events))

    @property
    def last(self) -> int:
        """The position after everything."""
        return len(self.events)

    def at(self, position: int) -> RunView:
        """Return the picture after the first `position` events."""
        position = max(0, min(position, self.last))
        if position == self.last:
            return self._at_last()
        start = position // _CHECKPOINT_EVERY
        self.reach(start)
        view = self._checkpoints[start]
        for event in self.events[start * _CHECKPOINT_EVERY : position]:
            view = after(view, event)
        return view

    def reach(self, checkpoint: int | None = None) -> None:
        """Make pictures to start from, up to one of them; None: all."""
        wanted = self.last // _CHECKPOINT_EVERY if checkpoint is None else checkpoint
        while (count := len(self._checkpoints)) <= wanted:
            view = self._checkpoints[-1]
            for event in self.events[(count - 1) * _CHECKPOINT_EVERY : count * _CHECKPOINT_EVERY]:
                view = after(view, event)
            if len(self._checkpoints) == count:  # nobody else was faster
                self._checkpoints.append(view)

    def _at_last(self) -> RunView:
        """Return the last picture: readings of steps that are over leave no trace in it."""
        if self._last is None or self._last[0] != self.last:
            view = self._checkpoints[0]
            for index, event in enumerate(self.events):
                if index >= self._step_at or not isinstance(event, ReadingSeen):
                    view = after(view, event)
            self._last = self.last, view
        return self._last[1]

    def time_s(self, position: int) -> float:
        """Return the run's time after the first `position` events."""
        return self.times_s[position - 1] if position > 0 and self.times_s else 0.0

    def position_at(self, time_s: float) -> int:
        """Return how many events have happened by a time."""
        return bisect.bisect_right(self.times_s, time_s)

    def next_step(self, position: int) -> int:
        """Return the position at which the next step gets its result, or the end."""
        index = bisect.bisect_right(self.steps, position)
        return self.steps[index] if index < len(self.steps) else self.last

    def step_before(self, position: int) -> int:
        """Return the position at which the step before got its result, or the start."""
        index = bisect.bisect_left(self.steps, position) - 1
        return self.steps[index] if index >= 0 else 0


def film_of(record: Record) -> Film:
    """Return the film of a record. Raises InputError when a line cannot be read."""
    film = Film(plan_of(record))
    for line in record.lines[1:]:
        _take(film, line, record.path)
    return film


def film_at(path: Path) -> tuple[Film, Record]:
    """Return the film of a record's file, and the record with its opening as its only line.

    Raises InputError when the file cannot be read or a line is not one of ours.
    """
    opening: list[dict[str, Any]] = []
    films: list[Film] = []

    def take(line: dict[str, Any]) -> None:
        if films:
            _take(films[0], line, path)
        else:
            opening.append(line)
            films.append(Film(plan_of(record_of(path, opening, _NOTHING))))

    proof = walk_record(path, take)
    return films[0], record_of(path, opening, proof)


_NOTHING = Proof(line_count=0, whole_bytes=0, torn_bytes=0, tail_hash="", broken=None)


def _take(film: Film, line: Mapping[str, Any], path: Path) -> None:
    try:
        film.take(line)
    except (LookupError, TypeError, ValueError, AttributeError, OverflowError) as error:
        raise InputError.single(
            f"line {line.get('seq')} lacks or misstates what this version reads ({error!r})",
            where=str(path),
            hint="the record may come from another version of the program",
        ) from None
