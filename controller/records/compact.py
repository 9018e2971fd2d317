"""What a line need not say twice: left out on the way into a record, filled in on the way back.

Knows: objects of the same keys, and what a resolved plan says of each step.
Must not know: events, files, hash chains, what a line is about.

Two forms. Objects that have the same keys are written as one table: under ``same`` what all of
them say, under ``each`` a column for what they do not, its repetitions counted. So are the plan and
the bench of an opening, which names them under ``tables``; so are several events of a kind in one
line, with what is the same in the line itself. And a line about a step leaves out what the plan
says of that step. A line that says everything, as those of earlier versions do, comes back as is.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import datetime, timedelta
from typing import Any

from controller.on_demand import OnDemand
from controller.records.lines import format_utc

__all__ = [
    "Room",
    "Rows",
    "column_end",
    "completed",
    "joined",
    "opened",
    "parted",
    "row_count",
    "shortened",
    "shut",
]

_TABLE = {"same", "each"}
_IN_TABLES = ("plan", "bench")

_PLANNED = {"set": "step", "step": "index"}
"""The kinds of line that repeat the plan, and under which key they name the step."""

_PLANNED_OF_SET = ("path", "achieved_ohms")


class Room:
    """How many values tables may still come to: a short text can stand for very many."""

    def __init__(self, values: int) -> None:
        self._left = values

    def take(self, values: int) -> None:
        """Use some of it. Raises ValueError when there is no more."""
        self._left -= values
        if self._left < 0:
            raise ValueError("its tables hold more than a run can leave")


# Openings


def shut(opening: Mapping[str, Any]) -> dict[str, Any]:
    """Return an opening with its plan and bench as tables. It has been through `plain`."""
    packed = {key: opening[key] for key in _IN_TABLES if key in opening}
    named = [key for key, value in packed.items() if not _holds_a_table(value)]
    if not named:
        return dict(opening)
    tables = {key: _packed(packed[key]) for key in named}
    return {**opening, "tables": named, **tables}


def opened(opening: Mapping[str, Any], room: Room, *, on_demand: bool = False) -> dict[str, Any]:
    """Return an opening as it was before `shut`. Raises ValueError for tables that are none.

    `on_demand` leaves its tables as `Rows`: what is wrong within a row is raised by that row.
    """
    table = Rows if on_demand else _whole_rows
    named = opening.get("tables", [])
    if not isinstance(named, list) or not all(key in _IN_TABLES for key in named):
        raise ValueError("it misstates its tables")
    whole = {key: value for key, value in opening.items() if key != "tables"}
    return {**whole, **{key: _unpacked(opening.get(key), room, table) for key in named}}


def _packed(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {key: _packed(item) for key, item in value.items()}
    if isinstance(value, list):
        items = [_packed(item) for item in value]
        return _table(items) or items
    return value


def _whole_rows(table: Any, room: Room) -> list[Any]:
    """Return the rows of a table with what is in them unpacked as well."""
    return [_unpacked(row, room) for row in _rows(table, room)]


def _unpacked(
    value: Any, room: Room, table: Callable[[Any, Room], Sequence[Any]] = _whole_rows
) -> Any:
    if isinstance(value, list):
        return [_unpacked(item, room, table) for item in value]
    if not isinstance(value, dict):
        return value
    if value.keys() == _TABLE:
        return table(value, room)
    return {key: _unpacked(item, room, table) for key, item in value.items()}


def _holds_a_table(value: Any) -> bool:
    """Return whether something would be taken for a table that is none."""
    if isinstance(value, Mapping):
        return value.keys() == _TABLE or any(map(_holds_a_table, value.values()))
    return isinstance(value, list) and any(map(_holds_a_table, value))


def _table(rows: Sequence[Any]) -> dict[str, Any] | None:
    """Return rows as a table; None for what makes none: too few, of other keys, all the same."""
    if len(rows) < 2 or not all(isinstance(row, Mapping) for row in rows):
        return None
    keys = rows[0].keys()
    if any(row.keys() != keys for row in rows[1:]):
        return None
    same: dict[str, Any] = {}
    each: dict[str, Any] = {}
    for key in keys:
        column = [row[key] for row in rows]
        if all(_equal(column[0], item) for item in column[1:]):
            same[key] = column[0]
        else:
            each[key] = _table(column) or _runs(column) or column
    return {"same": same, "each": each} if each else None


def _rows(table: Any, room: Room) -> list[dict[str, Any]]:
    same, columns = _same_and_columns(table, room, _rows)
    lists = columns.values()
    return [{**same, **dict(zip(columns, row, strict=True))} for row in zip(*lists, strict=True)]


def _same_and_columns(
    table: Any, room: Room, rows: Callable[[Any, Room], Sequence[Any]]
) -> tuple[dict[str, Any], dict[str, Sequence[Any]]]:
    """Return what all rows of a table say, and its columns; `rows` makes a column of rows."""
    if not isinstance(table, dict):
        raise ValueError("a table is none")
    same, each = table.get("same"), table.get("each")
    if not isinstance(same, dict) or not isinstance(each, dict) or not each:
        raise ValueError("it has a table without columns")
    columns = {key: _column(one, room, rows) for key, one in each.items()}
    length = len(next(iter(columns.values())))
    if any(len(one) != length for one in columns.values()):
        raise ValueError("the columns of a table are not equally long")
    room.take(length * (len(same) + len(each)))
    return same, columns


def _runs(column: Sequence[Any]) -> dict[str, Any] | None:
    """Return a column as values and how often each follows itself; None where that is no gain."""
    runs: list[list[Any]] = []
    for value in column:
        if runs and _equal(runs[-1][0], value):
            runs[-1][1] += 1
        else:
            runs.append([value, 1])
    return {"runs": runs} if 2 * len(runs) <= len(column) else None


def _column(column: Any, room: Room, rows: Callable[[Any, Room], Sequence[Any]]) -> Sequence[Any]:
    """Return a column item by item."""
    if isinstance(column, list):
        return column
    if not isinstance(column, dict) or column.keys() != {"runs"}:
        # Where every row has a table of its own, these may be the rows of one in their turn.
        return rows(column, room)
    items: list[Any] = []
    for value, count in column["runs"]:
        if type(count) is not int or count < 1:
            raise ValueError("a run in a column has no length")
        room.take(count)
        items += [value] * count
    return items


class Rows(OnDemand[dict[str, Any]]):
    """The rows of a table, each made when it is asked for; a row has a room of its own."""

    MOST_VALUES = 1_000_000

    def __init__(self, table: Any, room: Room) -> None:
        self._same, self._columns = _same_and_columns(table, room, Rows)
        super().__init__(
            len(next(iter(self._columns.values()))),
            lambda index: _unpacked(self.packed_row(index), Room(self.MOST_VALUES)),
        )

    def column(self, key: str) -> Sequence[Any]:
        """Return what the rows say under a key, as it is written."""
        if key in self._columns:
            return self._columns[key]
        return [self._same[key]] * len(self)

    def packed_row(self, index: int) -> dict[str, Any]:
        """Return a row in which tables are still tables."""
        row = dict(self._same)
        for key, column in self._columns.items():
            row[key] = column.packed_row(index) if isinstance(column, Rows) else column[index]
        return row


def _equal(one: Any, other: Any) -> bool:
    """Return whether two values are written alike: 1, 1.0 and true are equal, but not the same."""
    if type(one) is not type(other):
        return False
    if isinstance(one, Mapping):
        return one.keys() == other.keys() and all(_equal(one[key], other[key]) for key in one)
    if isinstance(one, list):
        return len(one) == len(other) and all(map(_equal, one, other))
    return bool(one == other)


# What the plan says


def shortened(kind: str, content: Mapping[str, Any], steps: Sequence[Any]) -> dict[str, Any]:
    """Return a line's content without what the plan's step of the same number says as well."""
    planned = _planned(kind, content, steps)
    return {
        key: value
        for key, value in content.items()
        if key not in planned or not _equal(value, planned[key])
    }


def completed(line: Mapping[str, Any], steps: Sequence[Any]) -> dict[str, Any]:
    """Return a line with what it left to the plan."""
    planned = _planned(str(line["type"]), line, steps)
    return {**line, **{key: value for key, value in planned.items() if key not in line}}


def _planned(kind: str, content: Mapping[str, Any], steps: Sequence[Any]) -> dict[str, Any]:
    key = _PLANNED.get(kind)
    index = content.get(key) if key is not None else None
    if type(index) is not int or not 0 <= index < len(steps):
        return {}
    step = steps[index]
    if not isinstance(step, Mapping):
        return {}
    if kind == "set":
        return {name: step[name] for name in _PLANNED_OF_SET if name in step}
    return {name: value for name, value in step.items() if name != key}


# Several of a kind in one line


def joined(contents: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Return contents of one kind, each with its `elapsed_s`, as few lines as they fit in."""
    table = _table(contents)
    if table is None:
        return [dict(one) for one in contents]
    return [{**table["same"], "each": table["each"]}]


def parted(line: Mapping[str, Any], room: Room) -> Iterator[dict[str, Any]]:
    """Yield the lines that stand in one, at their own times. Raises ValueError for a bad table."""
    if "each" not in line:
        yield dict(line)
        return
    same = {key: value for key, value in line.items() if key != "each"}
    written, written_s = datetime.fromisoformat(str(line["utc"])), float(line["elapsed_s"])
    for row in _rows({"same": same, "each": line["each"]}, room):
        earlier = timedelta(seconds=written_s - float(row["elapsed_s"]))
        yield {**row, "utc": format_utc(written - earlier)}


def row_count(each: Mapping[str, Any]) -> int:
    """Return how many rows the columns of a table have, without making one."""
    column = next(iter(each.values()))
    if isinstance(column, list):
        return len(column)
    if column.keys() == {"runs"}:
        return sum(count for _value, count in column["runs"])
    return row_count(column["each"])


def column_end(column: Any) -> Any:
    """Return the last item of a column of single values."""
    return column["runs"][-1][0] if isinstance(column, dict) else column[-1]
