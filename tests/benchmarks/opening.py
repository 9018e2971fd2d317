"""What it costs to open a long record on the screen: until it is in sight, and the most memory.

Knows: a real pseudo-terminal, the keys that open a record.
Must not know: how records are read.

Two records of 30,000 lines: one of few steps with many readings, and one whose opening holds a plan
of ten thousand steps. Seconds are of processor time: they tell the same on a busy machine.
"""

from __future__ import annotations

import importlib.util
import re
import tempfile
from dataclasses import replace
from pathlib import Path
from types import ModuleType
from typing import Any

from controller.clock import VirtualClock
from controller.errors import RelayKnowledge
from controller.measurement.model import Verdict
from controller.planning.model import ResolvedPlan
from controller.records.writer import BEHIND_S, RecordWriter
from controller.run.events import (
    Parked,
    ReadingSeen,
    RelaysSet,
    RunFinished,
    RunStarted,
    StepFinished,
)
from controller.run.model import Ending, RunSummary, StepResult
from controller.session.prepared import prepare
from controller.session.recording import opening_of

ROOT = Path(__file__).resolve().parents[2]
LINES = 30_000
STEPS = 10_050
AIM_S = 1.0
AIM_MB = 120.0
ROUNDS = 3


def _beside(name: str) -> ModuleType:
    """Return another benchmark's module."""
    spec = importlib.util.spec_from_file_location(name, Path(__file__).with_name(f"{name}.py"))
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


TUI = _beside("tui")


def _write(path: Path, folder: Path, *, rounds: int, readings: int) -> None:
    """Write a record of a plan of 201 steps, run so many times over in one."""
    (folder / "bench.toml").write_text(TUI.BENCH.format(root=ROOT, interval=0.25))
    (folder / "plan.toml").write_text(TUI.PLAN.format(root=ROOT, dwell=0.0))
    prepared = prepare(folder / "plan.toml", None)
    once = prepared.resolved.steps
    steps = tuple(
        replace(step, index=step.index + turn * len(once))
        for turn in range(rounds)
        for step in once
    )
    plan: ResolvedPlan = replace(prepared.resolved, steps=steps)
    clock = VirtualClock()
    opening = opening_of(prepared.inputs, plan, verb="sweep", pace="fast")
    writer = RecordWriter.create(path, opening, clock=clock, durable=False)
    writer.take(RunStarted(at_s=0.0, plan=plan, device_name="simulated ladder", first_step=0))
    for step in steps:
        writer.take(
            RelaysSet(
                at_s=clock.now_s(), step_index=step.index, path=step.path,
                achieved_ohms=step.achieved_ohms,
            )
        )  # fmt: skip
        for number in range(readings):
            clock.sleep_s(BEHIND_S)  # so that each has a line of its own
            writer.take(
                ReadingSeen(
                    at_s=clock.now_s(), step_index=step.index, attempt=1,
                    celsius=step.expected_celsius, volts=1.25 + number, codes=(),
                    final=number == readings - 1,
                )
            )  # fmt: skip
        verdict = Verdict.FAIL if step.index % 100 == 99 else Verdict.PASS
        result = StepResult(
            step=step, attempt=1, reported_celsius=step.expected_celsius, error_celsius=0.0,
            verdict=verdict, settled=True, settle_s=1.0,
        )  # fmt: skip
        writer.take(StepFinished(at_s=clock.now_s(), result=result))
    writer.take(Parked(at_s=clock.now_s()))
    failed = len(steps) // 100
    summary = RunSummary(
        verdict=Verdict.FAIL, ended=Ending.COMPLETE, passed=len(steps) - failed, failed=failed,
        undecided=0, unsettled=0, not_run=0, relays=RelayKnowledge.PARKED,
        sentence="Made for this measurement.",
    )  # fmt: skip
    writer.take(RunFinished(at_s=clock.now_s(), summary=summary))
    writer.close()


def _opened(folder: Path, record: Path) -> tuple[float, float, float]:
    """Return seconds until in sight and until all is read, and the most megabytes."""
    terminal = TUI._Terminal(TUI.OURS, folder)
    try:
        terminal.until(lambda seen: b"records, 1" in seen)
        terminal.read(1.0)
        terminal.press("\t")
        terminal.read(0.2)
        terminal.press("\t")
        terminal.read(0.3)
        before_s, already = terminal.cpu_s(), len(terminal.seen)
        terminal.press("\r")
        terminal.until(lambda seen: b"nothing is driven" in seen[already:])
        in_sight_s = terminal.cpu_s() - before_s
        terminal.until(lambda seen: b"FAIL: Made" in seen[already:])
        read_s = terminal.cpu_s() - before_s
        status = Path(f"/proc/{terminal.pid}/status").read_text()
        most = re.search(r"VmHWM:\s+(\d+) kB", status)
        assert most is not None
        return in_sight_s, read_s, int(most[1]) / 1024
    finally:
        terminal.end()


def _row(name: str, *, rounds: int, readings: int) -> dict[str, Any]:
    with tempfile.TemporaryDirectory() as written, tempfile.TemporaryDirectory() as opened:
        record = Path(opened) / "runs" / "long.jsonl"
        record.parent.mkdir()
        _write(record, Path(written), rounds=rounds, readings=readings)
        lines = record.read_bytes().count(b"\n")
        measured = [_opened(Path(opened), record) for _ in range(ROUNDS)]
    in_sight_s, read_s, most_mb = (min(one) for one in zip(*measured, strict=True))
    return {
        "name": f"{name} opened on the screen",
        "measured": f"{in_sight_s:.2f} s CPU, {most_mb:.0f} MB",
        "against": f"all {lines} lines read: {read_s:.2f} s",
        "ratio": read_s / in_sight_s,
        "aim": f"< {AIM_S:g} s, < {AIM_MB:g} MB",
        "met": in_sight_s < AIM_S and most_mb < AIM_MB,
    }


def rows() -> list[dict[str, Any]]:
    """Return a row for each record."""
    return [
        _row("record of 30,000 lines", rounds=1, readings=LINES // 201 - 2),
        _row(f"record of 30,000 lines, plan of {STEPS:,} steps", rounds=STEPS // 201, readings=1),
    ]


if __name__ == "__main__":
    for row in rows():
        print(row)
