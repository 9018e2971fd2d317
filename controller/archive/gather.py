"""Gathering records: proven on the way in, each run once, in batches that appear whole.

Knows: which version of a run is kept, what is skipped and what is refused.
Must not know: how tables are written, what is asked of them.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from controller.archive.proof import Proven, Prover
from controller.archive.rows import rows_of
from controller.archive.schema import KINDS, Rows, run_id_of
from controller.archive.setting import Setting, setting_of
from controller.archive.store import connected, created, locked, publish
from controller.errors import InputError, Problem
from controller.regular_file import MOST_RECORD_BYTES, read_regular

__all__ = ["Gathered", "gather"]

_BATCH_RUNS, _BATCH_BYTES = 1000, 64_000_000


@dataclass(frozen=True, kw_only=True)
class Gathered:
    """What came of gathering: counts, and every file that was refused, with line and reason.

    `longer` of the `added` took the place of a version that their record has outgrown. `known`
    files held nothing new; `torn` of the added ones end in the middle of a line.
    """

    added: int = 0
    longer: int = 0
    known: int = 0
    torn: int = 0
    refused: tuple[Problem, ...] = ()


@dataclass(frozen=True, kw_only=True)
class _Version:
    """How far a run is known: up to which line, with which hash."""

    line_count: int
    tail_hash: str
    hashes: tuple[str, ...] | None = None


def gather(
    archive: Path,
    folders: Iterable[Path],
    *,
    again: bool = False,
    told: Callable[[int], None] = lambda _: None,
) -> Gathered:
    """Add the records in folders, and single records, to an archive, which is made if need be.

    Files that have been looked at before and have not changed since are skipped unless `again`.
    `told` is called with the number of files looked at. Raises InputError when the archive cannot
    be used; a file that is no sound record is refused and named, and the rest goes on.
    """
    created(archive)
    with locked(archive):
        return _Gathering(archive, again=again).over(_records_in(folders), told)


def _records_in(folders: Iterable[Path]) -> Iterator[Path]:
    for folder in folders:
        if folder.is_dir():
            yield from sorted(folder.rglob("*.jsonl"))
        else:
            yield folder


class _Gathering:
    """One going through files."""

    def __init__(self, archive: Path, *, again: bool) -> None:
        self._archive = archive
        self._prover = Prover(KINDS, setting_of)
        with connected(archive) as con:
            held = con.execute("SELECT run_id, line_count, tail_hash FROM runs").fetchall()
            sources = con.execute("SELECT file, size, mtime_ns FROM sources").fetchall()
            self._texts = {one for (one,) in con.execute("SELECT sha256 FROM files").fetchall()}
        self._held = {
            run_id: _Version(line_count=count, tail_hash=tail) for run_id, count, tail in held
        }
        self._seen = set() if again else set(sources)
        self._waiting: dict[str, tuple[Proven[Setting], Rows]] = {}
        self._sources: list[tuple[str, int, int]] = []
        self._bytes = 0
        self._added = self._longer = self._known = self._torn = 0
        self._refused: list[Problem] = []

    def over(self, paths: Iterable[Path], told: Callable[[int], None]) -> Gathered:
        """Go through files; return what came of it."""
        for count, path in enumerate(paths, 1):
            try:
                self._look(path)
            except InputError as error:
                self._refused += error.problems
            if len(self._waiting) >= _BATCH_RUNS or self._bytes >= _BATCH_BYTES:
                self._publish()
            told(count)
        self._publish()
        return Gathered(
            added=self._added,
            longer=self._longer,
            known=self._known,
            torn=self._torn,
            refused=tuple(self._refused),
        )

    def _look(self, path: Path) -> None:
        source = _source(path)
        if source in self._seen:
            self._known += 1
            return
        data = read_regular(path, most_bytes=MOST_RECORD_BYTES)
        proven = self._prover.prove(data, str(path))
        run_id = run_id_of(proven.hashes[0])
        held = self._version(run_id)
        if held is None or self._outgrows(proven, run_id, held, path):
            self._waiting[run_id] = (proven, _understood(proven, path))
            self._bytes += len(data)
        else:
            self._known += 1
        self._sources.append(source)

    def _version(self, run_id: str) -> _Version | None:
        waiting = self._waiting.get(run_id)
        if waiting is None:
            return self._held.get(run_id)
        hashes = waiting[0].hashes
        return _Version(line_count=len(hashes), tail_hash=hashes[-1], hashes=hashes)

    def _outgrows(self, proven: Proven[Setting], run_id: str, held: _Version, path: Path) -> bool:
        """Return whether a record goes on where the version held ends. Raises InputError."""
        count = len(proven.hashes)
        if count > held.line_count:
            same = proven.hashes[held.line_count - 1] == held.tail_hash
        elif held.hashes is not None:
            same = proven.hashes[-1] == held.hashes[count - 1]
        else:
            same = proven.hashes[-1] == held.tail_hash or self._begins(run_id, held, proven)
        if not same:
            raise InputError.single(
                "starts like a run already in the archive, but continues differently",
                where=str(path),
                hint="two runs in virtual time with one opening, or two ways on from one record:"
                " keep such a run beside the archive",
            )
        return count > held.line_count

    def _begins(self, run_id: str, held: _Version, proven: Proven[Setting]) -> bool:
        """Return whether the record held begins with the whole lines of another."""
        with connected(self._archive) as con:
            (row,) = con.execute(
                "SELECT record FROM raw WHERE run_id = ? AND line_count = ?",
                [run_id, held.line_count],
            ).fetchall()
        return bool(row[0][: proven.whole_bytes] == proven.data[: proven.whole_bytes])

    def _publish(self) -> None:
        by_year: dict[int, list[tuple[str, Rows, Proven[Setting]]]] = {}
        for run_id, (proven, rows) in self._waiting.items():
            by_year.setdefault(int(proven.utc[:4]), []).append((run_id, rows, proven))
        # What was looked at is remembered with the last batch, not before its runs are in. A file
        # that held nothing new while nothing else came in is looked at again next time.
        years = sorted(by_year)
        for year in years:
            last = year == years[-1]
            publish(self._archive, year, self._batch(by_year[year], self._sources if last else []))
        self._waiting, self._sources, self._bytes = {}, [], 0

    def _batch(
        self,
        runs: Sequence[tuple[str, Rows, Proven[Setting]]],
        sources: list[tuple[str, int, int]],
    ) -> Rows:
        batch: Rows = {"sources": list(sources), "files": [], "replaced": [], "raw": []}
        for run_id, rows, proven in runs:
            for table, more in rows.items():
                batch.setdefault(table, []).extend(more)
            for text in proven.setting.texts:
                if text[0] not in self._texts:
                    self._texts.add(text[0])
                    batch["files"].append(text)
            held = self._held.get(run_id)
            if held is not None:
                batch["replaced"].append((run_id, held.line_count))
                if proven.setting.second is not None:
                    other = run_id_of(proven.hashes[0], input=2)
                    batch["replaced"].append((other, held.line_count))
                self._longer += 1
            self._held[run_id] = _Version(
                line_count=len(proven.hashes), tail_hash=proven.hashes[-1]
            )
            self._added += 1
            self._torn += proven.torn_bytes > 0
        return batch


def _source(path: Path) -> tuple[str, int, int]:
    """Return what tells whether a file has changed; its name only as a hash, for others' eyes."""
    try:
        status = path.stat()
        name = hashlib.sha256(str(path.absolute()).encode("utf-8", "surrogateescape")).hexdigest()
    except (OSError, ValueError):
        return "", -1, -1  # reading it says what is wrong
    return name[:24], status.st_size, status.st_mtime_ns


def _understood(proven: Proven[Setting], path: Path) -> Rows:
    """Return a record's rows. Raises InputError when its lines do not hold what they should."""
    try:
        return rows_of(proven)
    except (LookupError, TypeError, ValueError, AttributeError, OverflowError) as error:
        raise InputError.single(
            f"in one line something is missing or not as this version reads it ({error!r})",
            where=str(path),
            hint="the record may come from another version of the program",
        ) from None
