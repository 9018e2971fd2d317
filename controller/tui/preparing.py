"""From what the screen was asked for to the thread that will do it.

Knows: sessions, clocks and paces, the engine thread.
Must not know: Textual, how a run is shown.

Nothing is driven here, and no record is begun before `begin_run` or `begin_by_hand`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from controller.clock import Clock, PacedClock, RealClock, VirtualClock
from controller.errors import InputError
from controller.tui.engine_thread import EngineThread
from controller.tui.view import RunView, begin, estimate_s

if TYPE_CHECKING:
    from controller.bench.files import BenchFile
    from controller.planning.single_value import Finder
    from controller.sensors.curve import Sensor
    from controller.session.prepared import Prepared, Unfinished
    from controller.session.session import Setup

__all__ = ["PACES", "ReadyRun", "begin_by_hand", "begin_run", "clock_for", "prepare_bench", "ready"]

PACES = ("real", "20x", "at once")
"""How fast a bench that is simulated altogether may run; anything else runs in real time."""

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
    """A prepared run, where its record would go, and an earlier one that could be gone on with."""

    prepared: Prepared
    record: Path
    unfinished: Unfinished | None

    @property
    def seconds(self) -> float:
        """The least time the run takes, readings that are typed left out."""
        return estimate_s(self.prepared.resolved.steps, self.prepared.resolved)


def ready(plan_path: Path, bench_path: Path | None, runs: Path) -> ReadyRun:
    """Read, resolve and check everything. Raises InputError with every reason against it."""
    from controller.session.prepared import prepare, unfinished_record
    from controller.session.recording import new_record

    prepared = prepare(plan_path, bench_path)
    kind = prepared.inputs.plan.kind
    if not kind.resumable:
        raise InputError.single(
            f"a {kind.value} is run from the command line",
            where=str(plan_path),
            hint=f"rungwise {kind.verb} {plan_path}",
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
    return _thread(setup, begin(setup.plan, setup.earlier), changed)


def prepare_bench(bench_path: Path | None) -> tuple[BenchFile, Finder, Sensor | None]:
    """Read a bench for setting values by hand; the simulated one without a file."""
    from controller.bench.files import default_bench, load_bench
    from controller.planning.single_value import Finder, stand_in_sensor

    bench: BenchFile = load_bench(bench_path) if bench_path else default_bench(stand_in_sensor())
    sensor = bench.module.sensor if bench.module is not None else None
    return bench, Finder(bench, sensor.curve if sensor else None), sensor


def begin_by_hand(
    bench: BenchFile,
    *,
    runs: Path,
    changed: Callable[[], None],
    clock: Clock | None = None,
) -> EngineThread:
    """Begin a session of single values; it leaves a record where real relays move."""
    from controller.session.jobs import by_hand
    from controller.session.recording import new_record

    record = new_record(runs, "by-hand") if bench.drives_hardware else None
    setup = by_hand(bench, clock=clock or RealClock(), record=record)
    return _thread(setup, RunView(plan=setup.plan), changed)


def _thread(setup: Setup, view: RunView, changed: Callable[[], None]) -> EngineThread:
    from controller.session.session import Session

    return EngineThread(
        open_session=lambda lines, say: Session(setup, lines=lines, write=say),
        view=view,
        clock=setup.clock,
        changed=changed,
    )
