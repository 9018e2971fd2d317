"""Records that are damaged by accident, and records that somebody made up: nothing gets past.

Damage has to be told at its line, with every line before it recovered. What is made up has a chain
that verifies, so only its content can be wrong: every verb that reads it has to end with words.
"""

from __future__ import annotations

import contextlib
import io
import json
import os
import random
import sys
import tempfile
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parent))

from torture_bench import SWEEPS, Row, row

from controller.cli.main import main
from controller.errors import InputError
from controller.records.lines import FIRST_PREVIOUS, digest, encode_line
from controller.records.reader import Record, read_record

VERBS: tuple[tuple[str, ...], ...] = (
    ("replay", "R", "--junit", "J"),
    ("diagnose", "R"),
    ("export", "R"),
    ("report", "R"),
    ("compare", "R", "G"),
    ("sweep", str(SWEEPS / "coolant-check.toml"), "--record", "R", "--resume"),
    ("check", str(SWEEPS / "coolant-check.toml"), "--record", "R", "--resume"),
)
STATUSES = {0, 1, 2, 3, 4}


def said(*words: object) -> tuple[int | str, str]:
    """Run the program in this process; return its status, or the exception, and all it said."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        try:
            status: int | str = main([str(word) for word in words])
        except Exception as error:  # noqa: BLE001 - that none comes is what is being counted
            status = f"{type(error).__name__}: {error}"
    return status, out.getvalue() + err.getvalue()


def good_record(folder: Path) -> bytes:
    """Return the record of a check."""
    path = folder / "good.jsonl"
    if not path.exists():
        status, words = said("check", SWEEPS / "coolant-check.toml", "--record", path)
        assert status == 0, words
    return path.read_bytes()


def _read(folder: Path, data: bytes) -> Record | None:
    path = folder / "damaged.jsonl"
    path.write_bytes(data)
    try:
        return read_record(path)
    except InputError:
        return None


def undetected(folder: Path, data: bytes, good: bytes, whole: int) -> int:
    """Return 1 unless the first `whole` lines are recovered, and those alone are believed."""
    record = _read(folder, data)
    if whole == 0:
        return int(record is not None)
    if record is None or record.line_count != whole:
        return 1
    if data[: record.whole_bytes] != good[: record.whole_bytes]:
        return 1
    told = record.broken is not None or record.torn_bytes or record.closing is None
    return int(not told)


def cut_anywhere(folder: Path, stride: int) -> list[Row]:
    """Cut a record at every byte."""
    good = good_record(folder)
    places = range(0, len(good), stride)
    wrong = sum(undetected(folder, good[:at], good, good.count(b"\n", 0, at)) for at in places)
    return [row("record cut at every byte", len(places), wrong, also=f"{len(good)} bytes")]


def flipped(folder: Path, stride: int, random_places: int) -> list[Row]:
    """Flip one bit: at every byte of the end, and at random places."""
    good, chance, wrong = good_record(folder), random.Random(1), 0
    end = range(max(0, len(good) - 4096), len(good), stride)
    places = [*end, *(chance.randrange(len(good)) for _ in range(random_places))]
    for at in places:
        data = bytearray(good)
        data[at] ^= 1 << chance.randrange(8)
        wrong += undetected(folder, bytes(data), good, good.count(b"\n", 0, at))
    return [
        row(
            "record with one bit flipped",
            len(places),
            wrong,
            also=f"{len(end)} in the last 4 kB, {random_places} anywhere",
        )
    ]


def rearranged(folder: Path) -> list[Row]:
    """Delete, double and swap lines, append garbage, join two records."""
    good = good_record(folder)
    lines = good.splitlines(keepends=True)
    count, tried, wrong = len(lines), 0, 0

    def judge(data: bytes, whole: int) -> None:
        nonlocal tried, wrong
        tried += 1
        wrong += undetected(folder, data, good, whole)

    for at in range(count):
        judge(b"".join(lines[:at] + lines[at + 1 :]), at)
        judge(b"".join(lines[: at + 1] + lines[at:]), at + 1)
        for other in range(at + 1, count):
            swapped = list(lines)
            swapped[at], swapped[other] = lines[other], lines[at]
            judge(b"".join(swapped), at)
    for garbage in (b"\n", b"{}\n", b"\x00" * 100, b"garbage", lines[0], os.urandom(500) + b"\n"):
        judge(good + garbage, count)
    judge(good + good, count)
    return [row("record lines deleted, doubled, swapped; joined", tried, wrong)]


# --- made up ------------------------------------------------------------------------------------

STRANGE: tuple[Any, ...] = (
    None, "", "x", "\x1b]0;x\x07", "=1+1", -1, 0, 1e308, -1e308, 10**30, [], {}, [[]], True, "0x",
    "open", "999999999999999999999999", {"a": {"b": 1}}, [None], 1e-320, "../../x",
)  # fmt: skip


def _places(value: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    if isinstance(value, dict):
        for key, item in value.items():
            yield (*path, key)
            yield from _places(item, (*path, key))
    elif isinstance(value, list):
        for index, item in enumerate(value[:3]):
            yield (*path, index)
            yield from _places(item, (*path, index))


def rechained(lines: list[dict[str, Any]]) -> bytes:
    """Return a record of these lines whose chain verifies."""
    previous, data = FIRST_PREVIOUS, b""
    for seq, line in enumerate(lines):
        content = {
            key: value
            for key, value in line.items()
            if key not in ("seq", "utc", "elapsed_s", "type", "previous", "check")
        }
        try:
            elapsed_s = float(line.get("elapsed_s", 0.0))
        except (TypeError, ValueError):
            elapsed_s = 0.0
        raw = encode_line(
            str(line.get("type")),
            content,
            seq=seq,
            utc=datetime(2026, 1, 1, tzinfo=UTC),
            elapsed_s=elapsed_s,
            previous=previous,
        )
        previous, data = digest(raw), data + raw
    return data


def made_up(folder: Path, count: int) -> list[Row]:
    """Change one thing in a record, chain it anew, and give it to every verb."""
    good = [json.loads(line) for line in good_record(folder).splitlines()]
    chance = random.Random(2)
    places = [
        (number, place)
        for number, line in enumerate(good)
        for place in _places(line)
        if place[0] not in ("check", "previous", "seq", "utc")
    ]
    # Every key counts alike, however often it comes.
    named: dict[str, list[tuple[int, tuple[Any, ...]]]] = {}
    for number, place in places:
        kinds = [str(part) for part in place if not isinstance(part, int)]
        named.setdefault(f"{good[number]['type']} {kinds}", []).append((number, place))
    tried, wrong, found = 0, 0, set()
    path = folder / "made-up.jsonl"
    names = list(named)
    before = _listing(folder)
    while tried < count:
        name = names[tried % len(names)]
        number, place = chance.choice(named[name])
        lines = json.loads(json.dumps(good))
        parent = lines[number]
        for part in place[:-1]:
            parent = parent[part]
        if chance.random() < 0.25:
            if isinstance(parent, list):
                parent.pop(place[-1])
            else:
                del parent[place[-1]]
            change: Any = "gone"
        else:
            change = parent[place[-1]] = chance.choice(STRANGE)
        verb = VERBS[(tried // len(names) + tried) % len(VERBS)]
        if "--resume" in verb:
            lines = lines[: max(number + 1, 4)]
        try:
            path.write_bytes(rechained(lines))
        except (ValueError, OverflowError):
            tried += 1
            continue
        put = {"R": path, "G": folder / "good.jsonl", "J": folder / "junit.xml"}
        status, words = said(*(put.get(word, word) for word in verb))
        if status not in STATUSES or "\x1b" in words or "Traceback" in words:
            wrong += 1
            found.add(f"{verb[0]}: {status} <- {name} = {change!r:.30}")
        tried += 1
    outside = _listing(folder) - before - {"made-up.jsonl", "junit.xml"}
    also = f"{len(names)} keys, {len(VERBS)} verbs; files written elsewhere {len(outside)}"
    if found:
        also += "; " + " | ".join(sorted(found)[:400])
    return [row("record made up with a sound chain", tried, wrong + len(outside), also=also)]


def _listing(folder: Path) -> set[str]:
    return {path.name for path in folder.iterdir()}


def sets(full: bool, folder: Path) -> Iterator[Callable[[], list[Row]]]:
    """Return every set, whole or quick."""
    yield lambda: cut_anywhere(folder, 1 if full else 97)
    yield lambda: flipped(folder, 1 if full else 41, 20_000 if full else 100)
    yield lambda: rearranged(folder)
    yield lambda: made_up(folder, 1000 if full else 24)


def rows(full: bool = True) -> list[Row]:
    """Return every row."""
    with tempfile.TemporaryDirectory() as name:
        return [one for made in sets(full, Path(name)) for one in made()]
