"""Everything that comes before a run, so that the screen can show it and ask.

Knows: files, plans, benches, records, clocks; the order in which a run is prepared and wired.
Must not know: Textual, how a run is shown.

Nothing is driven here, and no record is begun before `begin_run`.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from controller.clock import Clock, RealClock, VirtualClock
from controller.errors import InputError
from controller.measurement.model import Verdict
from controller.planning.model import ResolvedPlan, StepKind
from controller.run.events import Event, RunFinished
from controller.run.model import StepResult
from controller.tui.engine_thread import EngineThread
from controller.tui.view import RunView, begin, estimate_s

if TYPE_CHECKING:
    from controller.bench.files import BenchFile
    from controller.module.model import Module
    from controller.planning.single_value import Finder
    from controller.records.inputs import Inputs
    from controller.sensors.curve import Sensor

__all__ = [
    "PACES",
    "PacedClock",
    "Prepared",
    "Unfinished",
    "begin_by_hand",
    "begin_run",
    "clock_for",
    "diagnosis_lines",
    "prepare",
    "prepare_bench",
]

PACES = ("real", "20x", "at once")
"""How fast a bench that is simulated altogether may run; anything else runs in real time."""

_SPEED = 20.0


class PacedClock(VirtualClock):
    """Virtual time that a person can watch: each second of it takes a fraction of a real one."""

    def __init__(self, speed: float) -> None:
        super().__init__()
        self._speed = speed

    def sleep_s(self, seconds: float) -> None:
        """Move time forward and wait for its share."""
        super().sleep_s(seconds)
        if seconds > 0:
            time.sleep(seconds / self._speed)


def clock_for(pace: str) -> Clock:
    """Return the clock for a pace."""
    match pace:
        case "20x":
            return PacedClock(_SPEED)
        case "at once":
            return VirtualClock()
        case _:
            return RealClock()


@dataclass(frozen=True, kw_only=True)
class Unfinished:
    """A record of the same plan and bench that was cut short."""

    path: Path
    first_step: int


@dataclass(frozen=True, kw_only=True)
class Prepared:
    """A run that could begin now."""

    inputs: Inputs
    resolved: ResolvedPlan
    opening: dict[str, Any]
    record: Path
    simulated: bool
    unfinished: Unfinished | None

    @property
    def bench(self) -> BenchFile:
        """The bench."""
        return self.inputs.bench

    @property
    def sensor(self) -> Sensor:
        """The sensor the plan is for."""
        return self.inputs.plan.sensor

    @property
    def module(self) -> Module | None:
        """The module at the other end, when a file describes it."""
        return self.inputs.plan.module or self.bench.module

    @property
    def extremes(self) -> bool:
        """Whether the plan puts an open or a short circuit at the input."""
        return any(step.kind is not StepKind.TEMPERATURE for step in self.resolved.steps)

    @property
    def typed(self) -> bool:
        """Whether a person types the readings."""
        return self.bench.readback.value == "typed"

    @property
    def seconds(self) -> float:
        """The least time the run takes, readings that are typed left out."""
        return estimate_s(self.resolved.steps, self.resolved)


def prepare(plan_path: Path, bench_path: Path | None, runs: Path) -> Prepared:
    """Read, resolve and check everything. Raises InputError with every reason against it."""
    from controller.planning.resolve import resolve_on
    from controller.records.inputs import load_inputs
    from controller.records.running import fully_simulated, new_record, opening_of

    inputs = load_inputs(plan_path, bench_path)
    resolved = resolve_on(inputs.plan, inputs.bench)
    opening = opening_of(inputs, resolved, verb=inputs.plan.kind.value, pace="real")
    return Prepared(
        inputs=inputs,
        resolved=resolved,
        opening=opening,
        record=new_record(runs, plan_path.stem),
        simulated=fully_simulated(inputs.bench),
        unfinished=_unfinished(runs, plan_path.stem, opening),
    )


def _unfinished(runs: Path, stem: str, opening: dict[str, Any]) -> Unfinished | None:
    """Return the newest record of the same plan and bench that has steps left to run."""
    from controller.records.reader import read_record

    for path in sorted(runs.glob(f"{stem}-*.jsonl"), reverse=True)[:5]:
        try:
            record = read_record(path)
        except InputError:
            continue
        same = record.opening.get("hashes") == opening["hashes"] and record.broken is None
        if same and 0 < record.first_unfinished < len(opening["plan"]["steps"]):
            return Unfinished(path=path, first_step=record.first_unfinished)
        if same:
            return None  # the newest one is complete
    return None


def begin_run(
    prepared: Prepared,
    *,
    pace: str,
    changed: Callable[[], None],
    resume: bool = False,
    clock: Clock | None = None,
) -> EngineThread:
    """Begin the record and return the thread that will run the plan. Raises InputError."""
    from controller.bench.wear import wear_file
    from controller.bench.wiring import open_bench
    from controller.records.running import begin_record
    from controller.run.sweep import SweepRun

    clock = clock or clock_for(pace if prepared.simulated else "real")
    durable = isinstance(clock, RealClock)
    opening = {**prepared.opening, "pace": "real" if durable else "fast"}
    bench_file = prepared.bench
    unfinished = prepared.unfinished if resume else None
    begun = begin_record(
        prepared.record if unfinished is None else unfinished.path,
        opening,
        inputs=prepared.inputs,
        plan=prepared.resolved,
        clock=clock,
        durable=durable,
        resume=unfinished is not None,
    )
    resolved, earlier = begun.plan, begun.earlier
    return EngineThread(
        open_bench=lambda lines, say: open_bench(
            bench_file, clock, lines=lines, write=say, wear_path=wear_file(os.environ)
        ),
        make_job=lambda bench: SweepRun(resolved, bench, clock),
        sink=begun.writer,
        view=begin(resolved, earlier),
        clock=clock,
        changed=changed,
        amend=_counting(resolved, earlier),
    )


def _counting(resolved: ResolvedPlan, earlier: tuple[StepResult, ...]) -> Callable[[Event], Event]:
    """Return what adds an earlier part's results to the summary of a resumed run."""
    from controller.records.running import with_earlier
    from controller.run.events import StepFinished

    now: dict[int, StepResult] = {}

    def amend(event: Event) -> Event:
        if isinstance(event, StepFinished):
            now[event.result.step.index] = event.result
        if not isinstance(event, RunFinished):
            return event
        return with_earlier(event, resolved, earlier, tuple(now[index] for index in sorted(now)))

    return amend


