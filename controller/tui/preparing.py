"""From what the screen was asked for to the thread that will do it.

Nothing is driven here, and no record is begun before `begin_run` or `begin_by_hand`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

from controller.clock import Clock, PacedClock, RealClock, VirtualClock
from controller.errors import InputError
from controller.reports.told import Told
from controller.tui.engine_thread import EngineThread
from controller.tui.view import RunView, begin, estimate_s

if TYPE_CHECKING:
    from controller.bench.model import BenchFile
    from controller.module.model import Module
    from controller.planning.plan import Plan
    from controller.planning.single_value import Finder
    from controller.sensors.curve import Sensor
    from controller.session.prepared import Prepared, Unfinished
    from controller.session.session import Setup

__all__ = [
    "ENOUGH",
    "PACES",
    "HandBench",
    "ReadyRun",
    "begin_by_hand",
    "begin_run",
    "begin_self_test",
    "clock_for",
    "engine_of",
    "hand_bench",
    "prepare_bench",
    "ready",
    "telling_plan",
]

PACES = ("real", "20x", "at once")
"""How fast a fully simulated bench may run; anything else runs in real time."""

ENOUGH = 3
"""Temperatures that a plan needs before its readings can name a fault."""

_SPEED = 20.0


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
class ReadyRun:
    """A prepared run, where its record would go, and an earlier one that could be gone on with.

    `told` is what a person wrote about it. `self_tested` is what the record is to say of a
    self-test that came before; `unsound` what that has found where the run must not begin.
    """

    prepared: Prepared
    record: Path
    unfinished: Unfinished | None
    told: Told = field(default_factory=Told)
    self_tested: str | None = None
    unsound: str = ""

    @property
    def seconds(self) -> float:
        """The least time the run takes, readings that are typed left out."""
        profile = self.prepared.inputs.plan.profile
        if profile is not None:
            return profile.lead_s + (self.prepared.resolved.steps[-1].planned_s or 0.0)
        return estimate_s(self.prepared.resolved.steps, self.prepared.resolved)


def ready(
    plan_path: Path,
    bench_path: Path | None,
    runs: Path,
    port_of: Callable[[Path | None], str | None] = lambda _bench: None,
) -> ReadyRun:
    """Read, resolve and check everything. Raises InputError with every reason against it.

    `port_of` returns the port that was picked for a bench file, None: the one it names.
    """
    from controller.session.prepared import prepare, unfinished_record
    from controller.session.recording import new_record

    prepared = prepare(plan_path, bench_path, port_of=port_of)
    kind = prepared.inputs.plan.kind
    if prepared.inputs.second is not None:
        on = "" if bench_path is None else f" --bench {bench_path}"
        raise InputError.single(
            "a plan with two inputs is run from the command line, which shows both",
            where=str(plan_path),
            key="second",
            hint=f"rungwise {kind.verb} {plan_path}{on}",
        )
    return ReadyRun(
        prepared=prepared,
        record=new_record(runs, plan_path.stem),
        unfinished=unfinished_record(prepared, runs),
    )


def begin_run(
    run: ReadyRun,
    *,
    pace: str,
    changed: Callable[[], None],
    resume: bool = False,
    clock: Clock | None = None,
) -> EngineThread:
    """Begin the record and return the thread that will run the plan. Raises InputError."""
    from controller.session.jobs import sweeping

    clock = clock or clock_for(pace if run.prepared.simulated else "real")
    unfinished = run.unfinished if resume else None
    setup = sweeping(
        run.prepared,
        record=run.record if unfinished is None else unfinished.path,
        pace="real" if isinstance(clock, RealClock) else "fast",
        clock=clock,
        resume=unfinished is not None,
    )
    setup = replace(setup, self_tested=run.self_tested)
    return engine_of(setup, begin(setup.plan, setup.earlier), changed)


def begin_self_test(run: ReadyRun, *, changed: Callable[[], None]) -> EngineThread:
    """Begin the self-test before a run, with a record beside the run's. Raises InputError."""
    from controller.session.self_test_first import begin_self_test as begun

    run.record.parent.mkdir(parents=True, exist_ok=True)
    setup = begun(run.prepared, record=run.record)
    return engine_of(setup, RunView(plan=setup.plan), changed)


