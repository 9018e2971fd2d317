"""An archive's folder: Parquet files that appear whole or not at all.

Knows: where batches lie, how one is published, which version of a run counts.
Must not know: what is asked of an archive.

    ARCHIVE/year=2026/batch=0123456789abcdef/{runs,steps,measured,files,raw,sources}.parquet

A batch is written beside the others under a name that nobody reads, synced, and renamed: the rename
is the instant at which its runs are in. So a process may die anywhere; what it leaves is removed by
the next one. A run that is gathered again after its record has been gone on with comes in anew, and
the same batch says under ``replaced`` which version no longer counts.
"""

from __future__ import annotations

import hashlib
import os
import shutil
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from controller.archive.schema import SCHEMA, Rows
from controller.errors import InputError

if TYPE_CHECKING:
    import duckdb

__all__ = [
    "SORTED",
    "connected",
    "created",
    "engine",
    "locked",
    "publish",
    "require_archive",
]

_MARK = "rungwise-archive.json"
_FORMAT = b'{"format":"rungwise-archive/1"}\n'
_UNFINISHED = ".unfinished-"
SORTED = {"runs": "bench, started_utc", "steps": "bench, started_utc, run_id, step"}


def engine() -> Any:
    """Return the module `duckdb`. Raises InputError where it is not installed."""
    try:
        import duckdb
    except ModuleNotFoundError:
        raise InputError.single(
            "an archive needs DuckDB, which is not installed",
            hint='pip install "rungwise[archive]"',
        ) from None
    return duckdb


def created(archive: Path) -> None:
    """Make an archive's folder where there is none yet. Raises InputError."""
    engine()
    mark = archive / _MARK
    if mark.is_file():
        return
    try:
        if archive.exists() and any(not one.name.startswith(".") for one in archive.iterdir()):
            raise InputError.single(
                "this folder holds other things and is no archive",
                where=str(archive),
                hint="name a new folder, or an empty one",
            )
        archive.mkdir(parents=True, exist_ok=True)
        _write(mark, _FORMAT)
    except OSError as error:
        raise _unusable(archive, error) from None


def require_archive(archive: Path) -> None:
    """Raise InputError unless a folder is an archive."""
    if not (archive / _MARK).is_file():
        raise InputError.single(
            "this is no archive",
            where=str(archive),
            hint="rungwise archive add FOLDER --archive ARCHIVE makes one",
        )
    engine()


@contextmanager
def locked(archive: Path) -> Iterator[None]:
    """Keep others from adding at the same time, and remove what one that died has left."""
    from filelock import FileLock, Timeout

    try:
        with FileLock(archive / ".lock", timeout=0):
            for left in archive.glob(f"{_UNFINISHED}*"):
                shutil.rmtree(left, ignore_errors=True)
            yield
    except Timeout:
        raise InputError.single(
            "another process is adding to this archive", where=str(archive)
        ) from None
    except OSError as error:
        raise _unusable(archive, error) from None


@contextmanager
def connected(archive: Path, *, threads: int | None = None) -> Iterator[duckdb.DuckDBPyConnection]:
    """Open a connection with a view for each table; what was replaced is left out.

    The connection may read the archive's folder and nothing else. Raises InputError for whatever
    DuckDB refuses in the block.
    """
    duckdb = engine()
    try:
        with duckdb.connect(config=_config(threads)) as con:
            _make_views(con, archive)
            yield con
    except duckdb.Error as error:
        raise _refused(error, archive) from None


def _make_views(con: duckdb.DuckDBPyConnection, archive: Path) -> None:
    place = archive.resolve()
    any_replaced = any(place.glob("year=*/batch=*/replaced.parquet"))
    for table, columns in sorted(SCHEMA.items(), key=lambda item: item[0] != "replaced"):
        some = any_replaced if table == "replaced" else any(place.glob("year=*/batch=*"))
        if not some:
            empty = ", ".join(f"NULL::{kind} AS {name}" for name, kind in columns.items())
            con.execute(f'CREATE VIEW "{table}" AS SELECT {empty} WHERE false')
            continue
        source = f"read_parquet({_quoted(place / f'year=*/batch=*/{table}.parquet')})"
        if any_replaced and table != "replaced" and "line_count" in columns:
            source += " ANTI JOIN replaced USING (run_id, line_count)"
        names = ", ".join(columns)
        con.execute(f'CREATE VIEW "{table}" AS SELECT {names} FROM {source}')  # noqa: S608
    con.execute(f"SET allowed_directories = [{_quoted(place)}]")
    con.execute("SET enable_external_access = false")
    con.execute("SET lock_configuration = true")


