"""What the screens ask for that takes several steps: read, ask, begin, show.

Knows: in which order files are read, questions are asked and an engine is begun.
Must not know: how anything is shown or driven.

Each flow ends where a person says no. Nothing is driven before the last question is answered.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Hashable
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

from controller.cautions import SEARCH_CAUTION
from controller.errors import InputError, RungwiseError
from controller.tui.dialogs import Ask, PickOne, PickRecord, Working, ask_cautions
from controller.tui.parts import Part, Tone
from controller.tui.scale import Scale
from controller.tui.screens.base import refusal
from controller.tui.shell import Shell
from controller.tui.text import one_line
from controller.tui.workshop import look_around

if TYPE_CHECKING:
    from controller.bench.model import BenchFile
    from controller.records.replay import Replay
    from controller.session.ports import PortFound
    from controller.tui.preparing import ReadyRun

__all__ = [
    "by_hand",
    "compare_with",
    "open_record",
    "pick_port",
    "pick_sensor",
    "prepare",
    "self_test",
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
        run = await _worked(
            app, "Preparing the plan …", lambda: ready(plan, bench, app.runs, app.kept.port)
        )
    except RungwiseError as error:
        await _refuse(app, "This plan cannot be run", error)
        return
    if run.prepared.typed and run.prepared.bench.typed_unit == "F":
        app.use_scale(Scale.FAHRENHEIT)  # what the bench's file says the tool shows
    app.keep(app.kept.with_choice(app.folder, plan, bench))
    app.push_screen(ReadyScreen(run))


async def start_run(app: Shell, run: ReadyRun, *, pace: str, resume: bool) -> None:
    """Ask what has to be asked, then run."""
    from controller.reports.told import Told
    from controller.session.handover import keep_told
    from controller.tui.preparing import begin_run
    from controller.tui.screens.run import RunScreen

    prepared, plan = run.prepared, run.prepared.resolved
    if (
        app.busy()
        or not await _sound(app, run)
        or not await _port_is_there(app, prepared.bench)
        or not await _cautioned(
            app,
            prepared.bench,
            plan.short_circuit_amperes,
            plan.most_watts,
            () if prepared.inputs.plan.search is None else (SEARCH_CAUTION,),
        )
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
    if run.told != Told():
        try:
            keep_told(app.record_path, run.told)
        except RungwiseError as error:
            app.say(f"What was written about the machine is not kept: {error}", Tone.DOUBT)
    app.begin(engine)
    app.switch_screen(RunScreen(run, engine))


async def self_test(app: Shell, run: ReadyRun, done: Callable[[ReadyRun], None]) -> None:
    """Ask what has to be asked, then test the ladder of a run."""
    from controller.session.self_test_first import caution_before, unplugs_module, way_before
    from controller.tui.preparing import begin_self_test
    from controller.tui.screens.self_test import SelfTestScreen

    prepared = run.prepared
    bench, by_hand = prepared.bench, unplugs_module(prepared)
    if app.busy() or not await _port_is_there(app, bench):
        return
    try:
        plan = prepared.resolved
        if not await _cautioned(app, bench, plan.short_circuit_amperes, plan.most_watts):
            return
        reasons = [Part(f"Moves every relay, there and back; tested by {way_before(prepared)}.")]
        if (caution := caution_before(prepared)) is not None:
            reasons.append(Part(caution, Tone.DOUBT))
        if by_hand:
            reasons.append(Part("Unplug the ladder from the module and connect the meter."))
        question = Ask("Self-test of the ladder", reasons, yes="Test it; the relays move")
        if bench.drives_hardware and not await app.push_screen_wait(question):
            return
        engine = begin_self_test(run, changed=app.engine_changed)
    except RungwiseError as error:
        await _refuse(app, "The ladder cannot be tested here", error)
        return
    app.begin(engine)
    app.push_screen(SelfTestScreen(run, engine, done, replug=by_hand))


async def by_hand(app: Shell, bench_path: Path | None, plan_path: Path | None) -> None:
    """Open a bench for single values, with the sensor of a plan."""
    from controller.tui.preparing import begin_by_hand, prepare_bench
    from controller.tui.screens.hand import HandScreen

    if app.busy():
        return
    try:
        found = await _worked(
            app,
            "Preparing the bench …",
            lambda: prepare_bench(bench_path, plan_path, app.kept.port),
        )
        bench = found.bench
        module = found.module
        amperes = None if module is None else module.short_circuit_amperes
        watts = None if module is None else module.most_watts
        if not await _port_is_there(app, bench):
            return
        if not await _cautioned(app, bench, amperes, watts):
            return
        engine = begin_by_hand(found, runs=app.runs, changed=app.engine_changed, clock=app.clock)
    except RungwiseError as error:
        await _refuse(app, "This bench cannot be used", error)
        return
    app.begin(engine)
    app.push_screen(HandScreen(found, engine))


async def pick_port(app: Shell, bench_path: Path | None) -> None:
    """Show who answers on which port, and pick one for a bench with a serial link."""
    from controller.bench.files import load_bench
    from controller.session.ports import find_ports

    if app.busy():
        return
    ports = await _worked(app, "Asking each serial port who is there …", find_ports)
    try:
        bench = None if bench_path is None else await asyncio.to_thread(load_bench, bench_path)
    except RungwiseError as error:
        await _refuse(app, "This bench cannot be used", error)
        return
    if bench is None or bench_path is None or not bench.drives_hardware:
        told = [Part(_port_line(one)) for one in ports] or [
            Part("No serial port was found on this machine.")
        ]
        told.append(Part("To pick one, mark a bench with a serial link first.", Tone.FAINT))
        await app.push_screen_wait(Ask("Serial ports", told, yes=None, no="Close"))
        return
    lines: list[tuple[Hashable, Part]] = [
        (None, Part(f"{one_line(bench.url or '')}: as the bench's file says")),
        *((one.port, Part(_port_line(one))) for one in ports),
    ]
    picked = await app.push_screen_wait(PickOne(f"Port for {one_line(bench.name)}", lines))
    if picked is None:
        return
    [port] = picked
    app.keep(app.kept.with_port(bench_path, None if port is None else str(port)))
    app.show_anew()


def _port_line(one: PortFound) -> str:
    return f"{one_line(one.port)}: {one_line(one.answer)} ({one_line(one.description)})"


async def pick_sensor(app: Shell) -> Path | None:
    """Ask for one of the sensors in the folder."""
    around = await asyncio.to_thread(look_around, app.folder, app.runs)
    picked = await app.push_screen_wait(PickRecord("Temperatures by the curve of", around.sensors))
    return None if picked is None else picked.path


async def open_record(app: Shell, path: Path) -> None:
    """Show a record."""
    from controller.tui.screens.record import GivenUp, RecordScreen, load

    given_up = False

    def going_on() -> None:
        if given_up:
            raise GivenUp

    try:
        loaded = await _worked(
            app, "Reading and proving the record …", lambda: load(path, going_on)
        )
    except RungwiseError as error:
        await _refuse(app, "This record cannot be shown", error)
        return
    finally:
        given_up = True
    app.push_screen(RecordScreen(loaded))


async def compare_with(app: Shell, path: Path) -> None:
    """Ask for a second record and show both."""
    from controller.tui.screens.about import record_lines
    from controller.tui.screens.compare import CompareScreen, compare_records

    around = await asyncio.to_thread(look_around, app.folder, app.runs)
    others = [one for one in around.records if one.path.absolute() != path.absolute()]
    lines = await _worked(app, "Reading the list of records …", lambda: record_lines(others))
    picked = await app.push_screen_wait(
        PickRecord(f"Compare {one_line(path.name)} with", others, lines)
    )
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
    app: Shell,
    bench: BenchFile,
    amperes: float | None,
    watts: float | None,
    first: tuple[str, ...] = (),
) -> bool:
    """Show the cautions once for each bench with real relays; return whether to go on.

    What comes `first` has to be read as well.
    """
    key = " ".join((str(bench.path), str(bench.url), *first))
    if not bench.drives_hardware or key in app.cautions_read:
        return True
    if not await app.push_screen_wait(ask_cautions(amperes, watts, bench.cautions, first=first)):
        return False
    app.cautions_read.add(key)
    return True


async def _sound(app: Shell, run: ReadyRun) -> bool:
    """Refuse a run on a ladder whose last self-test failed, and say how to go on."""
    from controller.session.self_test_first import DESPITE, require_no_failed_self_test

    prepared = run.prepared
    words = f"rungwise {prepared.inputs.plan.kind.verb} {prepared.inputs.plan.path}"
    hint = f"mend it; t on this page tests it again; {words} {DESPITE} runs all the same"
    try:
        require_no_failed_self_test(prepared.bench, despite=False, hint=hint)
        if run.unsound:
            raise InputError.single(run.unsound, where=prepared.bench.name, hint=hint)
    except RungwiseError as error:
        await _refuse(app, "The ladder has failed its self-test", error)
        return False
    return True


async def _port_is_there(app: Shell, bench: BenchFile) -> bool:
    """Say so at once where a bench's port is not there: nobody is to read cautions for nothing."""
    from controller.session.ports import missing_port

    port = missing_port(bench)
    if port is None:
        return True
    parts = [
        Part(f"✗ {one_line(port)}: there is no such port", Tone.BAD),
        Part("Plug the ladder in, or pick another port: p on the first screen lists them."),
        Part("Nothing was driven."),
    ]
    await app.push_screen_wait(Ask("The ladder's port is not there", parts, yes=None, no="Close"))
    return False


async def _refuse(app: Shell, title: str, error: RungwiseError) -> None:
    parts = [*refusal(error, app.scale), Part("Nothing was driven.")]
    await app.push_screen_wait(Ask(title, parts, yes=None, no="Close"))


def _ask_extremes(run: ReadyRun, scale: Scale) -> Ask:
    from controller.tui.screens.ready import extreme_parts

    shown = list(extreme_parts(run.prepared.resolved, scale))
    shown.append(Part("The module may store fault codes, and a cooling fan may start: keep clear."))
    name = one_line(run.prepared.resolved.name)
    return Ask(f"{name} drives an extreme", shown, yes="Start; the relays move")
