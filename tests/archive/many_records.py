"""Any number of valid records, written by the real writer, of invented benches and modules.

Knows: the demonstration's plan; that modules differ, and one of them reads cold.
Must not know: archives.

Every record is a whole run with its readings on the way; the readings are invented, and judged by
the project's own rules. The same seed gives the same bytes.
"""

from __future__ import annotations

import random
import sys
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path
from typing import Any

from controller.clock import VirtualClock
from controller.errors import RelayKnowledge
from controller.planning.model import ResolvedPlan, ResolvedStep
from controller.readback.base import Reading
from controller.records.inputs import load_inputs
from controller.records.lines import digest
from controller.records.writer import RecordWriter
from controller.run.events import (
    Event,
    Parked,
    ReadingSeen,
    RelaysSet,
    RunFinished,
    RunStarted,
    StepFinished,
    StepStarted,
)
from controller.run.judging import judge_step
from controller.run.model import Ending, StepResult
from controller.run.summary import summarize
from controller.session.prepared import Prepared, prepare_inputs
from controller.session.recording import opening_of

SWEEPS = Path(__file__).resolve().parents[2] / "sweeps"
BENCHES = ("Harbour bench 1", "Harbour bench 2", "Quay bench")
MODULES = ("Tern coolant input A", "Tern coolant input B", "Tern coolant input C")
COLD = MODULES[2]
"""This one reads colder the hotter it gets."""

WARM = MODULES[1]
"""This one reads warm, near the limit of its tolerance."""

_BENCH_NAME, _MODULE_NAME = "Simulated bench, healthy", "Tern auxiliary diesel, coolant input"
_BEGUN = datetime(2025, 3, 3, 6, tzinfo=UTC)
_EVERY = timedelta(hours=7)
_READINGS = 13
_READING_S = 0.3


@cache
def _prepared(plan_name: str) -> Prepared:
    inputs = load_inputs(SWEEPS / plan_name, SWEEPS / "benches/simulated.toml")
    return prepare_inputs(replace(inputs, plan=replace(inputs.plan, module=None)))


@cache
def _opening(bench: str, module: str, plan_name: str) -> tuple[ResolvedPlan, dict[str, Any]]:
    prepared = _prepared(plan_name)
    assert prepared.bench.module is not None
    named = replace(prepared.bench, name=bench, module=replace(prepared.bench.module, name=module))
    inputs = replace(prepared.inputs, bench=named)
    opening = opening_of(inputs, prepared.resolved, verb="sweep", pace="fast")
    for entry in opening["files"]:  # what the files say is what was run
        for old, new in ((_BENCH_NAME, bench), (_MODULE_NAME, module)):
            entry["text"] = entry["text"].replace(f'name = "{old}"', f'name = "{new}"')
        entry["sha256"] = digest(entry["text"].encode("utf-8"))
    return prepared.resolved, opening


def events(plan: ResolvedPlan, clock: VirtualClock, module: str, chance: random.Random) -> Any:
    """Yield the events of a run, as the clock goes on."""
    yield RunStarted(at_s=clock.now_s(), plan=plan, device_name="invented ladder", first_step=0)
    results: list[StepResult] = []
    offset = chance.gauss(0.0, 0.15) + (2.0 if module == WARM else 0.0)
    for step in plan.steps:
        yield StepStarted(at_s=clock.now_s(), step=step, attempt=1)
        yield RelaysSet(
            at_s=clock.now_s(),
            step_index=step.index,
            path=step.path,
            achieved_ohms=step.achieved_ohms,
        )
        reported = _reported(step, module, offset, chance)
        for number in range(_READINGS):
            clock.sleep_s(_READING_S)
            last = number == _READINGS - 1
            on_the_way = reported if number > 3 else reported + (4 - number) * 2.0
            yield ReadingSeen(
                at_s=clock.now_s(),
                step_index=step.index,
                attempt=1,
                celsius=on_the_way,
                volts=round(2.5 + 0.01 * on_the_way + chance.gauss(0.0, 1e-3), 4),
                codes=(),
                final=last,
            )
        result = judge_step(
            step,
            plan.decision_rule,
            Reading(token=step.index, celsius=reported, at_s=clock.now_s()),
            attempt=1,
            settled=chance.random() > 0.001,
            settle_s=_READINGS * _READING_S,
        )
        results.append(result)
        yield StepFinished(at_s=clock.now_s(), result=result)
    yield Parked(at_s=clock.now_s())
    summary = summarize(plan, results, ended=Ending.COMPLETE, relays=RelayKnowledge.PARKED)
    yield RunFinished(at_s=clock.now_s(), summary=summary)


def _reported(step: ResolvedStep, module: str, offset: float, chance: random.Random) -> float:
    assert step.expected_celsius is not None
    cold = -0.06 * max(0.0, step.expected_celsius - 40.0) if module == COLD else 0.0
    return float(round(step.expected_celsius + offset + cold + chance.gauss(0.0, 0.4)))


def write_record(
    path: Path, number: int, *, seed: int = 1, plan_name: str = "coolant-sweep.toml"
) -> Path:
    """Write the record of one run; number and seed say which."""
    chance = random.Random(f"{seed} {number}")
    bench = BENCHES[number % len(BENCHES)]
    module = MODULES[(number // len(BENCHES)) % len(MODULES)]
    plan, opening = _opening(bench, module, plan_name)
    clock = VirtualClock(start_utc=_BEGUN + number * _EVERY)
    writer = RecordWriter.create(path, opening, clock=clock, durable=False)
    happened: Iterator[Event] = events(plan, clock, module, chance)
    for event in happened:
        writer.take(event)
    writer.close()
    return path


def write_records(folder: Path, count: int, *, first: int = 0, **others: Any) -> list[Path]:
    """Write so many records into a folder, which is made."""
    folder.mkdir(parents=True, exist_ok=True)
    return [
        write_record(folder / f"run-{number:06d}.jsonl", number, **others)
        for number in range(first, first + count)
    ]


if __name__ == "__main__":
    write_records(Path(sys.argv[1]), int(sys.argv[2]))
