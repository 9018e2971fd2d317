"""Long runs and long records: memory stays where it is, and time grows with length alone."""

from __future__ import annotations

import json
import sys
import tempfile
import time
import tracemalloc
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent))

from damaged_records import good_record, rechained
from torture_bench import Row, prepared, row

from controller.bench.wiring import open_bench
from controller.clock import VirtualClock
from controller.records.reader import load_record
from controller.run.hold import HandRun
from controller.run.sweep import SweepRun
from controller.session.jobs import hand_plan

MOST_GROWTH_KB = 200
MOST_FACTOR = 1.6
"""How much more than in proportion a record of ten times the lines may take to read."""


def held(hours: float) -> list[Row]:
    """Hold a bench, fed, on the virtual clock; watch the memory between the quarters."""
    clock = VirtualClock()
    ready = prepared(Path(tempfile.gettempdir()) / "rungwise-torture" / "eight")
    found, steps = [], 0
    bench = open_bench(ready.bench, clock, reads_back=False)
    job = HandRun(hand_plan(ready.bench), bench, clock)
    tracemalloc.start()
    sizes = []
    for quarter in range(1, 5):
        while clock.now_s() < hours * 900 * quarter and not job.finished:
            job.step()
            steps += 1
        sizes.append(tracemalloc.get_traced_memory()[0] // 1024)
    tracemalloc.stop()
    job.stop()
    while not job.finished:
        job.step()
    bench.close()
    growth = sizes[-1] - sizes[0]
    if growth > MOST_GROWTH_KB:
        found.append(f"{growth} kB more")
    if clock.now_s() < hours * 3600:
        found.append("ended early")
    also = f"{hours:g} h of virtual time, {growth} kB more after the last quarter than the first"
    return [row("memory over a day", steps, len(found), also=" | ".join([also, *found]))]


def dwelling(hours: float) -> list[Row]:
    """Stay at one step with readings streaming that never settle."""
    clock = VirtualClock()
    ready = prepared(Path(tempfile.gettempdir()) / "rungwise-torture" / "eight")
    plan = replace(
        ready.resolved,
        settle=replace(
            ready.resolved.settle, for_s=hours * 3600, gap_s=5.0, at_most_s=hours * 3600
        ),
    )
    bench = open_bench(ready.bench, clock)
    job = SweepRun(plan, bench, clock)
    tracemalloc.start()
    steps, sizes = 0, []
    for quarter in range(1, 5):
        while clock.now_s() < hours * 900 * quarter and not job.finished:
            job.step()
            steps += 1
        sizes.append(tracemalloc.get_traced_memory()[0] // 1024)
    tracemalloc.stop()
    bench.close()
    # The rule needs the whole window while it lasts: two numbers a reading, and no more.
    growth, readings = sizes[-1] - sizes[0], hours * 3600 * 0.75 / ready.bench.reading_interval_s
    each = growth * 1024 / readings
    also = f"{hours:g} h at one step: {each:.0f} bytes a reading"
    return [row("memory over a step that never settles", steps, int(each > 500), also=also)]


def long_record(folder: Path, lines: int) -> list[Row]:
    """Read records of a tenth of the lines and of all of them; compare the times."""
    good = [json.loads(line) for line in good_record(folder).splitlines()]
    (*_, reading) = (
        line for line in load_record(folder / "good.jsonl").lines if line["type"] == "reading"
    )
    took = {}
    for count in (lines // 10, lines):
        path = folder / f"long-{count}.jsonl"
        path.write_bytes(rechained([good[0], *[reading] * (count - 1)]))
        load_record(path)
        best = min(_timed(path) for _ in range(2))
        took[count] = best
        path.unlink()
    factor = took[lines] / took[lines // 10] / 10
    also = f"{took[lines]:.2f} s CPU, {factor:.2f} times as long a line as with a tenth of them"
    return [row(f"record of {lines} lines", lines, int(factor > MOST_FACTOR), also=also)]


def _timed(path: Path) -> float:
    began_s = time.process_time()
    load_record(path)
    return time.process_time() - began_s


def sets(full: bool, folder: Path) -> Iterator[Callable[[], list[Row]]]:
    """Return every set, whole or quick."""
    yield lambda: held(24 if full else 1)
    yield lambda: dwelling(1 if full else 0.05)
    yield lambda: long_record(folder, 100_000 if full else 3000)


def rows(full: bool = True) -> list[Row]:
    """Return every row."""
    with tempfile.TemporaryDirectory() as name:
        return [one for made in sets(full, Path(name)) for one in made()]
