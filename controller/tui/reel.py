"""Where in a record everything is: which lines make which picture, without decoding any of them.

Knows: the types of line, and which of them leave something in a picture.
Must not know: what the events are, Textual.

It is built of the lines as they are written, one after the other.
"""

from __future__ import annotations

import bisect
from array import array
from collections.abc import Iterator, Mapping, Sequence
from enum import IntEnum
from typing import Any

from controller.measurement.model import Verdict
from controller.records.codec import begins_step, event_count
from controller.records.compact import Room, column_end, parted, row_count
from controller.records.course_lines import COURSE_TYPES

__all__ = ["Leaves", "Reel"]


class Leaves(IntEnum):
    """What a line leaves in the picture of a run."""

    NOTHING = 0
    READING = 1
    """Until the next one."""
    RESULT = 2
    BEGIN = 3
    """It begins a step; what was left of the readings before goes."""
    LASTING = 4


_LASTING = frozenset(("note", "fault", "closing", "set")) | COURSE_TYPES
_MOST_EVENTS = 1 << 32


class Reel:
    """Lines are counted from 0, the opening left out; positions count the events before.

    `steps` are the positions after which a step has its result, `fails` those of them where it
    failed, `begun` the lines at which a step of the first input begins.
    """

    def __init__(self) -> None:
        self.steps = array("Q")
        self.fails = array("Q")
        self.begun = array("Q")
        self.last = 0
        self.last_s = 0.0
        self._firsts = array("Q")
        self._times_s = array("d")
        self._leaves = bytearray()
        self._lasting = array("Q")
        self._attempts = array("Q")
        self._attempt_of: dict[int, int] = {}
        self._result_lines = array("Q")
        self._results_of: dict[int, list[int]] = {}
        self._judged = array("Q")

    def __len__(self) -> int:
        """How many lines there are."""
        return len(self._firsts)

    def note(self, line: Mapping[str, Any]) -> None:
        """Take the next line. Raises LookupError, TypeError, ValueError and the like."""
        number = len(self._firsts)
        count, end_s = _events_in(line)
        leaves = _leaves(line)
        self._firsts.append(self.last)
        self._times_s.append(end_s)
        self._leaves.append(leaves)
        self.last += count
        if count:
            self.last_s = end_s
        if self.last > _MOST_EVENTS:
            raise ValueError("its tables hold more than a run can leave")
        match leaves:
            case Leaves.BEGIN:
                index = line["step"]
                self._attempt_of[index] = self._attempt_of.get(index, 0) + 1
                self._attempts.append(self._attempt_of[index])
                self.begun.append(number)
            case Leaves.RESULT:
                self._results_of.setdefault(int(line["index"]), []).append(len(self.steps))
                self.steps.append(self.last)
                self._result_lines.append(number)
                self._judged.append(len(self._results_of))
                if _failed(line):
                    self.fails.append(self.last)
            case Leaves.LASTING:
                self._lasting.append(number)

    # Positions

    def line_at(self, position: int) -> int:
        """Return the line that holds the last of the first `position` events, at least one."""
        return bisect.bisect_left(self._firsts, position) - 1

    def first(self, line: int) -> int:
        """Return the position before a line."""
        return self._firsts[line] if line < len(self._firsts) else self.last

    def end_s(self, line: int) -> float:
        """Return when the last event of a line happened."""
        return self._times_s[line]

    def lines_by(self, time_s: float) -> int:
        """Return how many lines are over by a time."""
        return bisect.bisect_right(self._times_s, time_s)

    def next_step(self, position: int) -> int:
        """Return the position at which the next step gets its result, or the end."""
        index = bisect.bisect_right(self.steps, position)
        return self.steps[index] if index < len(self.steps) else self.last

    def step_before(self, position: int) -> int:
        """Return the position at which the step before got its result, or the start."""
        index = bisect.bisect_left(self.steps, position) - 1
        return self.steps[index] if index >= 0 else 0

    # What makes a picture

    def lasting_before(self, line: int) -> Sequence[int]:
        """Return the lines before one that leave something for good."""
        return self._lasting[: bisect.bisect_left(self._lasting, line)]

    def leaving(self, start: int, stop: int) -> Iterator[int]:
        """Yield the lines of a range that leave something, its last one in any case."""
        for line in range(start, stop):
            leaves = self._leaves[line]
            over = leaves == Leaves.READING and self._leaves[line + 1 : line + 2] == b"\x01"
            if line == stop - 1 or not (leaves == Leaves.NOTHING or over):
                yield line

    def leaves(self, line: int) -> Leaves:
        """Return what a line leaves."""
        return Leaves(self._leaves[line])

    def begun_before(self, line: int) -> int:
        """Return how often a step has begun in the lines before one."""
        return bisect.bisect_left(self.begun, line)

    def attempt(self, line: int) -> int:
        """Return how often the step that a line begins has been begun, this time included."""
        return self._attempts[self.begun_before(line)]

    # Results

    def judged_at(self, position: int) -> int:
        """Return how many steps have a result at a position."""
        count = bisect.bisect_right(self.steps, position)
        return self._judged[count - 1] if count else 0

    def newest_at(self, position: int) -> int | None:
        """Return the line of the newest result at a position; None before the first."""
        count = bisect.bisect_right(self.steps, position)
        return self._result_lines[count - 1] if count else None

    def result_at(self, position: int, index: int) -> int | None:
        """Return the line of a step's result at a position; None where it has none yet."""
        numbers = self._results_of.get(index, ())
        count = bisect.bisect_right(self.steps, position)
        at = bisect.bisect_left(numbers, count) - 1
        return self._result_lines[numbers[at]] if at >= 0 else None


def _events_in(line: Mapping[str, Any]) -> tuple[int, float]:
    """Return how many events a line holds, and when the last one happened."""
    each = line.get("each")
    if each is None:
        return event_count(line), float(line["elapsed_s"])
    if line["type"] != "reading":  # several readings share a line; anything else might
        rows = list(parted(dict(line), Room(_MOST_EVENTS)))
        return sum(map(event_count, rows)), float(rows[-1]["elapsed_s"])
    end_s = column_end(each["elapsed_s"]) if "elapsed_s" in each else line["elapsed_s"]
    return row_count(each), float(end_s)


def _leaves(line: Mapping[str, Any]) -> Leaves:
    kind, number = line["type"], line.get("input", 1)
    if "input" in line.get("each", ()):
        return Leaves.LASTING  # no run leaves readings of both inputs in one line
    if kind == "reading":
        return Leaves.READING if number == 1 else Leaves.NOTHING
    if kind == "step":
        return Leaves.RESULT
    if kind not in _LASTING or number != 1:
        return Leaves.NOTHING
    return Leaves.BEGIN if begins_step(line) else Leaves.LASTING


def _failed(line: Mapping[str, Any]) -> bool:
    inputs = [line, line["second"]] if "second" in line else [line]
    return any(one["verdict"] == Verdict.FAIL.value for one in inputs)
