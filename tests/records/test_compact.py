"""What a line leaves out comes back; what waits for a line is on the medium in time."""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.clock import VirtualClock
from controller.errors import InputError
from controller.links.base import LinkStatus
from controller.records.compact import Room, completed, joined, opened, parted, shortened, shut
from controller.records.lines import FIRST_PREVIOUS, digest, encode_line
from controller.records.reader import Record, load_record, read_record
from controller.records.writer import BEHIND_S, RecordWriter
from controller.run.events import Event, LinkReported, NoteMade, ReadingSeen

SWEEPS = Path(__file__).resolve().parents[2] / "sweeps"
EARLIER = Path(__file__).parent / "earlier"
ROOM = 10_000_000

# Few keys and few values, so that rows are often alike and often nearly alike.
KEYS = st.sampled_from(["a", "b", "same", "each", "runs", "tables"])
LEAVES = st.sampled_from([None, True, False, 0, 1, 0.0, 1.0, -0.5, "", "x"])
TREES = st.recursive(
    LEAVES,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(KEYS, inner, max_size=3),
    max_leaves=40,
)
ROWS = st.lists(st.dictionaries(KEYS, TREES, max_size=3), max_size=6)


def _written(value: Any) -> Any:
    """Return what is read where this is written: 1, 1.0 and true are told apart."""
    return json.dumps(value, sort_keys=True)


def _again(value: Any) -> Any:
    return json.loads(json.dumps(value))


@given(plan=TREES | ROWS, bench=TREES | ROWS)
def test_an_opening_comes_back_whole(plan: Any, bench: Any) -> None:
    opening = {"plan": plan, "bench": bench, "pace": "fast"}
    assert _written(opened(_again(shut(opening)), Room(ROOM))) == _written(opening)


def test_rows_of_tables_make_one_table() -> None:
    parts = [[{"name": "a", "u": 1.0 * n}, {"name": "b", "u": 0.5}] for n in range(50)]
    plan = {"steps": [{"index": n, "budget": part} for n, part in enumerate(parts)]}
    text = json.dumps(shut({"plan": plan}))
    assert text.count('"name"') == 1
    assert _written(opened(json.loads(text), Room(ROOM))["plan"]) == _written(plan)


@given(
    rows=st.lists(
        st.fixed_dictionaries({"a": LEAVES, "b": TREES}, optional={"c": LEAVES}), max_size=6
    )
)
def test_events_that_share_a_line_come_apart_again(rows: list[dict[str, Any]]) -> None:
    contents = [{"elapsed_s": 0.1 * n, **row} for n, row in enumerate(rows)]
    head = {"seq": 3, "type": "reading", "utc": "2026-01-01T00:00:09.000Z", "elapsed_s": 9.0}
    lines = [_again({**head, **one}) for one in joined(contents)]
    apart = [one for line in lines for one in parted(line, Room(ROOM))]
    kept = [
        {key: one[key] for key in (*row, "elapsed_s")} for one, row in zip(apart, rows, strict=True)
    ]
    assert _written(kept) == _written([{**row, "elapsed_s": 0.1 * n} for n, row in enumerate(rows)])


def test_an_event_in_a_shared_line_has_its_own_time_of_day() -> None:
    (line,) = joined([{"elapsed_s": 7.5, "celsius": 1.0}, {"elapsed_s": 9.0, "celsius": 2.0}])
    head = {"utc": "2026-01-01T00:00:09.000Z", "elapsed_s": 9.0}
    first, last = parted({**head, **line}, Room(ROOM))
    assert (first["utc"], last["utc"]) == ("2026-01-01T00:00:07.500Z", "2026-01-01T00:00:09.000Z")


@given(planned=st.dictionaries(KEYS, TREES), said=st.dictionaries(KEYS, TREES))
def test_what_the_plan_says_comes_back(planned: dict[str, Any], said: dict[str, Any]) -> None:
    steps = [{"index": 0, **planned}]
    content = {"index": 0, **planned, **said}
    short = {"type": "step", **_again(shortened("step", content, steps))}
    assert _written(completed(short, steps)) == _written({"type": "step", **content})


def _content(line: dict[str, Any]) -> str:
    left = ("seq", "utc", "previous", "check", "tables")
    return _written({key: value for key, value in line.items() if key not in left})


