"""Records: what is written is what is read; whatever else is in the file is told apart."""

from __future__ import annotations

import errno
import hashlib
import json
import os
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from controller.clock import VirtualClock
from controller.errors import InputError
from controller.measurement.model import DecisionRule
from controller.planning.model import ResolvedPlan
from controller.records import writer as writer_module
from controller.records.lines import digest, plain
from controller.records.opening import RECORD_FOLDER, kept_files, opening_content
from controller.records.reader import load_record, read_record
from controller.records.writer import RecordError, RecordWriter
from controller.run.events import Event, NoteMade, StepFinished
from controller.run.model import StepResult

quick = settings(
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)


def _refuse_constant(name: str) -> None:
    raise AssertionError(f"{name} is not JSON (RFC 8259, section 6)")


def test_every_line_is_strict_json_with_its_place_in_the_chain(record_path: Path) -> None:
    previous = "0" * 64
    raws = record_path.read_bytes().splitlines(keepends=True)
    assert len(raws) > 10
    for number, raw in enumerate(raws):
        line = json.loads(raw, parse_constant=_refuse_constant)
        assert line["seq"] == number
        assert line["utc"].startswith("2026-01-01T00:00:00.000")
        assert line["utc"].endswith("Z")
        assert line["elapsed_s"] >= 0
        assert line["previous"] == previous
        previous = hashlib.sha256(raw).hexdigest()


def test_the_lines_say_what_happened(record_path: Path) -> None:
    record = load_record(record_path)
    kinds = [line["type"] for line in record.lines]
    assert kinds[0] == "opening"
    assert kinds[-1] == "closing"
    assert set(kinds) == {"opening", "set", "reading", "step", "fault", "note", "closing"}
    assert record.opening["format"] == "rungwise-record/1"
    assert record.torn_bytes == 0
    assert record.broken is None
    assert record.closing is not None
    assert record.closing["verdict"] == "fail"
    assert [step["reported_celsius"] for step in record.steps] == [20.0, 85.0, -40.0]
    assert record.steps[2]["achieved_ohms"] is None
    assert record.steps[0]["state"] == "0x0001"
    assert record.first_unfinished == 3


def test_equal_runs_on_the_virtual_clock_leave_equal_bytes(
    write_record: Callable[..., Path], tmp_path: Path
) -> None:
    first, second = write_record(tmp_path / "a"), write_record(tmp_path / "b")
    assert first.read_bytes() == second.read_bytes()


def test_an_existing_record_is_never_overwritten(
    record_path: Path, opening: dict[str, object]
) -> None:
    before = record_path.read_bytes()
    with pytest.raises(InputError, match="not overwritten"):
        RecordWriter.create(record_path, opening, clock=VirtualClock())
    assert record_path.read_bytes() == before


def test_a_line_is_one_write_and_one_fsync(
    tmp_path: Path, opening: dict[str, object], monkeypatch: pytest.MonkeyPatch
) -> None:
    writer = RecordWriter.create(tmp_path / "r", opening, clock=VirtualClock())
    calls: list[str] = []
    write, fsync = os.write, os.fsync
    monkeypatch.setattr(
        writer_module.os, "write", lambda fd, b: (calls.append("write"), write(fd, b))[1]
    )
    monkeypatch.setattr(writer_module.os, "fsync", lambda fd: (calls.append("fsync"), fsync(fd))[1])
    writer.take(NoteMade(at_s=0.0, text="one"))
    writer.take(NoteMade(at_s=0.0, text="two"))
    writer.close()
    assert calls == ["write", "fsync", "write", "fsync"]


def test_a_full_medium_stops_the_run_once_and_leaves_a_readable_record(
    tmp_path: Path, opening: dict[str, object], monkeypatch: pytest.MonkeyPatch
) -> None:
    writer = RecordWriter.create(tmp_path / "r", opening, clock=VirtualClock())
    write = os.write
    monkeypatch.setattr(writer_module.os, "write", lambda fd, b: write(fd, b[:25]))
    with pytest.raises(RecordError, match="full"):
        writer.take(NoteMade(at_s=0.0, text="lost"))
    writer.take(NoteMade(at_s=0.0, text="the run may still end in good order"))
    record = load_record(tmp_path / "r")
    assert record.line_count == 1
    assert record.torn_bytes == 25