def _refused(error: Exception, archive: Path) -> InputError:
    return InputError.single(str(error).strip().splitlines()[0], where=str(archive))


def _quoted(path: Path) -> str:
    return "'" + str(path).replace("'", "''") + "'"


def publish(archive: Path, year: int, rows: Rows) -> None:
    """Write a batch of one year's runs and let it appear. Raises InputError."""
    content = hashlib.sha256()
    for run_id, line_count, _ in rows["raw"]:
        content.update(f"{run_id} {line_count}\n".encode())
    for file, size, mtime_ns in rows["sources"]:
        content.update(f"{file} {size} {mtime_ns}\n".encode())
    folder = archive / f"year={year:04d}" / f"batch={content.hexdigest()[:16]}"
    unfinished = archive / f"{_UNFINISHED}{folder.name}"
    duckdb = engine()
    try:
        unfinished.mkdir()
        with duckdb.connect(config=_config(1)) as con:
            for table in SCHEMA:
                if table != "replaced" or rows.get(table):
                    _write_table(con, table, rows.get(table, []), unfinished)
        for path in unfinished.iterdir():
            _sync(path)
        _sync(unfinished)
        folder.parent.mkdir(exist_ok=True)
        unfinished.rename(folder)
        _sync(folder.parent)
        _sync(archive)
    except OSError as error:
        raise _unusable(archive, error) from None
    except duckdb.Error as error:
        raise _refused(error, archive) from None


def _write_table(
    con: duckdb.DuckDBPyConnection, table: str, rows: Sequence[tuple[Any, ...]], folder: Path
) -> None:
    columns = SCHEMA[table]
    stated = ", ".join(f"{name} {kind}" for name, kind in columns.items())
    con.execute(f'CREATE TABLE "{table}" ({stated})')
    if rows:
        values = {
            name: _column(kind, column)
            for (name, kind), column in zip(columns.items(), zip(*rows, strict=True), strict=True)
        }
        con.register("new_rows", values)
        con.execute(f'INSERT INTO "{table}" SELECT * FROM new_rows')  # noqa: S608
        con.unregister("new_rows")
    order = f" ORDER BY {SORTED[table]}" if table in SORTED else ""
    file = _quoted(folder / f"{table}.parquet")
    con.execute(f'COPY (FROM "{table}"{order}) TO {file} (FORMAT parquet, COMPRESSION zstd)')


def _column(kind: str, values: Sequence[Any]) -> Any:
    """Return a column as an array that DuckDB reads; None is what a mask leaves out."""
    if kind in ("VARCHAR", "BLOB"):
        column = np.empty(len(values), dtype=object)
        column[:] = values
        return column
    if kind == "TIMESTAMP_MS":
        return np.array(values, dtype="datetime64[ms]")
    dtype = {
        "INTEGER": np.int32,
        "BIGINT": np.int64,
        "UBIGINT": np.uint64,
        "DOUBLE": np.float64,
        "BOOLEAN": np.bool_,
    }
    missing = [value is None for value in values]
    filled = [0 if gone else value for value, gone in zip(values, missing, strict=True)]
    return np.ma.masked_array(np.array(filled, dtype=dtype[kind]), mask=missing)


def _config(threads: int | None) -> Mapping[str, Any]:
    config: dict[str, Any] = {
        "autoinstall_known_extensions": "false",
        "autoload_known_extensions": "false",
        "memory_limit": "300MB",
    }
    return config if threads is None else {**config, "threads": threads}


def _write(path: Path, data: bytes) -> None:
    unfinished = path.with_name(f".{path.name}.new")
    unfinished.write_bytes(data)
    _sync(unfinished)
    unfinished.rename(path)
    _sync(path.parent)


def _sync(path: Path) -> None:
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def _unusable(archive: Path, error: OSError) -> InputError:
    return InputError.single(
        f"the archive cannot be used: {error.strerror or error}", where=str(archive)
    )
