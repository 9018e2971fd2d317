"""Reading a record: every whole line proven, a torn tail told apart from damage.

Knows: how a record is laid out, and at which line it breaks.
Must not know: how runs are made or judged.

A run can be cut off in the middle of a write: bytes after the last newline are a torn tail and
are left out, everything before them is kept. Any other change breaks the chain at a line that is
named; the lines before it are still proven.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from controller.errors import InputError
from controller.records.compact import Room, Rows, completed, opened, parted
from controller.records.lines import FIRST_PREVIOUS, BrokenLine, digest, parse_line
from controller.regular_file import MOST_RECORD_BYTES, read_regular

__all__ = [
    "RECORD_FORMAT",
    "Break",
    "Proof",
    "Record",
    "lines_of",
    "load_record",
    "opening_of",
    "prove",
    "read_record",
    "record_of",
    "require_opening",
    "require_record",
    "require_whole",
    "room_for",
    "steps_of",
    "walk_record",
]

RECORD_FORMAT = "rungwise-record/1"

_LEAST_ROOM = 2_000_000
"""So many values the tables of any record may come to, and one more for each of its bytes."""

_OPENING: dict[str, tuple[type, ...]] = {
    "plan": (dict,),
    "bench": (dict, type(None)),
    "hashes": (dict,),
    "versions": (dict,),
    "files": (list,),
    "plan_file": (str, type(None)),
    "bench_file": (str, type(None)),
    "pace": (str,),
    "simulated": (bool,),
}


@dataclass(frozen=True, kw_only=True)
class Break:
    """The first line that is not what was written. `line` counts from 1."""

    line: int
    reason: str


@dataclass(frozen=True, kw_only=True)
class Proof:
    """How far a record is proven.

    `line_count` is how many lines the file has. `whole_bytes` is how long the proven part is,
    `torn_bytes` how long the torn tail after it; `tail_hash` is what the next line has to name as
    the one before. `broken` is None when the whole file, but for a torn tail, is what was written.
    """

    line_count: int
    whole_bytes: int
    torn_bytes: int
    tail_hash: str
    broken: Break | None


@dataclass(frozen=True, kw_only=True)
class Record(Proof):
    """The proven lines of a record, and how far they are proven.

    `lines` are as if each event had been given a line of its own that says everything.
    """

    path: Path
    lines: tuple[dict[str, Any], ...]

    @property
    def opening(self) -> dict[str, Any]:
        """The first line."""
        return self.lines[0]

    @property
    def closing(self) -> dict[str, Any] | None:
        """The last line when it closes the record, else None: the run was cut off."""
        return self.lines[-1] if self.lines[-1]["type"] == "closing" else None

    @property
    def steps(self) -> tuple[dict[str, Any], ...]:
        """The last result of each step that has one, in the plan's order."""
        last = {line["index"]: line for line in self.lines if line["type"] == "step"}
        return tuple(last[index] for index in sorted(last))

    @property
    def first_unfinished(self) -> int:
        """The index of the first step of the plan without a result; the plan's length if none."""
        done = {line["index"] for line in self.lines if line["type"] == "step"}
        count = len(self.opening["plan"]["steps"])
        return next((index for index in range(count) if index not in done), count)


def read_record(path: Path) -> Record:
    """Read and prove a record as far as it goes.

    Raises InputError when the file cannot be read or its first line is not the opening of a
    record: then there is nothing to prove.
    """
    lines: list[dict[str, Any]] = []
    proof = walk_record(path, lines.append)
    return record_of(path, lines, proof)


def record_of(path: Path, lines: Sequence[dict[str, Any]], proof: Proof) -> Record:
    """Return a record of some of its lines, the opening first, and of how far it is proven."""
    return Record(
        path=path,
        lines=tuple(lines),
        line_count=proof.line_count,
        whole_bytes=proof.whole_bytes,
        torn_bytes=proof.torn_bytes,
        tail_hash=proof.tail_hash,
        broken=proof.broken,
    )


def walk_record(path: Path, take: Callable[[dict[str, Any]], None]) -> Proof:
    """Prove a record line by line and hand on what each stands for, the opening first.

    Nothing is kept, so that a long record takes no more room than its file. Raises InputError as
    `read_record` does, and what `take` raises.
    """
    data = read_regular(path, most_bytes=MOST_RECORD_BYTES)
    room = room_for(data)
    steps: Sequence[Any] = []

    def each(start: int, line: dict[str, Any]) -> None:
        nonlocal steps
        whole = lines_of(line, steps, room)
        if start == 0:
            require_opening(whole[0], str(path))
            steps = steps_of(whole[0])
        for one in whole:
            take(one)

    return prove(data, str(path), each)