@pytest.mark.parametrize("name", ["check-a-line-each", "corroded-first-planner-second-budget"])
def test_a_record_of_the_earlier_form_loses_nothing_in_the_new_one(
    name: str, tmp_path: Path
) -> None:
    earlier = load_record(EARLIER / f"{name}.jsonl")
    assert earlier.line_count == len(earlier.lines)
    steps = earlier.opening["plan"]["steps"]
    previous, data, seq = FIRST_PREVIOUS, b"", 0
    waiting: list[dict[str, Any]] = []

    def write(line: dict[str, Any], contents: list[dict[str, Any]]) -> None:
        nonlocal previous, data, seq
        for content in contents:
            raw = encode_line(
                line["type"],
                content,
                seq=seq,
                utc=VirtualClock().utc(),
                elapsed_s=line["elapsed_s"],
                previous=previous,
            )
            previous, data, seq = digest(raw), data + raw, seq + 1

    left = ("seq", "utc", "type", "previous", "check")
    for line, after in zip(earlier.lines, (*earlier.lines[1:], {"type": ""}), strict=True):
        content = {key: value for key, value in line.items() if key not in left}
        if line["type"] == "opening":
            write(line, [shut(content)])
            continue
        waiting.append(shortened(line["type"], content, steps))
        if line["type"] != "reading" or after["type"] != "reading":
            write(line, joined(waiting))
            waiting = []
    path = tmp_path / "again.jsonl"
    path.write_bytes(data)
    again = load_record(path)
    assert list(map(_content, again.lines)) == list(map(_content, earlier.lines))
    assert path.stat().st_size < 0.45 * (EARLIER / f"{name}.jsonl").stat().st_size


def test_a_sweep_of_61_steps_weighs_at_most_120_kilobytes() -> None:
    path = SWEEPS / "recorded/coolant-healthy.jsonl"
    assert len(load_record(path).steps) == 61
    assert path.stat().st_size <= 120_000


# What waits, and for how long


def _reading(at_s: float, *, final: bool = False) -> ReadingSeen:
    return ReadingSeen(
        at_s=at_s, step_index=0, attempt=1, celsius=at_s, volts=None, codes=(), final=final
    )


class Writing:
    """A record that is being written, as somebody who may pull the plug sees it."""

    def __init__(self, path: Path, opening: dict[str, object]) -> None:
        self.path, self.clock = path, VirtualClock()
        self.writer = RecordWriter.create(path, opening, clock=self.clock)

    def at(self, at_s: float, event: Event) -> list[float]:
        """Take an event at a time; return the temperatures that are on the medium."""
        self.clock.sleep_s(at_s - self.clock.now_s())
        self.writer.take(event)
        return self.kept()

    def kept(self) -> list[float]:
        lines = load_record(self.path).lines
        return [line["celsius"] for line in lines if line["type"] == "reading"]


@pytest.fixture
def writing(tmp_path: Path, opening: dict[str, object]) -> Writing:
    return Writing(tmp_path / "r.jsonl", opening)


def test_readings_wait_for_each_other_but_never_too_long(writing: Writing) -> None:
    behind_s = 0.0
    for number in range(1, 100):
        now_s = number * 0.3
        kept = writing.at(now_s, _reading(now_s))
        behind_s = max(behind_s, now_s - (kept[-1] if kept else 0.0))
    assert 1.0 < behind_s < BEHIND_S
    assert load_record(writing.path).line_count < 10


def test_the_reading_that_is_judged_is_written_at_once(writing: Writing) -> None:
    assert writing.at(0.3, _reading(0.3)) == []
    assert writing.at(0.6, _reading(0.6, final=True)) == [0.3, 0.6]
    assert load_record(writing.path).line_count == 2


def test_readings_that_come_slowly_are_written_at_once(writing: Writing) -> None:
    assert writing.at(BEHIND_S, _reading(1.0)) == [1.0]
    assert writing.at(2 * BEHIND_S, _reading(2.0)) == [1.0, 2.0]


