"""A record, stepped through or played at any speed.

Knows: films, and the same table and plots that a run has.
Must not know: links; nothing is driven here.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar, TypeVar

from textual import work
from textual.binding import Binding, BindingType
from textual.containers import VerticalScroll
from textual.timer import Timer
from textual.widget import Widget

from controller.errors import InputError, RungwiseError
from controller.records.reader import Record, load_record
from controller.reports.told import Told
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
    from controller.run.model import StepResult
    from controller.sensors.curve import Sensor

__all__ = ["Loaded", "RecordScreen", "load"]

_Made = TypeVar("_Made")

READ_AT_ONCE = 2_000
"""A record of so many lines and steps is read whole before it is shown, as that takes no time."""

_FRAME_S = 0.1
_TELL_S = 0.3
_SPEEDS = (0.1, 0.25, 0.5, 1.0, 2.0, 5.0, 10.0, 25.0, 100.0, 1000.0)


@dataclass(frozen=True)
class Loaded:
    """The film of a record; the sensor and module it was made with, once they are read.

    `record` has its opening as its only line: what is to be done with the others reads them again.
    """

    record: Record
    film: Film
    sensor: Sensor | None = None
    module: Module | None = None

    def read(self, told: Callable[[float], None] | None = None) -> Loaded:
        """Return it with all of it read. Raises InputError, and what `told` raises."""
        from controller.records.inputs import inputs_of

        self.film.read(told)
        try:
            inputs = inputs_of(self.record)
        except RungwiseError:
            return self  # a record without a plan file can still be looked at
        return replace(self, sensor=inputs.plan.sensor, module=inputs.module)


def load(path: Path, going_on: Callable[[], None] = lambda: None) -> Loaded:
    """Prove a record, and read as much as is in sight at first; all of a short one.

    `going_on` is called now and then. Raises InputError, and what `going_on` raises.
    """
    film, record = film_at(path, going_on)
    film.at(film.last)
    loaded = Loaded(record, film)
    return loaded.read() if len(film) + len(film.plan.steps) <= READ_AT_ONCE else loaded


class GivenUp(Exception):  # noqa: N818 - nothing is wrong
    """Nobody waits any more for what a thread is doing."""


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
        self._share = 0.0
        self._left = False
        self._unreadable: tuple[Part, ...] = ()

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
            most_ohms=self._film.most_ohms,
            errors=lambda: (self._film.points(self._position), self._film.limits),
        )
        yield PartsLine(id="newest")
        yield VerticalScroll(Sentences(id="ending"), id="endbox", classes="-shown")

    def on_mount(self) -> None:
        """Open at the end: the result first."""
        pane = self.query_one(StepsPane)
        pane.begin(self._view.total)
        pane.table.focus()
        self._show()
        if not self._film.whole:
            self.run_worker(self._read_all(), exit_on_error=False)

    def on_unmount(self) -> None:
        """Read no further: nobody wants to know any more."""
        self._left = True

    async def _read_all(self) -> None:
        """Read every line after what is in sight is shown; the verdict of the run waits for it."""

        def told(share: float) -> None:
            self._share = share
            if self._left:
                raise GivenUp

        timer = self.set_interval(_TELL_S, self._show_progress)
        try:
            self._loaded = await asyncio.to_thread(self._loaded.read, told)
        except InputError as error:
            self._unreadable = tuple(refusal(error, self.shell.scale))
        finally:
            timer.stop()
        if not self._unreadable:
            self._view = self._film.at(self._position)
        pane = self.query_one(StepsPane)
        pane.sensor = self._loaded.sensor
        self._show_words()
        pane.redraw_plots()  # the table stays where it is looked at

    @property
    def playing(self) -> bool:
        """Whether the film runs."""
        return self._timer is not None

    @property
    def position(self) -> int:
        """How many events have happened."""
        return self._position

    def _go(self, position: int) -> None:
        position = max(0, min(position, self._film.last))
        try:
            view, time_s = self._film.at(position), self._film.time_s(position)
        except InputError as error:
            self._unreadable = tuple(refusal(error, self.shell.scale))
        else:
            self._position, self._view, self._time_s = position, view, time_s
        self._show()

    def _show(self) -> None:
        self._show_words()
        self.query_one(StepsPane).redraw_all()

    def _show_words(self) -> None:
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
        self._show_progress()
        self.query_one("#newest", PartsLine).show(
            []
            if view.newest is None
            else [result_words(view.newest, self.shell.scale, _inputs_of(film.plan))]
        )
        self._tell(self._unreadable or (tuple(self._ending()) if at_end else ()))

    def _show_progress(self) -> None:
        view, film = self._view, self._film
        parts = [
            Part(bar(self._position / film.last if film.last else 1.0, 24), Tone.ACTIVE),
            Part(f"line {self._position} of {film.last}"),
            Part(f"{duration(self._time_s)} of {duration(film.last_s)}"),
            Part(f"{view.done} of {view.total} steps"),
        ]
        if not film.whole and not self._unreadable:
            parts[0] = Part(f"reading all of it: {self._share:4.0%}", Tone.DOUBT)
        self.query_one("#progress", PartsLine).show(parts)

    def show_scale(self) -> None:
        """Show every temperature anew."""
        self.query_one(StepsPane).begin(self._view.total)
        self._show()

    def _tell(self, parts: Sequence[Part]) -> None:
        self.query_one("#endbox").set_class(bool(parts), "-shown")
        self.query_one("#ending", Sentences).show(parts)

    def _ending(self) -> Iterable[Part]:
        view, record = self._view, self._loaded.record
        if not self._film.whole:
            yield Part("The verdict is shown when every line has been read. Esc leaves it.",
                       Tone.FAINT)  # fmt: skip
            return
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
        try:
            position = self._film.position_at(time_s)
        except InputError as error:
            self._unreadable = tuple(refusal(error, self.shell.scale))
            position = self._film.last
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

        path, steps = self._loaded.record.path, len(self._film.plan.steps)
        try:
            outcome = await self._worked(
                "Judging again and running on the simulated bench",
                lambda say: replay(
                    load_record(path), told=lambda done: say(f"step {done} of {steps}")
                ),
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
        film = self._film

        def lines(say: Callable[[str], None]) -> Sequence[str]:
            results: list[StepResult] = []
            for result in film.at(film.last).results:
                say(f"{len(results)} results read")
                if result is not None:
                    results.append(result)
            return diagnosis_lines(tuple(results), sensor, loaded.module, details=details)

        try:
            told = await self._worked("Looking for the fault that explains it", lines)
        except RungwiseError as error:
            self._tell(refusal(error, self.shell.scale))
            return
        self._tell([Part(f"· {sentence_on(line, self.shell.scale)}") for line in told])

    async def _worked(self, what: str, make: Callable[[Callable[[str], None]], _Made]) -> _Made:
        """Do something slow on another thread, and say every second how far it is.

        `make` is handed what it says so with; that ends it once the screen has been left.
        """
        began_s, far = time.monotonic(), ""

        def say(how_far: str) -> None:
            nonlocal far
            far = f"{how_far}, "
            if self._left:
                raise GivenUp

        def tell() -> None:
            gone = f"{time.monotonic() - began_s:.0f} s"
            self._tell([Part(f"{what} … {far}{gone} so far. Esc leaves it.", Tone.FAINT)])

        tell()
        timer = self.set_interval(1.0, tell)
        try:
            return await asyncio.to_thread(make, say)
        finally:
            timer.stop()

    def action_failed(self) -> None:
        """Go to the result of the next step that failed; after the last to the first."""
        self._hold()
        fails = self._film.fails
        if not fails:
            self.shell.say("No step has failed.")
            return
        position = next((one for one in fails if one > self._position), fails[0])
        self._go(position)
        if self._position == position and self._view.newest is not None:
            self.query_one(StepsPane).table.bring(self._view.newest.step.index)

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

        def written(_say: Callable[[str], None]) -> Path:
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
