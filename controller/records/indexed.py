"""A record proven at once, of which a line is read when somebody asks for it.

Every line's check and the whole chain of them are proven before anything is handed out. What is
left for later is to understand the lines: a plan of ten thousand steps is unpacked step by step.
"""

from __future__ import annotations

import json
from array import array
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from controller.records.lines import BrokenLine
from controller.records.reader import (
    Break,
    Record,
    lines_of,
    prove,
    record_of,
    require_opening,
    require_whole,
    room_for,
    steps_of,
)
from controller.regular_file import MOST_RECORD_BYTES, read_regular

__all__ = ["IndexedRecord", "indexed_record"]


@dataclass(frozen=True, kw_only=True)
class IndexedRecord:
    """The bytes of a record and where each of its proven lines begins.

    `record` has the opening as its only line; the tables of that are `compact.Rows`.
    """

    record: Record
    data: bytes = field(repr=False)
    starts: Sequence[int] = field(repr=False)

    def __len__(self) -> int:
        """How many lines follow the opening."""
        return len(self.starts) - 2

    def lines(self, number: int) -> list[dict[str, Any]]:
        """Return what the line of a number, counted from 1, stands for. Raises InputError."""
        raw = self.data[self.starts[number] : self.starts[number + 1]]
        try:
            return lines_of(json.loads(raw), steps_of(self.record.opening), room_for(raw))
        except BrokenLine as error:
            require_whole(self.record.path, Break(line=number + 1, reason=str(error)))
            raise


def indexed_record(path: Path, note: Callable[[dict[str, Any]], None]) -> IndexedRecord:
    """Prove a record, and hand on each line but the opening as it is written, nothing filled in.

    Raises InputError when the file cannot be read or is damaged, and what `note` raises.
    """
    where = str(path)
    data = read_regular(path, most_bytes=MOST_RECORD_BYTES)
    openings: list[dict[str, Any]] = []
    starts = array("Q")

    def each(start: int, line: dict[str, Any]) -> None:
        if openings:
            note(line)
        else:
            openings.extend(lines_of(line, [], room_for(data), on_demand=True))
            require_opening(openings[0], where)
        starts.append(start)

    proof = prove(data, where, each)
    require_whole(path, proof.broken)
    starts.append(proof.whole_bytes)
    return IndexedRecord(record=record_of(path, openings, proof), data=data, starts=starts)
