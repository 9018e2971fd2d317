"""A record as a film: the events behind its lines, and the picture after any of them.

Knows: which event leaves which line, and the view-model.
Must not know: Textual, clocks, how lines are proven.

The routine that leaves no line (link reports, prompts) is not in a record and not in the film.
"""

from __future__ import annotations

import bisect
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from controller.errors import InputError
from controller.planning.model import ResolvedPlan
from controller.records.codec import events_of_line
from controller.records.decode import plan_of, understood
from controller.records.reader import Record
from controller.run.events import (
    Event,
    StepFinished,
)
from controller.tui.view import RunView, after, begin

__all__ = ["Film", "film_of"]

_CHECKPOINT_EVERY = 256


@dataclass(frozen=True)
class Film:
    """Events in order, the times of their lines, and a picture every so often to start from.

    `steps` are the positions after which a step has its result.
    """

    plan: ResolvedPlan
    events: tuple[Event, ...]
    times_s: tuple[float, ...]
    steps: tuple[int, ...]
    checkpoints: tuple[RunView, ...]

    @property
    def last(self) -> int:
        """The position after everything."""
        return len(self.events)

    def at(self, position: int) -> RunView:
        """Return the picture after the first `position` events."""
        position = max(0, min(position, self.last))
        start = position // _CHECKPOINT_EVERY
        view = self.checkpoints[start]
        for event in self.events[start * _CHECKPOINT_EVERY : position]:
            view = after(view, event)
        return view

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
    return understood(record, lambda: _film(record))


def _film(record: Record) -> Film:
    plan = plan_of(record)
    events: list[Event] = []
    times: list[float] = []
    steps: list[int] = []
    checkpoints = [begin(plan)]
    view = checkpoints[0]
    attempts: dict[int, int] = {}
    for line in record.lines[1:]:
        at_s = float(line["elapsed_s"])
        for event in _events(record, plan, line, attempts):
            events.append(event)
            times.append(at_s)
            view = after(view, event)
            if isinstance(event, StepFinished):
                steps.append(len(events))
            if len(events) % _CHECKPOINT_EVERY == 0:
                checkpoints.append(view)
    return Film(plan, tuple(events), tuple(times), tuple(steps), tuple(checkpoints))


def _events(
    record: Record,
    plan: ResolvedPlan,
    line: Mapping[str, Any],
    attempts: dict[int, int],
) -> list[Event]:
    try:
        return list(events_of_line(line, plan, attempts))
    except (KeyError, TypeError, ValueError, IndexError) as error:
        raise InputError.single(
            f"line {line.get('seq')} lacks or misstates what this version reads ({error!r})",
            where=str(record.path),
        ) from None
