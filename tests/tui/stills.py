"""Screens held still: what snapshots compare and what pictures are made of.

Knows: how to bring the app to a state in which nothing moves any more.
Must not know: tests, files of pictures.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from contextlib import closing, suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from textual.pilot import Pilot
from textual.screen import Screen
from textual.widgets import Input, OptionList
from textual.worker import WorkerCancelled

from controller.bench.wiring import open_bench
from controller.clock import VirtualClock
from controller.errors import RelayKnowledge
from controller.run.events import Event, PromptOpened, ReadingSeen, StepFinished
from controller.run.job import run_events
from controller.run.sweep import SweepRun
from controller.tui.app import RungwiseApp
from controller.tui.dialogs import ask_cautions
from controller.tui.engine_thread import Picture
from controller.tui.preparing import ReadyRun, prepare_bench, ready
from controller.tui.screens.compare import CompareScreen, compare_records
from controller.tui.screens.hand import HandScreen
from controller.tui.screens.ready import ReadyScreen
from controller.tui.screens.record import RecordScreen, load
from controller.tui.screens.run import RunScreen
from controller.tui.view import RunView, after, begin

__all__ = ["STILLS", "arrived", "build_app", "settled"]

WORKSHOP = Path("workshop")
"""Relative to this file's folder, so that no picture depends on where the project lies."""

RECORDED = Path("../../sweeps/recorded")


WAITING = ("start", "prepare", "record", "said", "palette", "note")
"""Groups of workers that wait for a person."""


class StillClock(VirtualClock):
    """A clock that does not move."""

    def __init__(self, at_s: float) -> None:
        super().__init__()
        super().sleep_s(at_s)

    def sleep_s(self, seconds: float) -> None:
        """Stay."""


@dataclass
class StillEngine:
    """Stands in for the engine's thread: one picture and nothing else."""

    picture: Picture
    clock: VirtualClock
    job: Any = None
    stopping: bool = False

    @property
    def alive(self) -> bool:
        return self.picture.alive

    def stop(self) -> None:
        self.stopping = True

    def join(self, timeout_s: float | None = None) -> bool:
        return True

    def answer(self, line: str) -> None:
        del line


def build_app(theme: str, *, ascii_only: bool = False) -> RungwiseApp:
    """Return the app on the invented workshop."""
    app = RungwiseApp(WORKSHOP, runs=Path("no-runs-here"), theme=theme, ascii_only=ascii_only)
    app.animation_level = "none"
    return app


def _prepared(plan: str, bench: str | None = None) -> ReadyRun:
    bench_path = WORKSHOP / "benches" / bench if bench else None
    found = ready(WORKSHOP / "plans" / plan, bench_path, Path("no-runs-here"))
    return replace(found, record=Path("runs") / plan.replace(".toml", "-20260102T030405Z.jsonl"))


def _events(prepared: ReadyRun, answers: list[str]) -> list[Event]:
    clock = VirtualClock()
    lines = iter(answers)
    given: list[str] = []

    def line() -> str | None:
        return given.pop() if given else None

    events: list[Event] = []
    with closing(
        open_bench(prepared.prepared.bench, clock, lines=line, write=lambda _: None)
    ) as bench:
        for event in run_events(SweepRun(prepared.prepared.resolved, bench, clock)):
            events.append(event)
            if isinstance(event, PromptOpened):
                clock.sleep_s(1.0)  # less than the hold-off
                given.append(next(lines, "stop"))
    return events


def _picture(prepared: ReadyRun, events: list[Event], *, alive: bool) -> Picture:
    view: RunView = begin(prepared.prepared.resolved)
    for event in events:
        view = after(view, event)
    relays = RelayKnowledge.KNOWN if alive else RelayKnowledge.PARKED
    return Picture(view=view, number=1, alive=alive, port="simulated", relays=relays)


async def _run(pilot: Pilot[Any], prepared: ReadyRun, events: list[Event], *, alive: bool) -> None:
    app = pilot.app
    picture = _picture(prepared, events, alive=alive)
    engine = StillEngine(picture, StillClock(picture.view.now_s + 1.0))
    app.engine = engine
    app.record_path = prepared.record
    await app.push_screen(RunScreen(prepared, engine))
    await settled(pilot)


async def settled(pilot: Pilot[Any]) -> None:
    """Wait until layout, background work and what it shows have come to rest."""
    for _ in range(3):
        await pilot.pause()
        for field in pilot.app.screen.query(Input):
            field.cursor_blink = False
        waiting = [w for w in pilot.app.workers if w.group not in WAITING]
        if waiting:  # nothing means all
            with suppress(WorkerCancelled):  # a newer one of its group has taken its place
                await pilot.app.workers.wait_for_complete(waiting)
        await pilot.pause(0.04)


async def arrived(pilot: Pilot[Any], kind: type[Screen[Any]]) -> None:
    """Wait until a screen of a kind is on top, then until it has come to rest."""
    for _ in range(1500):
        if isinstance(pilot.app.screen, kind) and pilot.app.screen.is_mounted:
            break
        await pilot.pause(0.04)
    await settled(pilot)