def prepare_bench(bench_path: Path | None) -> tuple[BenchFile, Finder, Sensor | None]:
    """Read a bench for setting values by hand; the simulated one without a file."""
    from controller.bench.files import default_bench, load_bench
    from controller.planning.single_value import Finder, stand_in_sensor

    bench: BenchFile = load_bench(bench_path) if bench_path else default_bench(stand_in_sensor())
    sensor = bench.module.sensor if bench.module is not None else None
    return bench, Finder(bench, sensor.curve if sensor else None), sensor


def begin_by_hand(
    bench_file: BenchFile,
    *,
    runs: Path,
    changed: Callable[[], None],
    clock: Clock | None = None,
) -> EngineThread:
    """Begin a session of single values; it leaves a record where real relays move."""
    from controller.bench.wear import wear_file
    from controller.bench.wiring import open_bench
    from controller.records.opening import opening_content
    from controller.records.running import new_record
    from controller.records.writer import RecordWriter
    from controller.run.hold import HandRun, plan_by_hand

    clock = clock or RealClock()
    ladder = bench_file.ladder
    module = bench_file.module
    plan = plan_by_hand(
        park_state=ladder.park_state,
        state_digits=ladder.state_digits,
        amperes=None if module is None else module.short_circuit_amperes,
        watts=None if module is None else module.most_watts,
    )
    writer = None
    if bench_file.drives_hardware:
        opening = opening_content(
            verb="set",
            plan=plan,
            bench=replace(bench_file, path=None),
            files={},
            plan_file=None,
            bench_file=None,
            simulated=False,
            pace="real",
        )
        writer = RecordWriter.create(new_record(runs, "by-hand"), opening, clock=clock)
    return EngineThread(
        open_bench=lambda lines, say: open_bench(
            bench_file, clock, lines=lines, write=say, wear_path=wear_file(os.environ)
        ),
        make_job=lambda bench: HandRun(plan, bench, clock),
        sink=writer,
        view=RunView(plan=plan),
        clock=clock,
        changed=changed,
    )


def diagnosis_lines(
    results: tuple[StepResult, ...], sensor: Sensor, module: Module | None
) -> tuple[str, ...]:
    """Return what the readings say and what to look at next, a sentence each."""
    from controller.diagnosis import InputCircuit, Reporting, diagnose, explain, readings_of

    reporting = Reporting.of(module) if module is not None else Reporting()
    diagnosis = diagnose(
        readings_of(results, reporting=reporting),
        sensor.curve,
        circuit=InputCircuit.of(module) if module is not None else None,
    )
    if diagnosis.best is None and {result.verdict for result in results} == {Verdict.PASS}:
        return ("Nothing to look for: every step passed.",)
    words = explain(diagnosis)
    found = [words.headline]
    if not words.where_to_look and words.meaning:
        found.append(words.meaning)
        if any(result.verdict is Verdict.FAIL for result in results):
            found.append(
                "Next: run a plan with three temperatures or more; then the fault can be named."
            )
    if words.where_to_look:
        found.append(f"Look first at: {words.where_to_look[0]}.")
        found.extend(f"Then at: {place}." for place in words.where_to_look[1:3])
    if words.next_step:
        found.append(words.next_step)
    found.extend(words.remarks)
    return tuple(found)
