"""The wiggle check: one value is held while connector and harness are moved, jumps ring a bell.

Knows: what is asked before it begins, how its jumps and its end are shown.
Must not know: what a jump is, how a value is held.
"""

from __future__ import annotations

import asyncio
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar, cast

from textual import on, work
from textual.binding import Binding, BindingType
from textual.containers import Vertical, VerticalScroll
from textual.widget import Widget
from textual.widgets import Input

from controller.cautions import WIGGLE_CAUTION
from controller.errors import RungwiseError
from controller.tui.dialogs import ask_cautions
from controller.tui.engine_thread import EngineThread, Picture
from controller.tui.parts import Part, Tone
from controller.tui.preparing import engine_of
from controller.tui.scale import Scale
from controller.tui.screens.base import BenchScreen, refusal
from controller.tui.sentences import sentence_on
from controller.tui.text import one_line
from controller.tui.view import RunView
from controller.tui.widgets.lines import Sentences
from controller.tui.wording import verdict_words

if TYPE_CHECKING:
    from controller.run.events import Jumped
    from controller.run.wiggle import WiggleRun
    from controller.session.session import Setup
    from controller.tui.preparing import HandBench

__all__ = ["WiggleScreen"]

_LONGEST_S = 3600.0
_LOOK_S = 0.25
_SHOWN = 8
"""So many of the last jumps are listed."""


class WiggleScreen(BenchScreen):
    """A value to hold, what the reading does, and the jumps as they come."""

    HELP = (
        "Type a value and press Enter: it is held, and the reading is watched untouched for some"
        " seconds. Then move connector and harness; every jump is counted and rings the bell."
        " Enter ends the watching and says what it came to. Esc parks and goes back."
    )
    ENTER = "Hold / end"
    CSS = "WiggleScreen #wanted { height: 1fr; }"  # what is listed scrolls, the status line stays
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "leave", "Park, back", tooltip="Park and go back", id="wiggle.leave"),
    ]

    def __init__(self, bench: Path | None, plan: Path | None) -> None:
        super().__init__()
        self._paths = (bench, plan)
        self._found: HandBench | None = None
        self._engine: EngineThread | None = None
        self._heard = 0

    def body(self) -> Iterable[Widget]:
        """Return the input, and what is watched."""
        yield Vertical(
            Input(value="20degC", placeholder="20degC, 2.5k", id="value", select_on_focus=True),
            VerticalScroll(Sentences(id="watched"), can_focus=False),
            id="wanted",
        )

    def on_mount(self) -> None:
        """Read the bench, and look at a run under way now and then."""
        self.headline(Part("Wiggle check", Tone.STRONG))
        self.query_one("#wanted").border_title = "value to hold"
        self._say(Part(WIGGLE_CAUTION, Tone.DOUBT), Part("Enter holds the value."))
        self.query_one(Input).focus()
        self.set_interval(_LOOK_S, self._look)

    # Beginning and ending

    @on(Input.Submitted)
    @work(exclusive=True, group="wiggle", exit_on_error=False)
    async def _submitted(self, event: Input.Submitted) -> None:
        if self._engine is not None and self._engine.alive:
            job = cast("WiggleRun | None", self._engine.job)
            if job is not None:
                job.enough()
            return
        await self._begin(event.value)

    async def _begin(self, wish: str) -> None:
        if not wish.strip() or self.shell.busy():
            return
        try:
            found = await asyncio.to_thread(self._prepared)
            setup = await asyncio.to_thread(self._setup, found, wish, record=False)
            if not await self._cautioned(setup):
                return
            if found.bench.drives_hardware:
                setup = await asyncio.to_thread(self._setup, found, wish, record=True)
        except RungwiseError as error:
            self._say(*refusal(error, self.shell.scale), Part("Nothing was driven."))
            return
        self._heard = 0
        self._engine = engine_of(setup, RunView(plan=setup.plan), self.shell.engine_changed)
        self.shell.begin(self._engine)

    def _prepared(self) -> HandBench:
        from controller.tui.preparing import prepare_bench

        if self._found is None:
            bench, plan = self._paths
            self._found = prepare_bench(bench, plan, self.shell.kept.port)
        return self._found

    def _setup(self, found: HandBench, wish: str, *, record: bool) -> Setup:
        from controller.session.looks import wiggling
        from controller.session.recording import new_record

        return wiggling(
            found.bench,
            wish,
            module=found.module,
            for_s=_LONGEST_S,
            record=new_record(self.shell.runs, "wiggle") if record else None,
            files={},
            pace="real",
            clock=self.shell.clock,
            sensor=found.sensor,
        )

    async def _cautioned(self, setup: Setup) -> bool:
        """Ask for the cautions of real equipment, each time: hands are in the engine bay."""
        bench, plan = setup.bench, setup.plan
        if not bench.drives_hardware:
            return True
        cautions = (WIGGLE_CAUTION, *bench.cautions)
        question = ask_cautions(plan.short_circuit_amperes, plan.most_watts, cautions)
        return await self.shell.push_screen_wait(question)

    def action_leave(self) -> None:
        """Park, close the link, go back."""
        if self._engine is not None:
            self._engine.stop()
        self.shell.action_leave()

    # Showing

    def show_picture(self, picture: Picture) -> None:  # noqa: ARG002 - it is the engine's own
        """Show what is watched now."""
        self._look()

    def show_scale(self) -> None:
        """Show every temperature anew."""
        self._look()

    def _look(self) -> None:
        engine = self._engine
        if engine is None:
            return
        job = cast("WiggleRun | None", engine.job)
        jumps = () if job is None else tuple(job.seen)
        if len(jumps) > self._heard:
            self._heard = len(jumps)
            self.shell.ring()
        picture = engine.picture
        scale = self.shell.scale
        self._say(*_parts(picture, job, scale), *_jump_parts(jumps, scale))

    def _say(self, *parts: Part) -> None:
        self.query_one("#watched", Sentences).show(parts)


