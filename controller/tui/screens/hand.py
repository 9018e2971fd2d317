"""Single values by hand: what a value would really be, shown before it is applied."""

from __future__ import annotations

import asyncio
from collections.abc import Iterable
from typing import TYPE_CHECKING, ClassVar, cast

from textual import on, work
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical
from textual.widget import Widget
from textual.widgets import Input

from controller.cautions import short_circuit_sentence
from controller.errors import RungwiseError
from controller.ladder.electrical import Output, output_of
from controller.planning.value import HINT
from controller.text import ohms
from controller.tui.dialogs import Ask
from controller.tui.engine_thread import EngineThread, Picture
from controller.tui.parts import Cells, Column, Part, Tone
from controller.tui.scale import Scale
from controller.tui.screens.base import BenchScreen, refusal
from controller.tui.sentences import sentence_on
from controller.tui.text import one_line
from controller.tui.view import RunView
from controller.tui.widgets.lines import Sentences
from controller.tui.widgets.table import RowsTable
from controller.tui.wording import difference, made_words

if TYPE_CHECKING:
    from controller.planning.single_value import Setting
    from controller.run.hold import HandRun
    from controller.tui.preparing import HandBench

__all__ = ["HandScreen"]

_COLUMNS = (
    Column("relay", 5),
    Column("state", 11, right=False),
    Column("what it does", 26, right=False),
)


