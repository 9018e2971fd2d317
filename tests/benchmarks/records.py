"""A durable record line, against a bare write and fsync of as many bytes.

Knows: the record writer.
Must not know: runs.
"""

from __future__ import annotations

import os
import statistics
import tempfile
import time
from pathlib import Path
from typing import Any

from controller.clock import RealClock
from controller.measurement.model import SettleRule
from controller.planning.model import ResolvedPlan
from controller.records.opening import opening_content
from controller.records.writer import RecordWriter
from controller.run.events import ReadingSeen

AIM = 1.3
LINES = 300
ROUNDS = 5


def _opening() -> dict[str, Any]:
    plan = ResolvedPlan(
        name="none",
        kind="sweep",
        steps=(),
        settle=SettleRule(within_celsius=0.5, for_s=2.0, at_most_s=30.0),
        worst_excursion_celsius=None,
        relay_operations=0,
        park_state=0,
        state_digits=4,
    )
    return opening_content(
        verb="sweep",
        plan=plan,
        bench=None,
        files={},
        plan_file=None,
        bench_file=None,
        simulated=True,
        pace="real",
    )


def _round(folder: Path, number: int) -> tuple[float, float]:
    """Return seconds a line: ours, and bare; taken by turns, so that both meet the same medium."""
    path = folder / f"record-{number}"
    writer = RecordWriter.create(path, _opening(), clock=RealClock())
    reading = ReadingSeen(
        at_s=1.0, step_index=3, attempt=1, celsius=40.0, volts=1.234567, codes=(), final=True
    )
    size = path.stat().st_size
    writer.take(reading)
    line = b"x" * (path.stat().st_size - size - 1) + b"\n"
    bare = os.open(folder / f"bare-{number}", os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o644)
    ours, theirs = [], []
    for _ in range(LINES):
        began = time.perf_counter()
        writer.take(reading)
        between = time.perf_counter()
        os.write(bare, line)
        os.fsync(bare)
        theirs.append(time.perf_counter() - between)
        ours.append(between - began)
    writer.close()
    os.close(bare)
    return statistics.median(ours), statistics.median(theirs)


def rows() -> list[dict[str, Any]]:
    """Return the one row: the median round. The medium is that of the current folder."""
    with tempfile.TemporaryDirectory(dir=Path.cwd()) as folder:
        rounds = sorted(
            (_round(Path(folder), number) for number in range(ROUNDS)), key=lambda r: r[0] / r[1]
        )
    ours, bare = rounds[len(rounds) // 2]
    return [
        {
            "name": "durable record line, against bare write and fsync",
            "measured": f"{ours * 1e6:.0f} us",
            "against": f"{bare * 1e6:.0f} us",
            "ratio": ours / bare,
            "aim": f"<= {AIM:g}x",
            "met": ours / bare <= AIM,
        }
    ]


if __name__ == "__main__":
    print(rows())