def _parts(picture: Picture, job: WiggleRun | None, scale: Scale) -> Iterable[Part]:
    """Say in a few lines where the check stands."""
    view = picture.view
    if picture.error is not None or view.fault is not None:
        yield Part(f"✗ {sentence_on(view.fault or picture.error or '', scale)}", Tone.BAD)
        yield Part(f"{picture.relays.value}", Tone.BAD)
    elif view.summary is not None:
        yield verdict_words(view.summary.verdict)
        yield Part(sentence_on(view.summary.sentence, scale), Tone.STRONG)
        if not picture.alive:
            yield Part("Enter holds the value again; Esc goes back.", Tone.FAINT)
    elif job is None or view.relay_state is None:
        yield Part("○ opening the link …", Tone.STRONG)
    elif not job.watching:
        yield Part("▶ held; do not touch anything yet: how still is the reading?", Tone.ACTIVE)
    else:
        yield Part(f"▶ {sentence_on(view.notes[-1] if view.notes else '', scale)}", Tone.ACTIVE)
        count = "no jump" if not job.jumps else f"✗ {_count(job.jumps, 'jump')}"
        tone = Tone.STRONG if not job.jumps else Tone.BAD
        yield Part(f"{count} in {job.watched_s:.0f} s; Enter ends it", tone)


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def _jump_parts(jumps: tuple[Jumped, ...], scale: Scale) -> Iterable[Part]:
    """List the last jumps, the newest first."""
    for jump in reversed(jumps[-_SHOWN:]):
        come = "no reading" if jump.value is None else f"{jump.value:.4g} {jump.unit}"
        jumped = sentence_on(f"{come} from {jump.level:.4g} {jump.unit}", scale)
        codes = f", new code {one_line(', '.join(jump.codes))}" if jump.codes else ""
        yield Part(f"✗ jump {jump.count}: {jumped}{codes}", Tone.BAD)
