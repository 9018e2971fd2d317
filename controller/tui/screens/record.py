"""A record, stepped through or played at any speed.

Knows: films, and the same table and plots that a run has.
Must not know: links; nothing is driven here.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar, TypeVar

from textual import work
from textual.binding import Binding, BindingType
from textual.containers import VerticalScroll
from textual.timer import Timer
from textual.widget import Widget

from controller.errors import RungwiseError
from controller.measurement.model import Verdict
from controller.records.reader import Record, load_record, require_whole
from controller.reports.html import Told
from controller.run.events import StepFinished
from controller.session.handover import keep_told, page_beside, told_beside
from controller.tui.parts import Part, Tone
from controller.tui.playback import Film, film_at
from controller.tui.scale import Scale
from controller.tui.screens.base import BenchScreen, refusal
from controller.tui.screens.said import SaidForm, said_words
from controller.tui.sentences import sentence_on
from controller.tui.text import one_line
from controller.tui.view import RunView
from controller.tui.widgets.lines import PartsLine, Sentences
from controller.tui.widgets.steps_pane import StepsPane
from controller.tui.wording import (
    bar,
    duration,
    ending_words,
    live_words,
    result_words,
)

if TYPE_CHECKING:
    from controller.module.model import Module
    from controller.planning.model import ResolvedPlan
    from controller.sensors.curve import Sensor

__all__ = ["Loaded", "RecordScreen", "load"]

_Made = TypeVar("_Made")

_FRAME_S = 0.1
_SPEEDS = (0.1, 0.25, 0.5, 1.0, 2.0, 5.0, 10.0, 25.0, 100.0, 1000.0)


@dataclass(frozen=True)
class Loaded:
    """The film of a record; the sensor and module it was made with, where they can be read.

    `record` has its opening as its only line: what is to be done with the others reads them again.
    """

    record: Record
    film: Film
    sensor: Sensor | None
    module: Module | None


def load(path: Path) -> Loaded:
    """Read a record. Raises InputError."""
    from controller.records.inputs import inputs_of

    film, record = film_at(path)
    require_whole(path, record.broken)
    sensor = module = None
    try:
        inputs = inputs_of(record)
    except RungwiseError:
        pass  # a record without a plan file can still be looked at
    else:
        sensor, module = inputs.plan.sensor, inputs.module
    return Loaded(record, film, sensor, module)


class RecordScreen(BenchScreen):
    """The film of one record."""

    HELP = (
        "Right and left go from step to step, full stop and comma from line to line, space plays"
        " at the speed shown, plus and minus change it. G judges the record again and runs it on"
        " the simulated bench; D says which fault explains it; C compares it with another."
    )
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("space", "play", "Play/stop", tooltip="Play at the speed shown, or hold",
                id="record.play"),
        Binding("right", "step(1)", "Step on", tooltip="To the next step's result",
                id="record.on"),
        Binding("left", "step(-1)", "Step back", tooltip="To the step before", id="record.back"),
        Binding("full_stop", "line(1)", "Line on", show=False, tooltip="To the next line",
                id="record.line-on"),
        Binding("comma", "line(-1)", "Line back", show=False, tooltip="To the line before",
                id="record.line-back"),
        Binding("plus,equals_sign", "speed(1)", "Faster", show=False, tooltip="Play faster",
                id="record.faster"),
        Binding("minus", "speed(-1)", "Slower", show=False, tooltip="Play slower",
                id="record.slower"),
        Binding("home", "jump(0)", "Start", show=False, priority=True, tooltip="To the start",
                id="record.start"),
        Binding("end", "jump(1)", "End", show=False, priority=True, tooltip="To the end",
                id="record.end"),
        Binding("f6,v", "view", "View", tooltip="Steps, curve, errors (at 80 columns)",
                id="record.view"),
        Binding("c", "compare", "Compare", tooltip="Beside another record", id="record.compare"),
        Binding("g", "again", "Judge again", tooltip="Judge it again and run it simulated",
                id="record.again"),
        Binding("f", "failed", "Next fail", id="record.failed",
                tooltip="To the result of the next step that failed"),
        Binding("w", "report", "Write report", id="record.report",
                tooltip="Write it as a page to hand over, beside it (.html)"),
        Binding("d", "diagnose", "Diagnose", tooltip="Which fault explains it",
                id="record.diagnose"),
        Binding("escape", "app.leave", "Back", tooltip="Back", id="record.leave"),
    ]  # fmt: skip

    def __init__(self, loaded: Loaded) -> None:
        super().__init__(classes="-steps")
        self._loaded = loaded
        self._film = loaded.film
        self._position = self._film.last
        self._view: RunView = self._film.at(self._position)
        self._time_s = self._film.time_s(self._position)
        self._speed = _SPEEDS.index(1.0)
        self._timer: Timer | None = None

    def body(self) -> Iterable[Widget]:
        """Return the table and the plots."""
        yield PartsLine(id="live")
        yield PartsLine(id="progress")
        yield StepsPane(
            self._film.plan,
            self._loaded.sensor,
            lambda: self._view,
            lambda: self.shell.scale,
            lambda: self.shell.details,
        )
        yield PartsLine(id="newest")
        yield VerticalScroll(Sentences(id="ending"), id="endbox", classes="-shown")

    def on_mount(self) -> None:
        """Open at the end: the result first."""
        pane = self.query_one(StepsPane)
        pane.begin(self._view.total)
        pane.table.focus()
        self._show()
        self.run_worker(self._make_ready(), exit_on_error=False)

    async def _make_ready(self) -> None:
        """Make what stepping and playing start from, after the end is in sight."""
        await asyncio.to_thread(self._film.reach)

    @property
    def playing(self) -> bool:
        """Whether the film runs."""
        return self._timer is not None

    @property
    def position(self) -> int:
        """How many events have happened."""
        return self._position

    def _go(self, position: int) -> None:
        self._position = max(0, min(position, self._film.last))
        self._view = self._film.at(self._position)
        self._time_s = self._film.time_s(self._position)
        self._show()

    def _show(self) -> None:
        view, film = self._view, self._film
        record = self._loaded.record
        state = Part("▶ playing", Tone.ACTIVE) if self.playing else Part("■ held", Tone.FAINT)
        # What moves on the line below and in the plots is the first input; the table has both.
        both = [] if film.plan.second is None else [Part(_two_inputs(film.plan), Tone.DOUBT)]
        self.headline(
            Part(one_line(record.path.name), Tone.STRONG),
            state,
            *both,
            Part(f"speed ×{_SPEEDS[self._speed]:g}"),
            Part("nothing is driven", Tone.FAINT),
        )
        at_end = self._position == film.last
        self.query_one("#live", PartsLine).show(live_words(view, self._time_s, self.shell.scale))
        whole_s = film.time_s(film.last)
        self.query_one("#progress", PartsLine).show(
            [
                Part(bar(self._position / film.last if film.last else 1.0, 24), Tone.ACTIVE),
                Part(f"line {self._position} of {film.last}"),
                Part(f"{duration(self._time_s)} of {duration(whole_s)}"),
                Part(f"{view.done} of {view.total} steps"),
            ]
        )
        self.query_one("#newest", PartsLine).show(
            []
            if view.newest is None
            else [result_words(view.newest, self.shell.scale, _inputs_of(film.plan))]
        )
        self._tell(tuple(self._ending()) if at_end else ())
        self.query_one(StepsPane).redraw_all()

    def show_scale(self) -> None:
        """Show every temperature anew."""
        self.query_one(StepsPane).begin(self._view.total)
        self._show()

    def _tell(self, parts: Sequence[Part]) -> None:
        self.query_one("#endbox").set_class(bool(parts), "-shown")
        self.query_one("#ending", Sentences).show(parts)

    def _ending(self) -> Iterable[Part]:
        view, record = self._view, self._loaded.record
        if record.torn_bytes:
            yield Part(f"? {record.torn_bytes} bytes of an unfinished last line are left out",
                       Tone.DOUBT)  # fmt: skip
        if view.fault is not None:
            yield Part(f"✗ {sentence_on(view.fault, self.shell.scale)}", Tone.BAD)
        if view.summary is None:
            yield Part("? the record was never closed: the run was cut off", Tone.DOUBT)
        else:
            part = ending_words(view.summary)
            sentence = sentence_on(view.summary.sentence, self.shell.scale)
            yield Part(f"{part.text.upper()}: {sentence}", part.tone)
        told = told_beside(record.path)
        if told != Told():
            yield said_words(told)

    # Moving

    def action_play(self) -> None:
        """Play, or hold."""
        if self._timer is not None:
            self._hold()
        else:
            if self._position == self._film.last:
                self._go(0)
            self._timer = self.set_interval(_FRAME_S, self._frame)
        self._show()

    def _hold(self) -> None:
        if self._timer is not None:
            self._timer.stop()
            self._timer = None

    def _frame(self) -> None:
        time_s = self._time_s + _FRAME_S * _SPEEDS[self._speed]
        position = self._film.position_at(time_s)
        if position >= self._film.last:
            self._hold()
        if position != self._position:
            self._go(position)
        self._time_s = time_s

    def action_step(self, direction: int) -> None:
        """Go to the next or the previous result."""
        self._hold()
        film, here = self._film, self._position
        self._go(film.next_step(here) if direction > 0 else film.step_before(here))

    def action_line(self, direction: int) -> None:
        """Go to the next or the previous line."""
        self._hold()
        self._go(self._position + direction)

    def action_jump(self, end: int) -> None:
        """Go to an end."""
        self._hold()
        self._go(self._film.last if end else 0)

    def action_speed(self, direction: int) -> None:
        """Change the speed."""
        self._speed = max(0, min(len(_SPEEDS) - 1, self._speed + direction))
        self._show()

    def action_view(self) -> None:
        """Show another of steps, curve and errors."""
        self.query_one(StepsPane).next_view()

    # More

    def action_compare(self) -> None:
        """Compare with another record."""
        self.shell.compare_with(self._loaded.record.path)

    @work(exclusive=True, group="more", exit_on_error=False)
    async def action_again(self) -> None:
        """Judge the record again, and beside its run on the simulated bench."""
        from controller.records.replay import replay

        path = self._loaded.record.path
        try:
            outcome = await self._worked(
                "Judging again and running on the simulated bench",
                lambda: replay(load_record(path)),
            )
        except RungwiseError as error:
            self._tell(refusal(error, self.shell.scale))
            return
        self._show()
        self.shell.show_replay(self._loaded.record.path.name, outcome)

    @work(exclusive=True, group="more", exit_on_error=False)
    async def action_diagnose(self) -> None:
        """Say which fault explains the deviations."""
        from controller.session.findings import diagnosis_lines

        loaded = self._loaded
        if loaded.sensor is None:
            self._tell([Part("? the record keeps no plan file: no curve to compare with",
                              Tone.DOUBT)])  # fmt: skip
            return
        sensor, details = loaded.sensor, self.shell.details
        results = tuple(one for one in self._film.at(self._film.last).results if one is not None)
        try:
            told = await self._worked(
                "Looking for the fault that explains it",
                lambda: diagnosis_lines(results, sensor, loaded.module, details=details),
            )
        except RungwiseError as error:
            self._tell(refusal(error, self.shell.scale))
            return
        self._tell([Part(f"· {sentence_on(line, self.shell.scale)}") for line in told])

    async def _worked(self, what: str, make: Callable[[], _Made]) -> _Made:
        """Do something slow on another thread, and say every second that it goes on."""
        began_s = time.monotonic()

        def tell() -> None:
            gone = f"{time.monotonic() - began_s:.0f} s"
            self._tell([Part(f"{what} … {gone} so far. Esc leaves it.", Tone.FAINT)])

        tell()
        timer = self.set_interval(1.0, tell)
        try:
            return await asyncio.to_thread(make)
        finally:
            timer.stop()

    def action_failed(self) -> None:
        """Go to the result of the next step that failed; after the last to the first."""
        self._hold()
        fails = [
            position
            for position in self._film.steps
            if isinstance(event := self._film.events[position - 1], StepFinished)
            and event.result.whole_verdict is Verdict.FAIL
        ]
        if not fails:
            self.shell.say("No step has failed.")
            return
        position = next((one for one in fails if one > self._position), fails[0])
        self._go(position)
        event = self._film.events[position - 1]
        if isinstance(event, StepFinished):
            self.query_one(StepsPane).table.bring(event.result.step.index)

    @work(exclusive=True, group="said", exit_on_error=False)
    async def action_report(self) -> None:
        """Write the page to hand over, after asking what belongs on it."""
        path = self._loaded.record.path
        if not path.with_suffix(".html").exists():
            told = await self.shell.push_screen_wait(SaidForm(told_beside(path), "codes_after"))
            if told is None:
                return
        else:
            told = told_beside(path)
        fahrenheit = self.shell.scale is Scale.FAHRENHEIT

        def written() -> Path:
            if told != told_beside(path):
                keep_told(path, told)
            return page_beside(path, fahrenheit=fahrenheit)

        try:
            page = await self._worked("Writing the report", written)
        except RungwiseError as error:
            self._tell(refusal(error, self.shell.scale))
            return
        self._tell([*self._ending(), Part(f"Report: {one_line(str(page))}")])


def _inputs_of(plan: ResolvedPlan) -> tuple[str, str]:
    return plan.input, "" if plan.second is None else plan.second.input


def _two_inputs(plan: ResolvedPlan) -> str:
    first, second = (one_line(one) for one in _inputs_of(plan))
    return f"plots: {first or 'first'} alone, not {second or 'second'}"