def test_a_medium_that_fails_is_one_error(
    tmp_path: Path, opening: dict[str, object], monkeypatch: pytest.MonkeyPatch
) -> None:
    writer = RecordWriter.create(tmp_path / "r", opening, clock=VirtualClock())

    def refuse(_descriptor: int) -> None:
        raise OSError(errno.EIO, os.strerror(errno.EIO))

    monkeypatch.setattr(writer_module.os, "fsync", refuse)
    with pytest.raises(RecordError, match="cannot be written to"):
        writer.take(NoteMade(at_s=0.0, text="lost"))


@quick
@given(data=st.data())
def test_a_record_cut_off_anywhere_keeps_its_whole_lines(
    record_path: Path, data: st.DataObject
) -> None:
    whole = record_path.read_bytes()
    cut = data.draw(st.integers(0, len(whole) - 1))
    path = record_path.with_name("cut.jsonl")
    path.write_bytes(whole[:cut])
    lines_left = whole[:cut].count(b"\n")
    if lines_left == 0:
        with pytest.raises(InputError):
            read_record(path)
        return
    record = load_record(path)
    assert record.line_count == lines_left
    assert record.whole_bytes + record.torn_bytes == cut
    assert record.closing is None


@quick
@given(data=st.data())
def test_a_flipped_bit_anywhere_is_reported_or_is_in_the_torn_tail(
    record_path: Path, data: st.DataObject
) -> None:
    whole = bytearray(record_path.read_bytes())
    place = data.draw(st.integers(0, len(whole) - 1))
    flipped_line = whole[:place].count(b"\n")
    whole[place] ^= 1 << data.draw(st.integers(0, 7))
    path = record_path.with_name("flipped.jsonl")
    path.write_bytes(bytes(whole))
    if flipped_line == 0:
        with pytest.raises(InputError):
            load_record(path)
        return
    record = read_record(path)
    assert record.line_count == flipped_line
    if record.broken is None:
        assert place == len(whole) - 1  # the very last newline: the line became a torn tail
        assert record.torn_bytes > 0
    else:
        assert record.broken.line == flipped_line + 1
        with pytest.raises(InputError, match="damaged"):
            load_record(path)


