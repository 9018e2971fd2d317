"""What lies in a folder: plans, benches, sensors and records, found by their first words.

Knows: that every file says its format, and where records are kept.
Must not know: what is in the files beyond a name, Textual.

Only the head of each file is read here; a file that turns out to be wrong says so when it is
chosen. What only records need is imported with the first of them: the first frame comes before.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from controller.tui.text import one_line

__all__ = ["Found", "RecordSummary", "Workshop", "look_around", "summary_of"]

_HEAD_BYTES = 2048
_OPENING_BYTES = 1 << 24
_TAIL_BYTES = 1 << 14
_MOST_FILES = 2000
# Patterns are compiled when they are first searched for, after the first frame.
_FORMAT = r'(?m)^\s*format\s*=\s*"rungwise-(plan|bench|sensor)/1"'
_RECORD = r'"format":"rungwise-record/1"'
_TEXT = r'("(?:[^"\\]|\\.)*")'
_UTC = r'"utc":"(\d{4}-\d\d-\d\d)T(\d\d:\d\d)'
_PLAN_NAME = rf'"plan":\{{"name":{_TEXT}'
_BENCH_NAME = rf'"bench":\{{"name":{_TEXT}'
_VERDICT = rf'"verdict":{_TEXT}'
_ENDED = rf'"ended":{_TEXT}'
_SENTENCE = rf'"sentence":{_TEXT}'
_VALUE = r'(?m)^\s*{}\s*=\s*"([^"\n]*)"'
_NAME = _VALUE.format("name")
_KIND = _VALUE.format("kind")


@dataclass(frozen=True, kw_only=True)
class Found:
    """A file and what it calls itself. `kind` is ``sweep`` or ``check`` for a plan, else empty."""

    path: Path
    name: str
    kind: str = ""
    changed_s: float = 0.0


@dataclass(frozen=True, kw_only=True)
class RecordSummary:
    """What a record says of itself at its two ends.

    `verdict` is empty where it was never closed, and "fault" where the run ended by one. `day`
    and `time` are those of its beginning, in UTC.
    """

    plan: str = ""
    bench: str = ""
    day: str = ""
    time: str = ""
    verdict: str = ""
    sentence: str = ""


@dataclass(frozen=True, kw_only=True)
class Workshop:
    """Everything that can be picked; records with the newest first."""

    folder: Path
    plans: tuple[Found, ...] = ()
    benches: tuple[Found, ...] = ()
    sensors: tuple[Found, ...] = ()
    records: tuple[Found, ...] = ()


def look_around(folder: Path, runs: Path) -> Workshop:
    """Return what lies in a folder and, as to records, in the folder of runs too."""
    plans: list[Found] = []
    benches: list[Found] = []
    sensors: list[Found] = []
    for path in _files(folder, "*.toml"):
        head = _head(path)
        if (kind := re.search(_FORMAT, head)) is None:
            continue
        said = re.search(_NAME, head)
        name = one_line(said[1]) if said else one_line(path.stem)
        if kind[1] == "bench":
            benches.append(Found(path=path, name=name))
        elif kind[1] == "sensor":
            sensors.append(Found(path=path, name=name))
        else:
            what = re.search(_KIND, head)
            plans.append(Found(path=path, name=name, kind=what[1] if what else ""))
    records = {
        path.absolute(): Found(path=path, name=one_line(path.stem), changed_s=_changed_s(path))
        for place in (folder, runs)
        for path in _files(place, "*.jsonl")
        if re.search(_RECORD, _head(path))
    }
    return Workshop(
        folder=folder,
        # What a technician came for stands first.
        plans=tuple(sorted(plans, key=lambda one: (one.kind != "check", one.name.lower()))),
        benches=tuple(sorted(benches, key=lambda one: one.name.lower())),
        sensors=tuple(sorted(sensors, key=lambda one: one.name.lower())),
        records=tuple(sorted(records.values(), key=lambda one: (-one.changed_s, one.name))),
    )


def summary_of(path: Path) -> RecordSummary:
    """Return what a record says of itself, without proving anything; what cannot be read is empty.

    Only its two ends are read, so that hundreds can be listed.
    """
    try:
        with path.open("rb") as file:
            head = file.readline(_OPENING_BYTES).decode("utf-8", "replace")
            file.seek(0, 2)
            file.seek(max(0, file.tell() - _TAIL_BYTES))
            last = file.read().rstrip(b"\n").rpartition(b"\n")[2].decode("utf-8", "replace")
    except OSError:
        return RecordSummary()
    begun = re.search(_UTC, head)
    closed = '"type":"closing"' in last
    return RecordSummary(
        plan=_said(_PLAN_NAME, head),
        bench=_said(_BENCH_NAME, head),
        day=begun[1] if begun else "",
        time=begun[2] if begun else "",
        verdict=_outcome(last) if closed else "",
        sentence=_said(_SENTENCE, last) if closed else "",
    )


def _outcome(closing: str) -> str:
    """Return the verdict of a closing line, or "fault" where that is how the run ended."""
    from controller.run.model import Ending

    ended = _said(_ENDED, closing)
    return ended if ended == Ending.FAULT else _said(_VERDICT, closing)


def _said(pattern: str, text: str) -> str:
    import json

    found = re.search(pattern, text)
    if found is None:
        return ""
    try:
        return one_line(str(json.loads(found[1])))
    except ValueError:
        return ""


def _files(folder: Path, pattern: str) -> Iterator[Path]:
    try:
        found = sorted(path for path in folder.rglob(pattern) if path.is_file())
    except OSError:
        return
    yield from found[:_MOST_FILES]


def _head(path: Path) -> str:
    try:
        with path.open("rb") as file:
            return file.read(_HEAD_BYTES).decode("utf-8", "replace")
    except OSError:
        return ""


def _changed_s(path: Path) -> float:
    try:
        return path.stat().st_mtime
    except OSError:
        return 0.0
