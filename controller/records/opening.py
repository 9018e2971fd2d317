"""The first line of a record: everything that is needed to run and judge the plan again.

Knows: which facts make a run repeatable, and how input files are kept and handed out again.
Must not know: how a bench is built from its files.

The text of every input file is kept, in a place of its own in the record (`layout`), so that a
record needs nothing else and says nothing about the machine it was made on. Where a file names
another one by its absolute path, the kept text names it from its own place, and the hash of the
text as it was written stands beside it.
"""

from __future__ import annotations

import os
import platform
from collections.abc import Mapping
from importlib import metadata
from pathlib import Path
from typing import Any

from controller import __version__
from controller.errors import InputError
from controller.measurement.budget import EDITION
from controller.planning.model import ResolvedPlan
from controller.records.encode import plan_fields
from controller.records.layout import placed, renamed
from controller.records.lines import digest, plain

__all__ = ["RECORD_FOLDER", "canonical_hash", "kept_files", "opening_content"]

RECORD_FOLDER = Path("/record")
"""Where the files of a record seem to lie while they are read again."""


def opening_content(
    *,
    verb: str,
    plan: ResolvedPlan,
    bench: object,
    files: Mapping[Path, str],
    plan_file: Path | None,
    bench_file: Path | None,
    simulated: bool,
    pace: str,
) -> dict[str, Any]:
    """Return the content of an opening line.

    `files` maps absolute paths to texts, as `documents.collecting_files` does; `plan_file` and
    `bench_file` name two of them. `bench` is any dataclass: it is kept for people to read.
    """
    entries = _entries(files)
    names = {Path(os.path.abspath(path)): entry["path"] for path, entry in entries.items()}  # noqa: PTH100
    resolved, bench_fields = plan_fields(plan), plain(bench)
    return {
        "verb": verb,
        "versions": _versions(),
        "simulated": simulated,
        "pace": pace,
        "uncertainty_budget": EDITION,
        "plan": resolved,
        "bench": bench_fields,
        "hashes": {
            "plan": canonical_hash(resolved),
            "bench": canonical_hash(bench_fields),
        },
        "plan_file": names.get(_absolute(plan_file)) if plan_file else None,
        "bench_file": names.get(_absolute(bench_file)) if bench_file else None,
        "files": list(entries.values()),
    }


def canonical_hash(fields: object) -> str:
    """Return a hash that is the same for equal content."""
    import json

    text = json.dumps(fields, sort_keys=True, allow_nan=False, separators=(",", ":"))
    return digest(text.encode("utf-8"))


def kept_files(opening: Mapping[str, Any]) -> dict[Path, str]:
    """Return the files an opening keeps, as `documents.supplied_files` takes them.

    Raises InputError when a text does not have the hash stated beside it.
    """
    files: dict[Path, str] = {}
    for entry in opening["files"]:
        if digest(entry["text"].encode("utf-8")) != entry["sha256"]:
            raise InputError.single("its stored text does not match its hash", where=entry["path"])
        files[RECORD_FOLDER / entry["path"]] = entry["text"]
        if "absolute_path" in entry:
            files[Path(entry["absolute_path"])] = entry["text"]
    return files


def _entries(files: Mapping[Path, str]) -> dict[Path, dict[str, Any]]:
    places = placed(files)
    entries: dict[Path, dict[str, Any]] = {}
    for path, text in sorted(files.items()):
        kept = renamed(path, text, places)
        entries[path] = {
            "path": places[path].as_posix(),
            "sha256": digest(kept.encode("utf-8")),
            "text": kept,
        }
        if kept != text:
            entries[path]["sha256_as_written"] = digest(text.encode("utf-8"))
    return entries


def _absolute(path: Path) -> Path:
    return Path(os.path.abspath(path))  # noqa: PTH100 - resolve() would follow links


def _versions() -> dict[str, str]:
    versions = {"rungwise": __version__, "python": platform.python_version()}
    for name in ("numpy", "scipy"):
        try:
            versions[name] = metadata.version(name)
        except metadata.PackageNotFoundError:
            continue
    return versions
