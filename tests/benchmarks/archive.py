"""An archive: gathering, asking and judging again, each against the plain way in the same run.

Knows: the archive, the reader and the replay it is measured against, the tests' generator.
Must not know: what any of it is for.

All times are CPU time, of all threads together: what one core that is free would take, whatever
else the machine does. Gathering is measured on records that the real writer wrote. For questions
and judging a hundred thousand runs stand in the archive: those that were gathered, many times over,
with other times and a little other readings, written with the archive's own tables.
"""

from __future__ import annotations

import resource
import shutil
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "archive"))

from many_records import SWEEPS, write_records

from controller.archive import store
from controller.archive.gather import gather
from controller.archive.judging import Change, judge_again
from controller.archive.questions import answer
from controller.archive.schema import SCHEMA
from controller.measurement.model import DecisionRule
from controller.records.compare import rejudge
from controller.records.decode import plan_of, results_of
from controller.records.reader import load_record
from controller.records.replay import replay
from controller.sensors.files import load_sensor

RECORDS = 400
RUNS = 100_000
PLAIN = 10
LEAST_GATHERED, LEAST_JUDGED, MOST_QUESTION_S, MOST_MEGABYTES = 150, 100_000, 0.3, 500


def _took(work: Callable[[], Any]) -> float:
    began = time.process_time()
    work()
    return time.process_time() - began


def _best(work: Callable[[], Any], rounds: int = 3) -> float:
    return min(_took(work) for _ in range(rounds))


def _many_times_over(archive: Path, target: Path) -> None:
    """Write the archive's runs again and again, in ten batches, until there are RUNS."""
    store.created(target)
    times = RUNS // RECORDS
    for number in range(10):
        low, high = times * number // 10, times * (number + 1) // 10
        folder = target / f"year={2016 + number}" / f"batch={number:016d}"
        folder.mkdir(parents=True)
        duckdb = store.engine()
        with duckdb.connect(config={"threads": 1, "memory_limit": "250MB"}) as con:
            for table in SCHEMA:
                if table == "replaced":
                    continue
                source = f"read_parquet('{archive}/year=*/batch=*/{table}.parquet')"
                changed, join = "*", " WHERE false" if table == "raw" else ""
                if table in ("runs", "steps"):
                    changed = (
                        "* REPLACE (run_id || '-' || n AS run_id, hash(run_id, n) AS run_key,"
                        " started_utc + to_hours(CAST(37 * n AS INTEGER)) AS started_utc"
                        + (
                            ", error_celsius + 0.001 * (n % 7) AS error_celsius,"
                            " reported_celsius + 0.001 * (n % 7) AS reported_celsius)"
                            if table == "steps"
                            else ")"
                        )
                    )
                    join = f", range({low}, {high}) t(n)"
                columns = ", ".join(SCHEMA[table])
                order = f"ORDER BY {store.SORTED[table]}" if table in store.SORTED else ""
                con.execute(
                    f"COPY (SELECT {columns} FROM (SELECT {changed} FROM {source}{join}) {order})"
                    f" TO '{folder}/{table}.parquet' (FORMAT parquet, COMPRESSION zstd)"
                )


def _row(name: str, measured: str, against: str, ratio: float, aim: str, met: bool) -> Any:
    return {
        "name": name,
        "measured": measured,
        "against": against,
        "ratio": ratio,
        "aim": aim,
        "met": met,
    }


def _gathering(folder: Path, archive: Path) -> list[dict[str, Any]]:
    paths = write_records(folder, RECORDS)
    warm = folder.parent / "warm"
    gather(warm, paths[:1])
    ours = _took(lambda: gather(archive, [folder])) / RECORDS
    again = _took(lambda: gather(archive, [folder])) / RECORDS

    def plainly() -> None:
        for path in paths[:PLAIN]:
            results_of(load_record(path))

    plain = _took(plainly) / PLAIN
    size = paths[0].stat().st_size
    return [
        _row(
            f"records gathered, of {size / 1000:.0f} kB each, against read and decoded alone",
            f"{1 / ours:.0f}/s a core",
            f"{1 / plain:.0f}/s",
            plain / ours,
            f">= {LEAST_GATHERED}/s",
            1 / ours >= LEAST_GATHERED,
        ),
        _row(
            "gathered again, nothing new, against the first time",
            f"{again * 1e6:.0f} us a record",
            f"{ours * 1e6:.0f} us",
            ours / again,
            "-",
            True,
        ),
    ]


def _plain_verdicts(folder: Path) -> float:
    """Return seconds a record for a question asked in Python over the lines of the records."""

    def plainly() -> None:
        for path in sorted(folder.glob("*.jsonl"))[:PLAIN]:
            record = load_record(path)
            assert record.closing is not None
            record.closing["verdict"]

    return _took(plainly) / PLAIN


def _asking(folder: Path, archive: Path) -> list[dict[str, Any]]:
    plain = _plain_verdicts(folder) * RUNS
    rows = []
    for name in ("failures", "cold", "errors", "wear"):
        took = _best(lambda name=name: answer(archive, name, {"above": 90.0}))
        rows.append(
            _row(
                f"question `{name}` over {RUNS} runs, against Python over the records",
                f"{took:.3f} s",
                f"{plain:.0f} s",
                plain / took,
                f"< {MOST_QUESTION_S:g} s",
                took < MOST_QUESTION_S,
            )
        )
    return rows


def _judging(folder: Path, archive: Path) -> list[dict[str, Any]]:
    paths = sorted(folder.glob("*.jsonl"))

    def plainly() -> None:
        for path in paths[:PLAIN]:
            record = load_record(path)
            rejudge(plan_of(record), results_of(record))

    plain = _took(plainly) / PLAIN
    replayed = _took(lambda: replay(load_record(paths[0])))
    sensor = load_sensor(SWEEPS / "sensors/tern-sea-water.toml")
    rows = []
    for name, change in (
        ("tolerance", Change(tolerance_at=lambda _: 2.0)),
        ("rule", Change(rule=DecisionRule.SIMPLE)),
        ("chart", Change(sensor=sensor)),
    ):
        took = _best(lambda change=change: judge_again(archive, change)) / RUNS
        rows.append(
            _row(
                f"records judged again by another {name}, against read and judged in Python"
                f" (replay: {1 / replayed:.1f}/s)",
                f"{1 / took:.0f}/s",
                f"{1 / plain:.0f}/s",
                plain / took,
                f">= {LEAST_JUDGED}/s",
                1 / took >= LEAST_JUDGED,
            )
        )
    return rows


def rows() -> list[dict[str, Any]]:
    """Return all rows. Memory is the peak of this process, imports included."""
    with tempfile.TemporaryDirectory() as name:
        folder, small, large = (Path(name) / one for one in ("records", "small", "large"))
        found = _gathering(folder, small)
        _many_times_over(small, large)
        found += _asking(folder, large)
        found += _judging(folder, large)
        shutil.rmtree(large)
    megabytes = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1000
    return [
        *found,
        _row(
            "memory at most, all of the above",
            f"{megabytes:.0f} MB",
            "-",
            megabytes / MOST_MEGABYTES,
            f"< {MOST_MEGABYTES} MB",
            megabytes < MOST_MEGABYTES,
        ),
    ]


if __name__ == "__main__":
    for one in rows():
        print(one)