@dataclass(frozen=True, kw_only=True)
class HandBench:
    """A bench for single values.

    `sensor` says what a temperature is, None: only ohm may be set. `module` is what the ladder
    drives, as far as a file says.
    """

    bench: BenchFile
    sensor: Sensor | None
    module: Module | None
    finder: Finder

    def with_sensor(self, path: Path) -> HandBench:
        """Return the same bench with another sensor's curve. Raises InputError."""
        from controller.sensors.files import load_sensor

        return hand_bench(self.bench, load_sensor(path), self.module)


def prepare_bench(
    bench_path: Path | None,
    plan_path: Path | None = None,
    port_of: Callable[[Path | None], str | None] = lambda _bench: None,
) -> HandBench:
    """Read a bench for setting values by hand, with the sensor of a plan.

    Without a bench's file it is the plan's bench; without a plan the bench's own module says which
    sensor; without both it is the simulated one. Raises InputError.
    """
    from controller.bench.default import default_bench
    from controller.bench.files import load_bench
    from controller.planning.single_value import stand_in_sensor
    from controller.records.inputs import load_inputs
    from controller.session.ports import on_port

    if plan_path is not None:
        inputs = load_inputs(plan_path, bench_path)
        return hand_bench(on_port(inputs.bench, port_of), inputs.plan.sensor, inputs.module)
    bench: BenchFile = load_bench(bench_path) if bench_path else default_bench(stand_in_sensor())
    module = bench.module
    return hand_bench(
        on_port(bench, port_of), module.sensor if module is not None else None, module
    )


def hand_bench(bench: BenchFile, sensor: Sensor | None, module: Module | None) -> HandBench:
    """Make ready what finds states for values on a bench; the ratings are held at its module."""
    from controller.planning.single_value import Finder

    driven = replace(bench, module=module)
    finder = Finder(driven, sensor.curve if sensor is not None else None)
    return HandBench(bench=bench, sensor=sensor, module=module, finder=finder)


def begin_by_hand(
    found: HandBench,
    *,
    runs: Path,
    changed: Callable[[], None],
    clock: Clock | None = None,
) -> EngineThread:
    """Begin a session of single values; it leaves a record where real relays move."""
    from controller.session.jobs import by_hand, hand_plan
    from controller.session.recording import new_record

    bench = found.bench
    plan = hand_plan(replace(bench, module=found.module))
    record = new_record(runs, "by-hand") if bench.drives_hardware else None
    setup = by_hand(bench, plan=plan, clock=clock or RealClock(), record=record)
    return engine_of(setup, RunView(plan=setup.plan), changed)


def telling_plan(plan: Plan, among: Iterable[Path], *, second: bool = False) -> Path | None:
    """Return the shortest plan of the same sensor with enough temperatures to name a fault.

    `second` is whether the bench has a second ladder; without it no plan of two inputs will do.
    None where the plan itself has enough, or no other one has.
    """
    from controller.planning.files import load_plan
    from controller.sensors.alike import same_curve

    if _temperatures(plan) >= ENOUGH:
        return None
    found: list[tuple[bool, int, Path]] = []
    for path in among:
        try:
            other = load_plan(path)
        except InputError:
            continue
        two = other.second is not None
        enough = other.kind.resumable and _temperatures(other) >= ENOUGH
        if enough and (second or not two) and same_curve(plan.sensor.curve, other.sensor.curve):
            found.append((two, len(other.targets), path))
    return min(found)[2] if found else None


def _temperatures(plan: Plan) -> int:
    return len({target.celsius for target in plan.targets if target.celsius is not None})


def engine_of(setup: Setup, view: RunView, changed: Callable[[], None]) -> EngineThread:
    """Return the thread that will carry out what is set up, not yet started."""
    from controller.ladder.electrical import Output, output_of
    from controller.session.session import Session

    ladder = setup.bench.ladder
    view = replace(view, parks_open=output_of(ladder, ladder.park_state) is Output.OPEN)
    return EngineThread(
        open_session=lambda lines, say: Session(setup, lines=lines, write=say),
        view=view,
        clock=setup.clock,
        changed=changed,
    )
