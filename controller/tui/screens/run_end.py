"""The end of a run on the screen: the sentence, what explains it, what can be done next.

Knows: a run that is over, its record, and what only a person can say about it.
Must not know: how a run is steered, tables, plots.
"""

from __future__ import annotations

from pathlib import Path
from typing import ClassVar

from textual import work
from textual.binding import Binding, BindingType

from controller.errors import RelayKnowledge, RungwiseError
from controller.measurement.model import Verdict
from controller.session.findings import diagnosis_lines
from controller.session.handover import keep_told, told_beside
from controller.session.prepared import Prepared
from controller.tui.ending import ending_parts
from controller.tui.engine_thread import EngineThread
from controller.tui.parts import Part, Tone
from controller.tui.preparing import ENOUGH, telling_plan
from controller.tui.scale import Scale
from controller.tui.screens.base import BenchScreen, refusal
from controller.tui.screens.said import SaidForm
from controller.tui.sentences import sentence_on
from controller.tui.text import one_line
from controller.tui.widgets.lines import Sentences
from controller.tui.workshop import look_around

__all__ = ["RunEnd"]


class RunEnd(BenchScreen):
    """The part of a run's screen that counts once the run is over; `#ending` shows it."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("n", "next_plan", "Next plan", id="run.next",
                tooltip="Prepare the plan that would name the fault"),
        Binding("m", "said", "Machine, codes", show=False, id="run.said",
                tooltip="Write down machine, codes before and after, a note"),
        Binding("a", "again", "Run again", tooltip="Prepare the same run again", id="run.again"),
        Binding("o", "record", "Open record", tooltip="Step through the record of this run",
                id="run.record"),
        Binding("w", "report", "Write report", id="run.report",
                tooltip="Write the record as a page to hand over, beside it (.html)"),
    ]  # fmt: skip

    def __init__(self, prepared: Prepared, engine: EngineThread, *, classes: str) -> None:
        super().__init__(classes=classes)
        self._prepared = prepared
        self._engine = engine
        self._ended = False
        self._next_plan: Path | None = None
        self._found: tuple[str, ...] = ()

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Offer what makes sense of a run that is over."""
        del parameters
        if action == "next_plan":
            return self._ended and self._next_plan is not None
        if action in ("record", "report", "said"):
            return self._ended and not self._left_nothing
        if action == "again":
            return self._ended
        return True

    @property
    def _left_nothing(self) -> bool:
        """Whether the ladder was not reached, so that there is no record."""
        summary = self._engine.picture.view.summary
        reached = summary is None or summary.relays is not RelayKnowledge.NOT_DRIVEN
        return not reached and not self.shell.record_path.exists()

    def _tell_end(self, *more: Part) -> None:
        """Say how the run ended, what was found, what can be done, in this order."""
        picture = self._engine.picture
        parts = list(ending_parts(picture, self.shell.scale))
        told = [Part(f"· {sentence_on(line, self.shell.scale)}") for line in self._found]
        if self._next_plan is not None:
            name = one_line(self._next_plan.stem)
            told.append(Part(f"▶ n prepares {name}, which can name the fault", Tone.ACTIVE))
        self.query_one("#ending", Sentences).show([*parts[:-1], *told, *more, parts[-1]])

    async def _look_further(self) -> None:
        """Say which fault explains the readings, or which plan would tell."""
        prepared, view = self._prepared, self._engine.picture.view
        results = tuple(result for result in view.results if result is not None)
        measured = {r.step.target_celsius for r in results if r.reported_celsius is not None}
        failed = any(result.verdict is Verdict.FAIL for result in results)
        try:
            if len(measured - {None}) >= ENOUGH:
                self._found = ("Looking for the fault that explains it … Esc leaves.",)
                self._tell_end()
                self._found = await self.in_background(
                    lambda: diagnosis_lines(
                        results,
                        prepared.sensor,
                        prepared.module,
                        prepared.bench,
                        details=self.shell.details,
                    )
                )
            elif failed:
                self._next_plan = await self.in_background(self._telling_plan)
                if self._next_plan is None:
                    self._found = (
                        f"A plan with {ENOUGH} temperatures or more would name the fault.",
                    )
        except Exception as error:  # noqa: BLE001 - the run's own result stands without it
            self._found = (f"No diagnosis: {error!s}",)
        if self._found and view.summary is not None and view.summary.not_run:
            first, *others = self._found
            self._found = (f"From the steps that were run, no more: {first}", *others)
        if self.is_mounted:
            self._tell_end()
            self.refresh_bindings()

    def _telling_plan(self) -> Path | None:
        plans = look_around(self.shell.folder, self.shell.runs).plans
        inputs = self._prepared.inputs
        among = [one.path for one in plans]
        return telling_plan(inputs.plan, among, second=inputs.bench.second is not None)

    def action_next_plan(self) -> None:
        """Prepare the plan that would name the fault, on the same bench."""
        if self._next_plan is not None:
            bench = self._prepared.inputs.bench.path
            self.shell.pop_screen()
            self.shell.prepare(self._next_plan, bench)

    def action_again(self) -> None:
        """Prepare the same run again."""
        inputs = self._prepared.inputs
        self.shell.pop_screen()
        self.shell.prepare(inputs.plan.path, inputs.bench.path)

    def action_record(self) -> None:
        """Open the record this run has left."""
        self.shell.open_record(self.shell.record_path)

    @work(exclusive=True, group="said", exit_on_error=False)
    async def action_said(self) -> None:
        """Ask for what only a person knows, and keep it beside the record."""
        if await self._said("codes_after"):
            self._tell_end()

    async def _said(self, first: str) -> bool:
        """Ask, and keep what was said; return False when it was left."""
        path = self.shell.record_path
        told = await self.shell.push_screen_wait(SaidForm(told_beside(path), first))
        if told is None:
            return False
        try:
            await self.in_background(lambda: keep_told(path, told))
        except RungwiseError as error:
            self._tell_end(*refusal(error, self.shell.scale))
            return False
        return True

    @work(exclusive=True, group="said", exit_on_error=False)
    async def action_report(self) -> None:
        """Write the page to hand over, after asking what belongs on it."""
        from controller.session.handover import page_beside

        path = self.shell.record_path
        if not path.with_suffix(".html").exists() and not await self._said("codes_after"):
            return
        fahrenheit = self.shell.scale is Scale.FAHRENHEIT
        try:
            written = await self.in_background(lambda: page_beside(path, fahrenheit=fahrenheit))
        except RungwiseError as error:
            self._tell_end(*refusal(error, self.shell.scale))
            return
        self._tell_end(Part(f"Report: {one_line(str(written))}"))