def test_a_line_taken_out_or_moved_is_reported(record_path: Path) -> None:
    raws = record_path.read_bytes().splitlines(keepends=True)
    path = record_path.with_name("edited.jsonl")
    path.write_bytes(b"".join([*raws[:3], *raws[4:]]))
    broken = read_record(path).broken
    assert broken is not None
    assert broken.line == 4
    path.write_bytes(b"".join([*raws[:3], raws[4], raws[3], *raws[5:]]))
    broken = read_record(path).broken
    assert broken is not None
    assert broken.line == 4


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"\n",
        b"{}\n",
        b"not a record",
        b'{"format":"rungwise-record/1"}\n',
        b"\xff\x00\n",
        b"[" * 99999 + b"\n",
    ],
)
def test_what_is_no_record_is_refused(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "x.jsonl"
    path.write_bytes(content)
    with pytest.raises(InputError):
        read_record(path)


@quick
@given(data=st.data())
def test_resuming_after_a_cut_anywhere_gives_a_sound_record(
    record_path: Path,
    opening: dict[str, object],
    results: list[StepResult],
    data: st.DataObject,
) -> None:
    whole = record_path.read_bytes()
    first_line = whole.index(b"\n") + 1
    cut = data.draw(st.integers(first_line, len(whole) - 1))
    path = record_path.with_name("resumed.jsonl")
    path.write_bytes(whole[:cut])
    before = load_record(path)
    if before.first_unfinished == 3:
        with pytest.raises(InputError, match="nothing to resume"):
            RecordWriter.resume(path, opening, clock=VirtualClock(), durable=False)
        return
    writer, held = RecordWriter.resume(path, opening, clock=VirtualClock(), durable=False)
    assert held.first_unfinished == before.first_unfinished
    for result in results[held.first_unfinished :]:
        writer.take(StepFinished(at_s=0.0, result=result))
    writer.close()
    after = load_record(path)
    assert after.torn_bytes == 0
    assert after.lines[: len(before.lines)] == before.lines
    assert after.lines[len(before.lines)]["text"] == "resumed"
    assert [step["reported_celsius"] for step in after.steps] == [20.0, 85.0, -40.0]
    elapsed = [line["elapsed_s"] for line in after.lines]
    assert elapsed == sorted(elapsed)


def test_resuming_with_another_plan_or_bench_is_refused(
    write_record: Callable[..., Path],
    tmp_path: Path,
    plan: ResolvedPlan,
    opening: dict[str, object],
) -> None:
    path = write_record(tmp_path / "r", 4)
    for what in ("plan", "bench"):
        other = {**opening, "hashes": {**opening["hashes"], what: "0" * 64}}  # type: ignore[dict-item]
        with pytest.raises(InputError, match=f"the {what} is not the one"):
            RecordWriter.resume(path, other, clock=VirtualClock())
    other = opening_content(
        verb="sweep",
        plan=replace(plan, decision_rule=DecisionRule.GUARDED),
        bench=None,
        files={},
        plan_file=None,
        bench_file=None,
        simulated=True,
        pace="fast",
    )
    assert other["hashes"]["plan"] != opening["hashes"]["plan"]  # type: ignore[index]


def test_a_record_that_is_being_written_is_not_resumed(
    tmp_path: Path, opening: dict[str, object]
) -> None:
    path = tmp_path / "r"
    writer = RecordWriter.create(path, opening, clock=VirtualClock())
    with pytest.raises(InputError, match="another run"):
        RecordWriter.resume(path, opening, clock=VirtualClock())
    writer.close()
    RecordWriter.resume(path, opening, clock=VirtualClock())[0].close()
    with pytest.raises(InputError, match="no such file"):
        RecordWriter.resume(tmp_path / "none", opening, clock=VirtualClock())


def test_a_damaged_record_is_not_resumed(
    write_record: Callable[..., Path], tmp_path: Path, opening: dict[str, object]
) -> None:
    path = write_record(tmp_path / "r", 6)
    data = bytearray(path.read_bytes())
    data[-3] ^= 1
    path.write_bytes(bytes(data))
    with pytest.raises(InputError, match="damaged"):
        RecordWriter.resume(path, opening, clock=VirtualClock())
    assert path.read_bytes() == bytes(data)


def test_the_record_keeps_the_text_of_every_file(record_path: Path) -> None:
    opening = load_record(record_path).opening
    assert opening["plan_file"] == "plans/a.toml"
    assert opening["bench_file"] == "b.toml"
    assert kept_files(opening) == {
        Path("/record/b.toml"): "Grüße\n",
        Path("/record/plans/a.toml"): "format = 1\n",
    }
    assert "/tern" not in record_path.read_text()
    opening["files"][0]["text"] += " "
    with pytest.raises(InputError, match="hash"):
        kept_files(opening)


def test_a_file_named_by_its_absolute_path_is_found_again(plan: ResolvedPlan) -> None:
    opening = opening_content(
        verb="sweep",
        plan=plan,
        bench=None,
        files={
            Path("/tern/a.toml"): '# "not a path"\nladder = "/far/b.toml"\nx = \'/far/b.toml\'',
            Path("/far/b.toml"): "x",
        },
        plan_file=Path("/tern/a.toml"),
        bench_file=None,
        simulated=True,
        pace="fast",
    )
    kept = kept_files(opening)
    assert kept[RECORD_FOLDER / "1/a.toml"] == (
        '# "not a path"\nladder = "../2/b.toml"\nx = \'../2/b.toml\''
    )
    assert kept[RECORD_FOLDER / "2/b.toml"] == "x"
    assert set(kept) == {RECORD_FOLDER / "1/a.toml", RECORD_FOLDER / "2/b.toml"}


def test_a_record_that_kept_absolute_paths_is_still_read() -> None:
    text = "x"
    entry = {"path": "b.toml", "sha256": digest(text.encode()), "text": text}
    kept = kept_files({"files": [{**entry, "absolute_path": "/far/b.toml"}]})
    assert kept[Path("/far/b.toml")] == kept[RECORD_FOLDER / "b.toml"] == text


def test_numbers_that_json_cannot_hold_become_null() -> None:
    assert plain([float("inf"), float("-inf"), float("nan"), 1.5, True, None]) == [
        None,
        None,
        None,
        1.5,
        True,
        None,
    ]


def test_events_fixture_covers_the_step_results(events: list[Event]) -> None:
    assert sum(isinstance(event, StepFinished) for event in events) == 3
