"""What the torture needs: a small plan, a bench in memory, and how a row of the table looks."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import lru_cache, partial
from pathlib import Path
from typing import Any

from controller.bench.exposing import ExposingLink
from controller.bench.opened import Bench
from controller.clock import VirtualClock
from controller.ladder.electrical import state_ohms
from controller.links.simulated import FaultHook, SimulatedChannel, SimulatedDevice
from controller.module.model import ModuleReport
from controller.module.simulate import SimulatedModule
from controller.readback.simulated import SimulatedReadback
from controller.run.events import Event
from controller.run.job import run_events
from controller.run.model import RunSummary, StepResult
from controller.run.sweep import SweepRun
from controller.session import session as session_module
from controller.session.prepared import Prepared, prepare

REPOSITORY = Path(__file__).resolve().parents[2]
SWEEPS = REPOSITORY / "sweeps"
HOLD_OFF_MS = 2000

Row = dict[str, Any]


def row(name: str, tried: int, wrong: int, *, also: str = "", aim: int = 0) -> Row:
    """Return a row: how often it was tried, how often it went wrong, and what else was counted."""
    return {
        "name": name,
        "tried": tried,
        "wrong": wrong,
        "aim": aim,
        "met": tried > 0 and wrong <= aim,
        "also": also,
    }


def write_files(
    folder: Path,
    *,
    steps: int = 8,
    for_s: float = 0.5,
    hold_off_ms: int = HOLD_OFF_MS,
    link: str = 'kind = "simulated"',
    interval_s: float = 0.25,
) -> tuple[Path, Path]:
    """Write a plan of so many steps, and its bench; return their names."""
    folder.mkdir(parents=True, exist_ok=True)
    targets = ", ".join(str(celsius) for celsius in (0, 20, 40, 60, 80, 100, 60, 20)[:steps])
    plan, bench = folder / "plan.toml", folder / "bench.toml"
    plan.write_text(
        f"""\
format = "rungwise-plan/1"
kind = "sweep"
sensor = "{SWEEPS}/sensors/tern-coolant.toml"
module = "{SWEEPS}/modules/tern-aux-diesel.toml"
tolerance_celsius = 4
[settle]
within_celsius = 0.5
for_s = {for_s}
at_most_s = 12
[[targets]]
celsius = [{targets}]
""",
        encoding="utf-8",
    )
    bench.write_text(
        f"""\
format = "rungwise-bench/1"
name = "Tortured bench"
ladder = "{SWEEPS}/ladders/bench-16.toml"
hold_off_ms = {hold_off_ms}
[link]
{link}
[readback]
kind = "simulated"
[simulation]
module = "{SWEEPS}/modules/tern-aux-diesel.toml"
reading_interval_s = {interval_s}
""",
        encoding="utf-8",
    )
    return plan, bench


@lru_cache(maxsize=8)
def prepared(folder: Path, steps: int = 8) -> Prepared:
    """Return a plan on its bench, ready to be run as often as wished."""
    return prepare(*write_files(folder, steps=steps))


@dataclass
class Ran:
    """What came of a run, seen from both ends of the line."""

    results: tuple[StepResult, ...]
    summary: RunSummary
    latched: list[tuple[float, int]]
    device: SimulatedDevice
    exchanges: int
    faults: int
    events: list[Event] = field(repr=False, default_factory=list)

    @property
    def changes(self) -> list[int]:
        """The states the device latched, without those that change nothing."""
        states = [state for _, state in self.latched]
        return [state for i, state in enumerate(states) if not i or state != states[i - 1]]


Wrap = Callable[[SimulatedChannel, SimulatedDevice, VirtualClock], Any]


def run_on_line(
    ready: Prepared,
    hook: FaultHook | None = None,
    *,
    wrap: Wrap = lambda channel, _device, _clock: channel,
    told: bool = True,
) -> Ran:
    """Run a plan over a line in memory, in virtual time.

    The module is told of the states the link has acknowledged, as with a board that has nothing
    wired to it; with `told` False it sees what the device latches.
    """
    from controller.links.session_link import SessionLink

    clock, bench_file = VirtualClock(), ready.bench
    ladder = bench_file.ladder
    assert bench_file.module is not None
    latched: list[tuple[float, int]] = []
    counted = {"sent": 0, "struck": 0}
    module = SimulatedModule(
        bench_file.module, (), 1, start_s=0.0, start_ohms=state_ohms(ladder, ladder.park_state)
    )
    newest_s = 0.0

    def expose(at_s: float, state: int) -> None:
        nonlocal newest_s
        newest_s = max(newest_s, at_s)
        module.expose(newest_s, state_ohms(ladder, state))

    def on_latch(at_s: float, state: int) -> None:
        latched.append((at_s, state))
        if not told:
            expose(at_s, state)

    def struck(*sending: Any) -> Any:
        counted["sent"] += 1
        fault = hook(*sending) if hook is not None else None
        counted["struck"] += fault is not None
        return fault

    device = SimulatedDevice(
        relay_count=ladder.relay_count,
        park_state=ladder.park_state,
        clock=clock,
        on_latch=on_latch,
    )
    link: Any = SessionLink(wrap(SimulatedChannel(device, faults=struck), device, clock), clock)
    if told:
        link = ExposingLink(link, clock, expose, park_state=bench_file.ladder.park_state)

    def sample() -> ModuleReport:
        nonlocal newest_s
        if told:
            link.feed()
        else:
            device.catch_up()
        newest_s = max(newest_s, clock.now_s())
        return module.report(newest_s)

    readback = SimulatedReadback("module", sample, clock, bench_file.reading_interval_s)
    bench = Bench(
        name="tortured",
        ladder=ladder,
        link=link,
        readback=readback,
        hold_off_ms=bench_file.hold_off_ms,
        drives_hardware=False,
    )
    job = SweepRun(ready.resolved, bench, clock)
    events = list(run_events(job))
    ending: Any = events[-1]
    ran = Ran(
        results=job.results,
        summary=ending.summary,
        latched=list(latched),
        device=device,
        exchanges=counted["sent"] // 2,
        faults=counted["struck"],
        events=events,
    )
    bench.close()
    return ran


@contextmanager
def opened_by(**changes: Any) -> Iterator[None]:
    """Let sessions open their bench with other arguments, faults of the line for example."""
    before = session_module.open_bench
    session_module.open_bench = partial(before, **changes)
    try:
        yield
    finally:
        session_module.open_bench = before
