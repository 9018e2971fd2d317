"""The tables of an archive: their columns, and the names of runs.

`SCHEMA` is the one place where tables and columns stand; values are in the units of their names,
uncertainties expanded (k = 2) but for `other_celsius` and `ladder_ohms`, which are standard.
"""

from __future__ import annotations

import hashlib
from typing import Any

__all__ = ["KINDS", "SCHEMA", "Rows", "run_id_of", "run_key_of"]

SCHEMA: dict[str, dict[str, str]] = {
    "runs": {
        "run_id": "VARCHAR",
        "run_key": "UBIGINT",
        "first_hash": "VARCHAR",
        "tail_hash": "VARCHAR",
        "line_count": "INTEGER",
        "byte_count": "BIGINT",
        "torn_bytes": "INTEGER",
        "started_utc": "TIMESTAMP_MS",
        "duration_s": "DOUBLE",
        "bench": "VARCHAR",
        "ladder": "VARCHAR",
        "module": "VARCHAR",
        "sensor": "VARCHAR",
        "plan": "VARCHAR",
        "kind": "VARCHAR",
        "rule": "VARCHAR",
        "simulated": "BOOLEAN",
        "verdict": "VARCHAR",
        "ended": "VARCHAR",
        "planned": "INTEGER",
        "passed": "INTEGER",
        "failed": "INTEGER",
        "undecided": "INTEGER",
        "unsettled": "INTEGER",
        "resumed": "INTEGER",
        "relay_operations": "INTEGER",
        "plan_hash": "VARCHAR",
        "bench_hash": "VARCHAR",
        "files": "VARCHAR",
        "sentence": "VARCHAR",
    },
    "steps": {
        "run_id": "VARCHAR",
        "run_key": "UBIGINT",
        "line_count": "INTEGER",
        "started_utc": "TIMESTAMP_MS",
        "bench": "VARCHAR",
        "module": "VARCHAR",
        "sensor": "VARCHAR",
        "step": "INTEGER",
        "kind": "VARCHAR",
        "heading": "VARCHAR",
        "state": "VARCHAR",
        "achieved_ohms": "DOUBLE",
        "expected_celsius": "DOUBLE",
        "reported_celsius": "DOUBLE",
        "error_celsius": "DOUBLE",
        "tolerance_celsius": "DOUBLE",
        "uncertainty_celsius": "DOUBLE",
        "ladder_ohms": "DOUBLE",
        "other_celsius": "DOUBLE",
        "coverage_factor": "DOUBLE",
        "settled": "BOOLEAN",
        "settle_s": "DOUBLE",
        "attempt": "INTEGER",
        "verdict": "VARCHAR",
        "reason": "VARCHAR",
        "codes": "VARCHAR",
    },
    "measured": {
        "run_id": "VARCHAR",
        "line_count": "INTEGER",
        "started_utc": "TIMESTAMP_MS",
        "ladder": "VARCHAR",
        "state": "VARCHAR",
        "ohms": "DOUBLE",
        "expected_ohms": "DOUBLE",
    },
    "files": {"sha256": "VARCHAR", "path": "VARCHAR", "text": "VARCHAR"},
    "raw": {"run_id": "VARCHAR", "line_count": "INTEGER", "record": "BLOB"},
    "sources": {"file": "VARCHAR", "size": "BIGINT", "mtime_ns": "BIGINT"},
    "replaced": {"run_id": "VARCHAR", "line_count": "INTEGER"},
}
"""Table, column, and DuckDB's type. `run_key` is the beginning of `run_id` as a number, which is
joined and grouped by several times as fast."""

KINDS = ("set", "step", "note", "measured", "closing")
"""The lines that rows are made of."""

Rows = dict[str, list[tuple[Any, ...]]]
"""Rows by table, in the order of the schema's columns."""


def run_id_of(first_hash: str, *, input: int = 1) -> str:  # noqa: A002 - the word of the records
    """Return the name of a run: it stays when the record is gone on with.

    The second input of a record that has two is a run of its own, with a name of its own.
    """
    if input == 1:
        return first_hash[:24]
    return hashlib.sha256(f"{first_hash} input {input}".encode()).hexdigest()[:24]


def run_key_of(run_id: str) -> int:
    """Return the beginning of a name as a number."""
    return int(run_id[:16], 16)