def test_whatever_comes_next_writes_what_waits(writing: Writing) -> None:
    writing.at(0.1, _reading(1.0))
    assert writing.at(0.2, NoteMade(at_s=0.2, text="a remark")) == [1.0]
    kinds = [line["type"] for line in load_record(writing.path).lines]
    assert kinds == ["opening", "reading", "note"]  # in the order of what happened
    writing.at(0.3, _reading(2.0))
    status = LinkStatus(
        state=0,
        parked=False,
        moving=False,
        hold_off_expired=False,
        fault=False,
        restarted=False,
        hold_off_ms=2000,
        retries=0,
        dropped=0,
    )
    assert writing.at(0.4, LinkReported(at_s=0.4, status=status)) == [1.0]
    assert writing.at(0.2 + BEHIND_S, LinkReported(at_s=0.4, status=status)) == [1.0, 2.0]
    writing.at(6.0, _reading(3.0))
    writing.writer.close()
    assert writing.kept() == [1.0, 2.0, 3.0]


# What nobody wrote


def _with(tmp_path: Path, opening: dict[str, Any], *contents: dict[str, Any]) -> Path:
    previous, data = FIRST_PREVIOUS, b""
    for seq, content in enumerate((opening, *contents)):
        raw = encode_line(
            "reading" if seq else "opening",
            content,
            seq=seq,
            utc=VirtualClock().utc(),
            elapsed_s=0.0,
            previous=previous,
        )
        previous, data = digest(raw), data + raw
    path = tmp_path / "made-up.jsonl"
    path.write_bytes(data)
    return path


@pytest.fixture
def head(opening: dict[str, object]) -> dict[str, Any]:
    return {"format": "rungwise-record/1", **opening}


@pytest.mark.parametrize(
    "each",
    [
        [],
        {},
        {"elapsed_s": [0.0, 1.0], "celsius": [1.0]},
        {"elapsed_s": [None, 1.0]},
        {"elapsed_s": [1e300, 1.0]},
        {"elapsed_s": {"runs": [[0.0, -1]]}},
        {"elapsed_s": {"runs": [[0.0, True]]}},
        {"elapsed_s": {"runs": [0.0]}},
        {"elapsed_s": {"runs": 3}},
        {"elapsed_s": {"same": {}, "each": {}}},
        {"elapsed_s": "00"},
    ],
)
def test_a_made_up_shared_line_is_refused_at_its_line(
    each: Any, head: dict[str, Any], tmp_path: Path
) -> None:
    path = _with(tmp_path, head, {"step": 0}, {"step": 0, "each": each})
    broken = read_record(path).broken
    assert broken is not None
    assert broken.line == 3


def test_a_short_text_cannot_fill_the_memory(head: dict[str, Any], tmp_path: Path) -> None:
    many = {"elapsed_s": {"runs": [[0.0, 10**12]]}}
    wide = {"same": {str(n): 0 for n in range(2000)}, "each": {"a": {"runs": [[0, 1 << 20]]}}}
    began = time.process_time()
    assert read_record(_with(tmp_path, head, {"each": many})).broken is not None
    for key in ("plan", "bench"):
        with pytest.raises(InputError, match="more than a run can leave"):
            read_record(_with(tmp_path, {**head, "tables": [key], key: wide}))
    nested: Any = {"runs": [[0, 1000]]}
    for _ in range(200):
        nested = {"same": {}, "each": {"a": nested}}
    with pytest.raises(InputError):
        read_record(_with(tmp_path, {**head, "tables": ["plan"], "plan": nested}))
    assert time.process_time() - began < 60.0  # it would take hours


def test_tables_are_read_where_the_opening_names_them_and_nowhere_else(
    head: dict[str, Any], tmp_path: Path
) -> None:
    look_alike = {"same": {"a": 1}, "each": {"b": [1, 2]}}
    record = load_record(_with(tmp_path, {**head, "bench": look_alike}))
    assert record.opening["bench"] == look_alike
    assert shut({"bench": look_alike}) == {"bench": look_alike}
    with pytest.raises(InputError, match="misstates its tables"):
        read_record(_with(tmp_path, {**head, "tables": ["files"]}))


def _kinds(record: Record) -> list[str]:
    return [line["type"] for line in record.lines]


def test_a_cut_in_a_shared_line_loses_that_line_alone(
    write_record: Callable[..., Path], tmp_path: Path
) -> None:
    path = write_record(tmp_path / "r", None)
    raws = path.read_bytes().splitlines(keepends=True)
    shared = next(number for number, raw in enumerate(raws) if b'"each":' in raw and number)
    path.write_bytes(b"".join(raws[:shared]) + raws[shared][:-1])
    record = load_record(path)
    assert record.line_count == shared
    assert record.torn_bytes == len(raws[shared]) - 1
    assert _kinds(record) == ["opening", "note", "set"]