def prove(data: bytes, where: str, each: Callable[[int, dict[str, Any]], None]) -> Proof:
    """Prove the bytes of a record, and hand on each line as it is written, and where it begins.

    `each` raises BrokenLine for a line that nobody wrote: there the proof ends. Raises InputError
    where there is no line at all, and what `each` raises.
    """
    count, broken = 0, None
    previous, start = FIRST_PREVIOUS, 0
    while (end := data.find(b"\n", start)) >= 0:
        raw = data[start : end + 1]
        try:
            each(start, parse_line(raw, seq=count, previous=previous))
        except BrokenLine as error:
            broken = Break(line=count + 1, reason=str(error))
            break
        count, previous, start = count + 1, digest(raw), end + 1
    if count == 0:
        raise InputError.single(_why_no_opening(data, broken), where=where, line=1)
    return Proof(
        line_count=count,
        whole_bytes=start,
        torn_bytes=0 if broken else len(data) - start,
        tail_hash=previous,
        broken=broken,
    )


def opening_of(raw: bytes, where: str) -> dict[str, Any]:
    """Return an opening, given the bytes of its line. Raises InputError."""
    try:
        line = parse_line(raw, seq=0, previous=FIRST_PREVIOUS)
        (whole,) = lines_of(line, [], room_for(raw))
    except ValueError as error:
        reason = _why_no_opening(raw, Break(line=1, reason=str(error)))
        raise InputError.single(reason, where=where, line=1) from None
    require_opening(whole, where)
    return whole


def require_opening(opening: dict[str, Any], where: str) -> None:
    """Raise InputError unless a line is an opening that every reader can go by."""
    if opening["type"] != "opening" or opening.get("format") != RECORD_FORMAT:
        raise InputError.single(
            f'the first line is not an opening with format "{RECORD_FORMAT}"', where=where, line=1
        )
    if lacking := _lacking(opening):
        raise InputError.single(
            f"the opening line is missing, or has wrong: {', '.join(lacking)}",
            where=where,
            line=1,
            hint="the record may come from another version of the program",
        )


def load_record(path: Path) -> Record:
    """Read a record and refuse it when it is damaged; a torn tail is no damage."""
    return require_record(read_record(path))


def require_record(record: Record) -> Record:
    """Return the record; raise InputError at the line where its chain breaks."""
    require_whole(record.path, record.broken)
    return record


def require_whole(path: Path, broken: Break | None) -> None:
    """Raise InputError where the chain of a record breaks; None: it does not."""
    if broken is not None:
        raise InputError.single(
            f"the record is damaged: {broken.reason}",
            where=str(path),
            line=broken.line,
            hint="the lines before this one are what was written; from here on nothing is proven",
        )


def room_for(data: bytes) -> Room:
    """Return how many values the tables of a record may come to."""
    return Room(_LEAST_ROOM + len(data))


def lines_of(
    line: dict[str, Any], steps: Sequence[Any], room: Room, *, on_demand: bool = False
) -> list[dict[str, Any]]:
    """Return a proven line as the lines it stands for. Raises BrokenLine for one nobody wrote.

    `on_demand` leaves the tables of an opening as `compact.Rows`.
    """
    try:
        if line["type"] == "opening":
            return [opened(line, room, on_demand=on_demand)]
        return [completed(one, steps) for one in parted(line, room)]
    except (ValueError, TypeError, LookupError, OverflowError, RecursionError) as error:
        raise BrokenLine(f"it is not a line that a run leaves ({error})") from None


def steps_of(opening: Mapping[str, Any]) -> Sequence[Any]:
    """Return the steps of an opening's plan, of which lines leave out what they repeat."""
    plan = opening.get("plan")
    steps = plan.get("steps") if isinstance(plan, dict) else None
    return steps if isinstance(steps, list | Rows) else []


def _lacking(opening: dict[str, Any]) -> list[str]:
    """Return the keys of an opening that are not what every reader takes them for.

    The chain of a record that somebody made up verifies like any other.
    """
    wrong = [
        key
        for key, kinds in _OPENING.items()
        if key not in opening or not isinstance(opening[key], kinds)
    ]
    return wrong or [
        f"files[{index}]"
        for index, entry in enumerate(opening["files"])
        if not isinstance(entry, dict)
        or not all(isinstance(entry.get(key), str) for key in ("path", "sha256", "text"))
        or not isinstance(entry.get("absolute_path", ""), str)
    ]


def _why_no_opening(data: bytes, broken: Break | None) -> str:
    """Say why a file holds no line of a record."""
    if not data:
        return "the file is empty, not a record"
    if b"\n" not in data:
        return "the file ends inside its first line: no whole line was ever written"
    try:
        looks_like_one = json.loads(data[: data.find(b"\n")]).get("format") == RECORD_FORMAT
    except (ValueError, AttributeError, RecursionError):
        looks_like_one = False
    if looks_like_one and broken is not None:
        return f"the record is damaged in its first line: {broken.reason}"
    return "this is not a record, or its first line is damaged"
