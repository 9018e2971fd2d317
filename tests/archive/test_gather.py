"""What goes into an archive: every sound run once and whole, whenever the adding is cut off."""

from __future__ import annotations

import json
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

pytest.importorskip("duckdb", reason="the extra [archive] is not installed")

sys.path.insert(0, str(Path(__file__).resolve().parent))

from many_records import SWEEPS, write_record, write_records

from controller.archive.gather import Gathered, gather
from controller.archive.proof import Prover
from controller.archive.schema import KINDS
from controller.archive.store import connected
from controller.errors import InputError
from controller.records.decode import plan_of, results_of
from controller.records.lines import FIRST_PREVIOUS, digest, encode_line
from controller.records.reader import load_record, read_record

EARLIER = Path(__file__).resolve().parents[1] / "records/earlier"
CHECK = "coolant-check.toml"


def asked(archive: Path, sql: str) -> list[tuple[Any, ...]]:
    with connected(archive, threads=1) as con:
        return con.execute(sql).fetchall()


@pytest.fixture(scope="module")
def some(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    return write_records(tmp_path_factory.mktemp("some"), 6, plan_name=CHECK)


@pytest.mark.parametrize(
    "path",
    [*sorted((SWEEPS / "recorded").glob("*.jsonl")), *sorted(EARLIER.glob("*.jsonl"))],
    ids=lambda path: f"{path.parent.name}-{path.stem}",
)
def test_every_number_is_the_one_that_the_reader_finds(path: Path, tmp_path: Path) -> None:
    outcome = gather(tmp_path / "a", [path])
    assert outcome == Gathered(added=1)
    record = load_record(path)
    plan, results = plan_of(record), results_of(record)
    ((run,),) = (asked(tmp_path / "a", "SELECT {r: runs} FROM runs"),)
    run = run[0]["r"]
    assert record.closing is not None
    for key in ("verdict", "ended", "passed", "failed", "undecided", "unsettled", "sentence"):
        assert run[key] == record.closing[key], key
    assert run["first_hash"] == digest(path.read_bytes().splitlines(keepends=True)[0])
    assert (run["tail_hash"], run["line_count"]) == (record.tail_hash, record.line_count)
    assert run["started_utc"].isoformat(timespec="milliseconds") + "Z" == record.opening["utc"]
    assert run["duration_s"] == record.lines[-1]["elapsed_s"]
    assert run["bench"] == record.opening["bench"]["name"]
    assert run["plan"] == plan.name
    assert run["rule"] == plan.decision_rule.value
    paths = [line["path"] for line in record.lines if line["type"] == "set" and line.get("path")]
    assert run["relay_operations"] == sum(map(len, paths)) + len(plan.closing_path)
    rows = asked(
        tmp_path / "a",
        "SELECT step, state, expected_celsius, reported_celsius, error_celsius, tolerance_celsius,"
        " uncertainty_celsius, settled, settle_s, verdict, reason, codes FROM steps ORDER BY step",
    )
    assert rows == [
        (
            one.step.index,
            plan.format_state(one.step.state),
            one.step.expected_celsius,
            one.reported_celsius,
            one.error_celsius,
            one.step.tolerance_celsius,
            one.step.uncertainty_celsius,
            one.settled,
            one.settle_s,
            one.verdict.value,
            one.reason,
            "; ".join(one.codes),
        )
        for one in results
    ]
    ((raw,),) = asked(tmp_path / "a", "SELECT record FROM raw")
    assert raw == path.read_bytes()
    texts = dict(asked(tmp_path / "a", "SELECT sha256, text FROM files"))
    assert texts == {one["sha256"]: one["text"] for one in record.opening["files"]}


def test_gathering_again_adds_nothing(some: list[Path], tmp_path: Path) -> None:
    folder = some[0].parent
    assert gather(tmp_path / "a", [folder]) == Gathered(added=6)
    assert gather(tmp_path / "a", [folder, folder]) == Gathered(known=12)
    assert gather(tmp_path / "a", [folder], again=True) == Gathered(known=6)
    copy = tmp_path / "elsewhere"
    shutil.copytree(folder, copy)
    assert gather(tmp_path / "a", [copy, *some]) == Gathered(known=12)
    assert asked(tmp_path / "a", "SELECT count(*), count(DISTINCT run_id) FROM runs") == [(6, 6)]


def test_a_run_that_was_gone_on_with_counts_once_and_whole(
    some: list[Path], tmp_path: Path
) -> None:
    raws = some[0].read_bytes().splitlines(keepends=True)
    archive, path = tmp_path / "a", tmp_path / "r.jsonl"
    for count, expected in ((5, Gathered(added=1)), (8, Gathered(added=1, longer=1))):
        path.write_bytes(b"".join(raws[:count]))
        assert gather(archive, [path]) == expected
    path.write_bytes(b"".join(raws[:6]))  # an old copy turns up
    assert gather(archive, [path]) == Gathered(known=1)
    path.write_bytes(b"".join(raws))
    assert gather(archive, [path]) == Gathered(added=1, longer=1)
    ((count, steps),) = asked(archive, "SELECT count(*), any_value(line_count) FROM runs")
    assert (count, steps) == (1, len(raws))
    wanted = len(load_record(some[0]).steps)
    assert asked(archive, "SELECT count(*), count(DISTINCT step) FROM steps") == [(wanted, wanted)]
    assert asked(archive, "SELECT count(*) FROM raw") == [(1,)]


def test_of_two_versions_in_one_go_the_longer_is_kept(some: list[Path], tmp_path: Path) -> None:
    raws = some[0].read_bytes().splitlines(keepends=True)
    for name, count in (("a", 5), ("b", len(raws)), ("c", 6)):
        (tmp_path / f"{name}.jsonl").write_bytes(b"".join(raws[:count]))
    assert gather(tmp_path / "x", [tmp_path]) == Gathered(added=1, known=1)
    assert asked(tmp_path / "x", "SELECT line_count FROM runs") == [(len(raws),)]


def _forked(path: Path, target: Path, keep: int) -> Path:
    """Write a record that begins as another and continues differently, its chain sound."""
    raws = path.read_bytes().splitlines(keepends=True)[:keep]
    raws.append(
        encode_line(
            "note",
            {"text": "another way"},
            seq=keep,
            utc=datetime(2026, 1, 1, tzinfo=UTC),
            elapsed_s=1e6,
            previous=digest(raws[-1]),
        )
    )
    target.write_bytes(b"".join(raws))
    return target


@pytest.mark.parametrize("first_is_longer", [True, False])
@pytest.mark.parametrize("at_once", [True, False])
def test_two_ways_on_from_one_record_are_not_mixed(
    some: list[Path], tmp_path: Path, first_is_longer: bool, at_once: bool
) -> None:
    fork = _forked(some[0], tmp_path / "fork.jsonl", 4)
    both = [some[0], fork] if first_is_longer else [fork, some[0]]
    if at_once:
        outcome = gather(tmp_path / "a", both)
    else:
        gather(tmp_path / "a", both[:1])
        outcome = gather(tmp_path / "a", both[1:])
    (problem,) = outcome.refused
    assert "continues differently" in problem.message
    assert problem.where == str(both[1])
    assert asked(tmp_path / "a", "SELECT count(*) FROM runs") == [(1,)]
    assert gather(tmp_path / "a", both[1:]).refused == outcome.refused  # it is not forgotten


def test_a_torn_tail_is_kept_and_counted(some: list[Path], tmp_path: Path) -> None:
    data = some[0].read_bytes()
    path = tmp_path / "torn.jsonl"
    path.write_bytes(data[:-40])
    assert gather(tmp_path / "a", [path]) == Gathered(added=1, torn=1)
    assert asked(tmp_path / "a", "SELECT record FROM raw") == [(data[:-40],)]
    ((ended, verdict),) = asked(tmp_path / "a", "SELECT ended, verdict FROM runs")
    assert (ended, verdict) == ("cut off", load_record(some[0]).closing["verdict"])  # type: ignore[index]


def _refused(archive: Path, path: Path) -> tuple[int | None, str]:
    outcome = gather(archive, [path])
    assert (outcome.added, outcome.known) == (0, 0)
    (problem,) = outcome.refused
    assert problem.where == str(path)
    return problem.line, problem.message


@pytest.mark.parametrize("line", [0, 1, 4])
def test_damage_is_refused_at_its_line(some: list[Path], tmp_path: Path, line: int) -> None:
    raws = some[0].read_bytes().splitlines(keepends=True)
    for number, changed in enumerate(
        (
            [*raws[:line], raws[line].replace(b'"t', b'"u', 1), *raws[line + 1 :]],
            [*raws[:line], *raws[line + 1 :]],
            [*raws[:line], raws[line + 1], raws[line], *raws[line + 2 :]],
            [*raws[:line], b"{}\n", *raws[line:]],
            [*raws[:line], b"\n", *raws[line:]],
        )
    ):
        path = tmp_path / f"{number}.jsonl"
        path.write_bytes(b"".join(changed))
        where, _ = _refused(tmp_path / "a", path)
        assert where == line + 1
        if line:
            broken = read_record(path).broken
            assert broken is not None
            assert broken.line == where


@pytest.mark.parametrize("line", [0, 3, -2, -1])
@pytest.mark.parametrize("place", [0.3, 0.6, 0.9])
def test_a_flipped_bit_is_told_at_its_own_line(
    some: list[Path], tmp_path: Path, line: int, place: float
) -> None:
    """The line after would tell as well, but the last one has none after it."""
    raws = some[0].read_bytes().splitlines(keepends=True)
    at = int(place * len(raws[line]))
    raws[line] = raws[line][:at] + bytes([raws[line][at] ^ 1]) + raws[line][at + 1 :]
    path = tmp_path / "flipped.jsonl"
    path.write_bytes(b"".join(raws))
    assert _refused(tmp_path / "a", path)[0] == line % len(raws) + 1


@pytest.mark.parametrize("content", [b"", b"x", b"\n", b"{}\n", b"[" * 9999 + b"\n", b"\xff\n"])
def test_what_is_no_record_is_refused(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "no.jsonl"
    path.write_bytes(content)
    assert _refused(tmp_path / "a", path)[0] == 1


def test_what_somebody_made_up_is_refused_with_words(some: list[Path], tmp_path: Path) -> None:
    """A chain that verifies says nothing of the content."""
    lines = [json.loads(raw) for raw in some[0].read_bytes().splitlines()]
    steps = [number for number, line in enumerate(lines) if line["type"] == "step"]
    strange = [None, "x", -1, [], {}, 1e999, True]
    for number, key in [(steps[0], key) for key in ("index", "verdict", "settle_s", "codes")]:
        for value in strange[:5]:
            previous, data = FIRST_PREVIOUS, b""
            for seq, line in enumerate(lines):
                content = {**line, **({key: value} if seq == number else {})}
                for own in ("seq", "utc", "elapsed_s", "type", "previous", "check"):
                    content.pop(own)
                raw = encode_line(
                    line["type"],
                    content,
                    seq=seq,
                    utc=datetime.fromisoformat(line["utc"]),
                    elapsed_s=line["elapsed_s"],
                    previous=previous,
                )
                previous, data = digest(raw), data + raw
            path = tmp_path / "made-up.jsonl"
            path.write_bytes(data)
            gather(tmp_path / "a", [path])  # taken or refused, but no traceback
    assert asked(tmp_path / "a", "SELECT count(*) <= 2 FROM runs") == [(True,)]


def test_other_folders_and_missing_files_are_refused(some: list[Path], tmp_path: Path) -> None:
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine/letter.txt").write_text("not yours")
    with pytest.raises(InputError, match="no archive"):
        gather(tmp_path / "mine", some)
    (problem,) = gather(tmp_path / "a", [tmp_path / "nowhere.jsonl"]).refused
    assert "no such file" in problem.message


def test_the_fast_proof_reads_the_lines_the_reader_reads() -> None:
    for path in [*EARLIER.glob("*.jsonl"), *(SWEEPS / "recorded").glob("*.jsonl")]:
        proven = Prover(KINDS, lambda opening, where: opening).prove(path.read_bytes(), "x")
        wanted = [line for line in load_record(path).lines if line["type"] in KINDS]
        assert list(proven.lines) == wanted
        assert proven.setting == load_record(path).opening


# Killed at any instant


def _adding(archive: Path, folder: Path) -> subprocess.Popen[bytes]:
    words = [sys.executable, "-m", "controller.cli", "archive", "add", str(folder)]
    return subprocess.Popen(
        [*words, "--archive", str(archive)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )


def _held(archive: Path) -> list[tuple[Any, ...]]:
    if not (archive / "rungwise-archive.json").exists():
        return []
    return asked(
        archive,
        "SELECT runs.run_id, tail_hash, count(step) FROM runs LEFT JOIN steps USING (run_id)"
        " GROUP BY ALL ORDER BY 1",
    )


@pytest.mark.soak
def test_killed_at_any_instant_nothing_is_lost_or_doubled(
    many: Callable[[int, int], int], tmp_path: Path
) -> None:
    """SIGKILL, again and again, at instants spread over the whole of the adding and its writing."""
    folder = tmp_path / "records"
    # Runs of two years are two batches: the gap between them is an instant too.
    write_records(folder, 40, first=1022, plan_name=CHECK)
    began = time.monotonic()
    whole = tmp_path / "whole"
    assert _adding(whole, folder).wait(120) == 0
    took_s = time.monotonic() - began
    sound = _held(whole)
    assert len(sound) == 40
    assert len(list(whole.glob("year=*"))) == 2
    kills, archive = many(12, 100), tmp_path / "a"
    killed = finished = 0
    while killed < kills:
        process = _adding(archive, folder)
        time.sleep(took_s * (0.05 + 1.1 * (killed % 17) / 17))
        process.send_signal(signal.SIGKILL)
        died = process.wait(60) == -signal.SIGKILL
        killed += died
        held = _held(archive)
        assert set(held) <= set(sound)
        assert len(held) == len({one[0] for one in held})
        if len(held) == len(sound) or not died:
            assert _adding(archive, folder).wait(120) == 0
            assert _held(archive) == sound
            assert not list(archive.glob(".unfinished-*"))
            finished += 1
            if killed < kills:
                shutil.rmtree(archive)
        assert finished < 4 * kills
    assert _adding(archive, folder).wait(120) == 0
    assert _held(archive) == sound


def test_killed_at_each_write_nothing_is_lost_or_doubled(
    many: Callable[[int, int], int], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The same without chance: the process ends before each writing and syncing, in turn."""
    from controller.archive import store

    class Killed(BaseException):
        pass

    sync, write, folder = store._sync, store._write_table, tmp_path / "records"
    write_records(folder, 2, first=1041, plan_name=CHECK)  # the last of a year, the first of one
    for at in range(1, 100, many(3, 1)):
        archive, left = tmp_path / f"a{at}", at

        def cut() -> None:
            nonlocal left
            left -= 1
            if left == 0:
                raise Killed

        monkeypatch.setattr(store, "_sync", lambda path: (cut(), sync(path)))
        monkeypatch.setattr(store, "_write_table", lambda *words: (cut(), write(*words)))
        try:
            gather(archive, [folder])
        except Killed:
            monkeypatch.setattr(store, "_sync", sync)
            monkeypatch.setattr(store, "_write_table", write)
            held = len(_held(archive))
            assert held in (0, 1, 2)
            assert gather(archive, [folder]) == Gathered(added=2 - held, known=held)
        else:
            break
        assert [one[2] for one in _held(archive)] == [3, 3]
        assert not list(archive.glob(".unfinished-*"))
    assert 16 < at < 60


def test_a_second_adder_is_sent_away(some: list[Path], tmp_path: Path) -> None:
    from controller.archive.store import created, locked

    created(tmp_path / "a")
    with locked(tmp_path / "a"), pytest.raises(InputError, match="another process"):
        gather(tmp_path / "a", some)


def test_the_generator_repeats_itself(tmp_path: Path) -> None:
    one, other = (write_record(tmp_path / name, 5, plan_name=CHECK) for name in ("a", "b"))
    assert one.read_bytes() == other.read_bytes()
    assert one.stat().st_size > 10_000