class HandScreen(BenchScreen):
    """An input, what it would make, what is there now, and the relays one by one."""

    HELP = (
        "Type a value: the line below shows what the ladder can really make and how sure that is."
        " Enter applies it; up and down nudge it a little. Open, short and single relays ask"
        " first. Tab goes to the relays; Enter there changes one over. Esc parks and goes back."
    )
    ENTER = "Apply"
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("up", "nudge(1)", "Nudge up", tooltip="Half a degC or 1 % more", id="hand.up"),
        Binding("down", "nudge(-1)", "Nudge down", tooltip="Half a degC or 1 % less",
                id="hand.down"),
        Binding("f4", "sensor", "Sensor", tooltip="Set temperatures of another sensor",
                id="hand.sensor"),
        Binding("f7", "park", "Park", tooltip="Park the ladder and stay here", id="hand.park"),
        Binding("tab", "app.focus_next", "Input/relays", show=False, id="hand.next",
                tooltip="Between input and relays"),
        Binding("escape", "leave", "Park, back", tooltip="Park and go back", id="hand.leave"),
    ]  # fmt: skip

    def __init__(
        self,
        found: HandBench,
        engine: EngineThread,
    ) -> None:
        super().__init__()
        self._at = found
        self._bench = found.bench
        self._finder = found.finder
        self._engine = engine
        self._found: Setting | None = None
        self._view: RunView = engine.picture.view
        self._now: Setting | None = None
        self._relays: tuple[tuple[int, bool, str], ...] = ()

    def body(self) -> Iterable[Widget]:
        """Return the input and the relays."""
        yield Horizontal(
            Vertical(
                Input(placeholder="20degC, 2.5k, open", id="value", select_on_focus=False),
                Sentences(id="preview"),
                Sentences(id="now"),
                id="wanted",
            ),
            RowsTable(id="relays", cursor=True),
            id="hand",
        )

    def on_mount(self) -> None:
        """Show the relays at rest."""
        self._show_names()
        self.query_one("#wanted").border_title = "value"
        self.query_one("#relays").border_title = "relays"
        self.query_one("#preview", Sentences).show([Part(f"Write {HINT}.", Tone.FAINT)])
        self.query_one(Input).focus()
        self.show_picture(self._engine.picture)

    def _show_names(self) -> None:
        """Say which sensor's temperatures are set, on which bench."""
        sensor = self._at.sensor
        told = "only ohm" if sensor is None else one_line(sensor.name)
        self.headline(
            Part("Set by hand", Tone.STRONG),
            Part(f"sensor: {told}", Tone.DOUBT if sensor is None else Tone.PLAIN),
            Part(one_line(self._bench.name), Tone.FAINT),
            Part(one_line(self._bench.ladder.name), Tone.FAINT),
        )

    def show_picture(self, picture: Picture) -> None:
        """Show what is driven now."""
        view, before = picture.view, self._view
        self._view = view
        self.shell.warn_once(view.warnings)
        self.query_one("#now", Sentences).show(tuple(self._now_parts(picture)))
        state = view.relay_state
        table = self.query_one(RowsTable)
        if state is not None and (not self._relays or state != before.relay_state):
            self._relays = self._finder.relays(state)
            table.show(_COLUMNS, len(self._relays), self._row)

    def _now_parts(self, picture: Picture) -> Iterable[Part]:
        view = picture.view
        if picture.error is not None or view.fault is not None:
            yield Part(
                f"✗ {sentence_on(view.fault or picture.error or '', self.shell.scale)}", Tone.BAD
            )
            yield Part(f"{picture.relays.value}; Esc goes back", Tone.BAD)
        elif not picture.alive:
            yield Part("■ parked, the link is closed; Esc goes back", Tone.STRONG)
        elif view.relay_state is None:
            yield Part("○ opening the link …", Tone.STRONG)
        else:
            yield from self._output_parts(view)
        for warning in view.warnings:
            yield Part(f"? {sentence_on(warning, self.shell.scale)}", Tone.DOUBT)

    def _output_parts(self, view: RunView) -> Iterable[Part]:
        """Say what is at the output; what a short circuit draws comes with it."""
        found = self._now if self._now is not None and self._now.state == view.set_state else None
        if view.driven_ohms is None:
            made = "an open circuit" if self._parks_open else "the ladder at rest"
            yield Part(f"■ parked; now at the output: {made}", Tone.STRONG)
        elif found is None:
            yield Part(f"▶ now at the output: {ohms(view.driven_ohms)} ohm", Tone.ACTIVE)
        else:
            yield Part(f"▶ now at the output: {made_words(found, self.shell.scale)}", Tone.ACTIVE)
            if found.output is Output.SHORT:
                yield Part(self._short_words, Tone.DOUBT)

    @property
    def _parks_open(self) -> bool:
        return output_of(self._bench.ladder, self._bench.ladder.park_state) is Output.OPEN

    @property
    def _short_words(self) -> str:
        plan = self._view.plan
        return short_circuit_sentence(
            None if plan is None else plan.short_circuit_amperes,
            None if plan is None else plan.most_watts,
        )

    def _row(self, index: int) -> Cells:
        number, energised, does = self._relays[index]
        word = "● energised" if energised else "○ at rest"
        return Cells((str(number), word, does), Tone.STRONG if energised else Tone.PLAIN)

    def show_scale(self) -> None:
        """Show every temperature anew; a number without a unit stays ohm."""
        self.show_picture(self._engine.picture)
        if self._found is not None:
            self._show_preview(self._found)

    # Finding

    @on(Input.Changed)
    def _changed(self, event: Input.Changed) -> None:
        self._look(event.value)

    @work(exclusive=True, group="find", exit_on_error=False)
    async def _look(self, text: str) -> None:
        self._found = None
        preview = self.query_one("#preview", Sentences)
        if not text.strip():
            preview.show([Part(f"Write {HINT}.", Tone.FAINT)])
            return
        start = self._start
        try:
            self._found = await asyncio.to_thread(self._finder.find, text, start)
        except RungwiseError as error:
            preview.show(refusal(error, self.shell.scale))
            return
        self._show_preview(self._found)

    def _show_preview(self, found: Setting) -> None:
        shell = self.shell
        words = _preview(found, self._short_words, shell.scale, details=shell.details)
        self.query_one("#preview", Sentences).show(words)

    @property
    def _start(self) -> int:
        state = self._view.set_state
        return self._bench.ladder.park_state if state is None else state

    # Applying

    @on(Input.Submitted)
    @work(exclusive=True, group="apply", exit_on_error=False)
    async def _submitted(self, event: Input.Submitted) -> None:
        await self._apply(event.value)

    async def _apply(self, text: str) -> None:
        if not text.strip() or not self._engine.alive:
            return
        try:
            found = await asyncio.to_thread(self._finder.find, text, self._start)
        except RungwiseError as error:
            self.query_one("#preview", Sentences).show(refusal(error, self.shell.scale))
            return
        if found.extreme is not None and not await self.shell.push_screen_wait(
            _ask(found, self._short_words, self.shell.scale)
        ):
            return
        if found.state == self._start and found.text.lower() != "park":
            self._now = found
        run = cast("HandRun | None", self._engine.job)
        if run is not None and self._engine.alive:
            self._now = found
            run.set(found)
            self.query_one(Input).value = ""

    @on(RowsTable.Picked)
    @work(exclusive=True, group="apply", exit_on_error=False)
    async def _picked(self, message: RowsTable.Picked) -> None:
        await self._apply(f"relay {message.index}")

    def action_nudge(self, direction: int) -> None:
        """Move the typed value, or the one that is driven, a little."""
        from controller.planning.value import nudged

        field = self.query_one(Input)
        base = field.value or ("" if self._now is None else self._now.text)
        if (text := nudged(base, direction)) is not None:
            field.value = text
            field.cursor_position = len(text)

    @work(exclusive=True, group="apply", exit_on_error=False)
    async def action_park(self) -> None:
        """Park and stay."""
        await self._apply("park")

    @work(exclusive=True, group="sensor", exit_on_error=False)
    async def action_sensor(self) -> None:
        """Pick another sensor's curve; what is driven stays as it is."""
        path = await self.shell.pick_sensor()
        if path is None:
            return
        try:
            self._at = await asyncio.to_thread(self._at.with_sensor, path)
        except RungwiseError as error:
            self.query_one("#preview", Sentences).show(refusal(error, self.shell.scale))
            return
        self._finder, self._now = self._at.finder, None
        self._show_names()
        self.show_picture(self._engine.picture)
        self._look(self.query_one(Input).value)

    def action_leave(self) -> None:
        """Park, close the link, go back."""
        self._engine.stop()
        self.shell.action_leave()


def _preview(found: Setting, short_words: str, scale: Scale, *, details: bool) -> list[Part]:
    """Say what a value would be before it is applied."""
    told = f"{found.moves} relay movements"
    if found.excursion_celsius is not None:
        told += f", excursion {difference(found.excursion_celsius, scale)} {scale.unit}"
    known = " (k=2)" if details else ""
    asks = "" if found.extreme is None else f"; {found.extreme}: asks first"
    short = [Part(short_words, Tone.DOUBT)] if found.output is Output.SHORT else []
    return [
        Part(f"would make {made_words(found, scale)}{known}", Tone.STRONG),
        *short,
        Part(f"{told}{asks}. Enter applies it.", Tone.PLAIN if not asks else Tone.DOUBT),
    ]


def _ask(found: Setting, short_words: str, scale: Scale) -> Ask:
    return Ask(
        f"Put {found.extreme} at the input?"
        if "relay" not in (found.extreme or "")
        else f"Change {found.text} over on its own?",
        [
            Part(f"It makes {made_words(found, scale)}.", Tone.STRONG),
            *([Part(short_words, Tone.STRONG)] if found.output is Output.SHORT else []),
            Part("A module may store a fault code and start a cooling fan: keep clear."),
        ],
        yes="Yes, set it",
    )
