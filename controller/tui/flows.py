"""What the screens ask for that takes several steps: read, ask, begin, show.

Knows: in which order files are read, questions are asked and an engine is begun.
Must not know: how anything is shown or driven.

Each flow ends where a person says no. Nothing is driven before the last question is answered.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

from controller.errors import RungwiseError
from controller.tui.dialogs import Ask, PickRecord, Working, ask_cautions
from controller.tui.parts import Part
from controller.tui.scale import Scale
from controller.tui.screens.base import refusal
from controller.tui.shell import Shell
from controller.tui.text import one_line
from controller.tui.workshop import look_around

if TYPE_CHECKING:
    from controller.bench.files import BenchFile
    from controller.records.replay import Replay
    from controller.tui.preparing import ReadyRun

__all__ = [
    "by_hand",
    "compare_with",
    "open_record",
    "pick_sensor",
    "prepare",
    "show_replay",
    "start_run",
]

_Made = TypeVar("_Made")

SILENT_S = 0.3
"""What takes longer says that it works."""


async def _worked(app: Shell, told: str, make: Callable[[], _Made]) -> _Made:
    """Do something on another thread; once it takes long say so, and let it be given up.

    Given up, the flow ends here: what the thread still brings is dropped.
    """
    work = asyncio.ensure_future(asyncio.to_thread(make))
    done, _ = await asyncio.wait({work}, timeout=SILENT_S)
    if not done:
        screen = Working(told)
        given_up = asyncio.ensure_future(app.push_screen_wait(screen))
        await asyncio.wait({work, given_up}, return_when=asyncio.FIRST_COMPLETED)
        if given_up.done():
            work.add_done_callback(lambda late: late.cancelled() or late.exception())
            raise asyncio.CancelledError
        screen.dismiss(None)
        await given_up
    return work.result()


async def prepare(app: Shell, plan: Path, bench: Path | None) -> None:
    """Read and resolve a plan, then show what it would do."""
    from controller.tui.preparing import ready
    from controller.tui.screens.ready import ReadyScreen

    if app.busy():
        return
    try:
        run = await _worked(app, "Preparing the plan …", lambda: ready(plan, bench, app.runs))
    except RungwiseError as error:
        await _refuse(app, "This plan cannot be run", error)
        return
    if run.prepared.typed and run.prepared.bench.typed_unit == "F":
        app.use_scale(Scale.FAHRENHEIT)  # what the bench's file says the tool shows
    app.push_screen(ReadyScreen(run))


async def start_run(app: Shell, run: ReadyRun, *, pace: str, resume: bool) -> None:
    """Ask what has to be asked, then run."""
    from controller.tui.preparing import begin_run
    from controller.tui.screens.run import RunScreen

    prepared, plan = run.prepared, run.prepared.resolved
    if app.busy() or not await _cautioned(
        app, prepared.bench, plan.short_circuit_amperes, plan.most_watts
    ):
        return
    if prepared.extremes and not await app.push_screen_wait(_ask_extremes(run, app.scale)):
        return
    try:
        engine = begin_run(
            run, pace=pace, resume=resume, changed=app.engine_changed, clock=app.clock
        )
    except RungwiseError as error:
        await _refuse(app, "The run cannot begin", error)
        return
    unfinished = run.unfinished
    goes_on = resume and unfinished is not None
    app.record_path = unfinished.path if goes_on and unfinished else run.record
    app.begin(engine)
    app.switch_screen(RunScreen(run, engine))


async def by_hand(app: Shell, bench_path: Path | None, plan_path: Path | None) -> None:
    """Open a bench for single values, with the sensor of a plan."""
    from controller.tui.preparing import begin_by_hand, prepare_bench
    from controller.tui.screens.hand import HandScreen

    if app.busy():
        return
    try:
        found = await _worked(
            app, "Preparing the bench …", lambda: prepare_bench(bench_path, plan_path)
        )
        bench = found.bench
        module = found.module
        amperes = None if module is None else module.short_circuit_amperes
        watts = None if module is None else module.most_watts
        if not await _cautioned(app, bench, amperes, watts):
            return
        engine = begin_by_hand(found, runs=app.runs, changed=app.engine_changed, clock=app.clock)
    except RungwiseError as error:
        await _refuse(app, "This bench cannot be used", error)
        return
    app.begin(engine)
    app.push_screen(HandScreen(found, engine))


async def pick_sensor(app: Shell) -> Path | None:
    """Ask for one of the sensors in the folder."""
    around = await asyncio.to_thread(look_around, app.folder, app.runs)
    picked = await app.push_screen_wait(PickRecord("Temperatures by the curve of", around.sensors))
    return None if picked is None else picked.path


async def open_record(app: Shell, path: Path) -> None:
    """Show a record."""
    from controller.tui.screens.record import RecordScreen, load

    try:
        loaded = await _worked(app, "Reading and proving the record …", lambda: load(path))
    except RungwiseError as error:
        await _refuse(app, "This record cannot be shown", error)
        return
    app.push_screen(RecordScreen(loaded))


async def compare_with(app: Shell, path: Path) -> None:
    """Ask for a second record and show both."""
    from controller.tui.screens.compare import CompareScreen, compare_records

    around = await asyncio.to_thread(look_around, app.folder, app.runs)
    others = [one for one in around.records if one.path.absolute() != path.absolute()]
    picked = await app.push_screen_wait(PickRecord(f"Compare {one_line(path.name)} with", others))
    if picked is None:
        return
    try:
        runs = await _worked(app, "Comparing …", lambda: compare_records(path, picked.path))
    except RungwiseError as error:
        await _refuse(app, "These cannot be compared", error)
        return
    app.push_screen(CompareScreen(runs))


def show_replay(app: Shell, name: str, outcome: Replay) -> None:
    """Show a record beside its run on the simulated bench."""
    from controller.session.two_runs import replayed
    from controller.tui.screens.compare import CompareScreen

    app.push_screen(CompareScreen(replayed(name, outcome)))


async def _cautioned(
    app: Shell, bench: BenchFile, amperes: float | None, watts: float | None
) -> bool:
    """Show the cautions once for each bench with real relays; return whether to go on."""
    key = f"{bench.path} {bench.url}"
    if not bench.drives_hardware or key in app.cautions_read:
        return True
    if not await app.push_screen_wait(ask_cautions(amperes, watts)):
        return False
    app.cautions_read.add(key)
    return True


async def _refuse(app: Shell, title: str, error: RungwiseError) -> None:
    parts = [*refusal(error), Part("Nothing was driven.")]
    await app.push_screen_wait(Ask(title, parts, yes=None, no="Close"))


def _ask_extremes(run: ReadyRun, scale: Scale) -> Ask:
    from controller.tui.screens.ready import extreme_parts

    shown = list(extreme_parts(run.prepared.resolved, scale))
    shown.append(Part("The module may store fault codes, and a cooling fan may start: keep clear."))
    name = one_line(run.prepared.resolved.name)
    return Ask(f"{name} drives an extreme", shown, yes="Start; the relays move")
