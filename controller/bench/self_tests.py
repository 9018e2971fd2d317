"""What the last self-test said of each real ladder, and what to say of it before a run.

Knows: the user's data folder, one small file in it.
Must not know: how a ladder is tested, runs, who shows the warnings.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from controller.bench.model import BenchFile
from controller.bench.wear import wear_file
from controller.errors import InputError
from controller.regular_file import read_regular

__all__ = ["SelfTested", "keep_self_test", "self_test_file", "self_test_warnings"]

FORMAT = "rungwise-self-tests/1"


@dataclass(frozen=True, kw_only=True)
class SelfTested:
    """The last word on one ladder. `sound` is whether everything was within its tolerance."""

    utc: str
    sound: bool
    sentence: str


def self_test_file(environ: Mapping[str, str]) -> Path:
    """Return where results are kept: beside the counts of operations."""
    return wear_file(environ).with_name("self-tests.json")


def keep_self_test(path: Path, ladder_name: str, tested: SelfTested) -> None:
    """Keep the result for a ladder in place of its last one. Raises InputError."""
    entries = _read(path)
    entries[ladder_name] = {
        "utc": tested.utc,
        "sound": tested.sound,
        "sentence": tested.sentence,
    }
    beside = path.with_suffix(".new")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        text = json.dumps({"format": FORMAT, "ladders": entries}, indent=2)
        beside.write_text(f"{text}\n", encoding="utf-8")
        beside.replace(path)
    except OSError as error:
        raise InputError.single(f"cannot be written: {error.strerror}", where=str(path)) from None


def self_test_warnings(bench: BenchFile, path: Path) -> tuple[str, ...]:
    """Return a sentence where the last self-test found the ladder of a bench unsound.

    Raises InputError when the file cannot be read.
    """
    if not bench.drives_hardware:
        return ()
    entry = _read(path).get(bench.ladder.name)
    if entry is None or entry["sound"]:
        return ()
    sentence = (
        f"the last self-test of {bench.ladder.name!r}, {entry['utc']}, failed:"
        f" {entry['sentence']} Mend it and test it again: rungwise ladder self-test"
    )
    return (sentence,)


def _read(path: Path) -> dict[str, dict[str, Any]]:
    if not path.exists():
        return {}
    try:
        document: Any = json.loads(read_regular(path).decode("utf-8"))
        entries = document["ladders"]
        sound = document["format"] == FORMAT and all(
            isinstance(entry["sound"], bool)
            and isinstance(entry["utc"], str)
            and isinstance(entry["sentence"], str)
            for entry in entries.values()
        )
    except (ValueError, RecursionError, TypeError, KeyError, AttributeError):
        sound = False
    if not sound:
        raise InputError.single(
            f"is not a {FORMAT} file", where=str(path), hint="mend it, or move it away"
        )
    return dict(entries)