async def choose(pilot: Pilot[Any]) -> None:
    """Show the first screen."""
    for _ in range(1500):
        if all(one.option_count for one in pilot.app.screen.query("#plans").results(OptionList)):
            break
        await pilot.pause(0.04)
    await settled(pilot)
    await pilot.pause(0.2)
    await settled(pilot)


async def ready_to_start(pilot: Pilot[Any]) -> None:
    """Show what a check would do."""
    await pilot.app.push_screen(ReadyScreen(_prepared("check.toml")))
    await settled(pilot)


async def cautions(pilot: Pilot[Any]) -> None:
    """Show the cautions over a bench with real relays."""
    prepared = _prepared("check.toml", "serial.toml")
    await pilot.app.push_screen(ReadyScreen(prepared))
    await settled(pilot)
    plan = prepared.prepared.resolved
    await pilot.app.push_screen(ask_cautions(plan.short_circuit_amperes, plan.most_watts))
    await settled(pilot)


async def asking(pilot: Pilot[Any]) -> None:
    """Show a check that waits for the third reading, half typed."""
    prepared = _prepared("check.toml")
    events = _events(prepared, ["-40", "21"])
    asked = [i for i, event in enumerate(events) if isinstance(event, PromptOpened)]
    await _run(pilot, prepared, events[: asked[2] + 1], alive=True)
    await pilot.press("8", "3")
    await settled(pilot)


async def checked(pilot: Pilot[Any]) -> None:
    """Show a finished check."""
    prepared = _prepared("check.toml")
    await _run(pilot, prepared, _events(prepared, ["-40", "21", "83.5", "130"]), alive=False)
    await settled(pilot)


async def sweeping(pilot: Pilot[Any]) -> None:
    """Show a sweep under way, with a reading of its twelfth step."""
    prepared = _prepared("sweep.toml")
    events = _events(prepared, [])
    done = [i for i, event in enumerate(events) if isinstance(event, StepFinished)][10]
    seen = next(
        i for i, event in enumerate(events) if i > done + 4 and isinstance(event, ReadingSeen)
    )
    await _run(pilot, prepared, events[: seen + 1], alive=True)


async def swept(pilot: Pilot[Any]) -> None:
    """Show a finished sweep with its diagnosis."""
    prepared = _prepared("sweep.toml")
    await _run(pilot, prepared, _events(prepared, []), alive=False)
    await settled(pilot)


async def by_hand(pilot: Pilot[Any]) -> None:
    """Show a value that would be set."""
    on = prepare_bench(WORKSHOP / "benches/corroded.toml", WORKSHOP / "plans/check.toml")
    bench = on.bench
    found = on.finder.find("20degC", bench.ladder.park_state)
    from controller.links.base import LinkStatus
    from controller.run.events import LinkReported, RelaysSet, RunStarted
    from controller.run.hold import plan_by_hand

    ladder = bench.ladder
    plan = plan_by_hand(park_state=ladder.park_state, state_digits=ladder.state_digits)
    status = LinkStatus(
        state=found.state, parked=False, moving=False, hold_off_expired=False, fault=False,
        restarted=False, hold_off_ms=2000, retries=0, dropped=0,
    )  # fmt: skip
    view = RunView(plan=plan)
    for event in (
        RunStarted(at_s=0.0, plan=plan, device_name="simulated ladder", first_step=0),
        RelaysSet(at_s=1.0, step_index=None, path=found.path, achieved_ohms=found.ohms),
        LinkReported(at_s=2.0, status=status),
    ):
        view = after(view, event)
    picture = Picture(view=view, number=1, port="simulated", relays=RelayKnowledge.KNOWN)
    engine = StillEngine(picture, StillClock(2.0))
    pilot.app.engine = engine
    screen = HandScreen(on, engine)
    screen._now = found
    await pilot.app.push_screen(screen)
    await settled(pilot)
    await pilot.press(*"2.5k")
    await settled(pilot)
    await settled(pilot)


async def record(pilot: Pilot[Any]) -> None:
    """Show a recorded sweep at its end."""
    await pilot.app.push_screen(RecordScreen(load(RECORDED / "coolant-corroded.jsonl")))
    await settled(pilot)


async def comparing(pilot: Pilot[Any]) -> None:
    """Show two recorded sweeps side by side."""
    healthy, corroded = (RECORDED / f"coolant-{name}.jsonl" for name in ("healthy", "corroded"))
    await pilot.app.push_screen(CompareScreen(compare_records(healthy, corroded)))
    await settled(pilot)


STILLS: dict[str, Callable[[Pilot[Any]], Awaitable[None]]] = {
    "choose": choose,
    "ready": ready_to_start,
    "cautions": cautions,
    "asking": asking,
    "checked": checked,
    "sweeping": sweeping,
    "swept": swept,
    "by-hand": by_hand,
    "record": record,
    "comparing": comparing,
}
