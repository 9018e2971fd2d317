"""The first screen: which plan, on which bench; or a record; or one value by hand.

Nothing heavy is imported before the first frame is there.
"""

from __future__ import annotations

import asyncio
from collections.abc import Hashable, Iterable, Sequence
from pathlib import Path
from typing import ClassVar

from textual import on, work
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical, VerticalScroll
from textual.widget import Widget
from textual.widgets import OptionList

from controller.errors import RungwiseError
from controller.tui.parts import Part, Tone
from controller.tui.screens.base import BenchScreen, refusal
from controller.tui.text import one_line
from controller.tui.widgets.lines import Sentences
from controller.tui.widgets.picks import PickList
from controller.tui.workshop import Found, Workshop, look_around

__all__ = ["ChooseScreen"]

_RECORDS_SHOWN = 200
AS_PLANNED = "as the plan says, else simulated"


class ChooseScreen(BenchScreen):
    """Plans and benches on the left, the plan's own words and the records on the right."""

    HELP = (
        "Pick a plan and press Enter to prepare it; nothing is driven before you start it on the"
        " next screen. Tab moves on to the benches and the records. Enter on a record opens it."
    )
    ENTER = "Prepare or open"
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("h", "by_hand", "Set by hand", id="choose.hand",
                tooltip="Set single values: the marked plan's sensor, the marked bench"),
        Binding("c", "compare", "Compare", tooltip="Compare the marked record with another",
                id="choose.compare"),
        Binding("f5,l", "look", "Look again", tooltip="Look through the folder again",
                id="choose.look"),
        Binding("tab", "app.focus_next", "Next list", show=False, tooltip="Go to the next list"),
    ]  # fmt: skip

    def __init__(self) -> None:
        super().__init__()
        self._workshop = Workshop(folder=Path())

    def body(self) -> Iterable[Widget]:
        """Return the lists."""
        yield Horizontal(
            Vertical(
                PickList("plan", id="plans"),
                PickList("bench", id="benches"),
                id="left",
            ),
            Vertical(
                VerticalScroll(Sentences(id="details"), id="about", can_focus=False),
                PickList("records", id="records"),
                id="right",
            ),
            id="lists",
        )

    def on_mount(self) -> None:
        """Look around once the first frame is there."""
        self.query_one("#about").border_title = "about the plan"
        self.headline(Part("Rungwise", Tone.STRONG), Part(one_line(str(self.shell.folder))))
        self.call_after_refresh(self.action_look)

    def on_screen_resume(self) -> None:
        """See what a run has left."""
        super().on_screen_resume()
        if self._workshop.folder != Path():
            self.action_look()

    @work(exclusive=True, group="look", exit_on_error=False)
    async def action_look(self) -> None:
        """Read the folder again."""
        shell = self.shell
        self._workshop = await asyncio.to_thread(look_around, shell.folder, shell.runs)
        found = self._workshop
        self._list("plans").fill([(one.path, _plan_line(one)) for one in found.plans])
        self._list("benches").fill(
            [(None, Part(AS_PLANNED)), *((one.path, Part(one.name)) for one in found.benches)]
        )
        self._list("records").fill(
            [(one.path, Part(one.name)) for one in found.records[:_RECORDS_SHOWN]]
        )
        if not found.plans:
            self.query_one("#details", Sentences).show(
                [
                    Part("There are no plans here.", Tone.STRONG),
                    Part(f"Looked for plan files (*.toml) in {one_line(str(shell.folder))}."),
                    Part("To open another folder: rungwise FOLDER."),
                    Part("To begin with an example: rungwise init FOLDER."),
                ]
            )
        if self.focused is None:
            self._list("plans").focus()

    def _list(self, name: str) -> PickList:
        return self.query_one(f"#{name}", PickList)

    # What is marked

    @property
    def plan(self) -> Found | None:
        """The plan that is marked."""
        return _found(self._list("plans").chosen, self._workshop.plans)

    @property
    def bench(self) -> Found | None:
        """The bench file that is marked; None for the plan's own."""
        return _found(self._list("benches").chosen, self._workshop.benches)

    @property
    def record(self) -> Found | None:
        """The record that is marked."""
        return _found(self._list("records").chosen, self._workshop.records)

    @on(OptionList.OptionHighlighted, "#plans")
    @work(exclusive=True, group="details", exit_on_error=False)
    async def _describe(self) -> None:
        plan = self.plan
        if plan is None:
            return
        await asyncio.sleep(0.15)  # while the person is still moving down the list
        self.query_one("#details", Sentences).show(await asyncio.to_thread(_details, plan))

    # What is done with it

    @on(OptionList.OptionSelected, "#plans")
    @on(OptionList.OptionSelected, "#benches")
    def _prepare(self) -> None:
        if self.plan is not None:
            bench = self.bench
            self.shell.prepare(self.plan.path, bench.path if bench else None)

    @on(OptionList.OptionSelected, "#records")
    def _open(self) -> None:
        if self.record is not None:
            self.shell.open_record(self.record.path)

    def action_by_hand(self) -> None:
        """Set single values."""
        bench, plan = self.bench, self.plan
        self.shell.by_hand(bench.path if bench else None, plan.path if plan else None)

    def action_compare(self) -> None:
        """Compare the marked record with another."""
        if self.record is not None:
            self.shell.compare_with(self.record.path)

    def records(self) -> tuple[Found, ...]:
        """Return every record that was found."""
        return self._workshop.records


def _found(path: Hashable | None, among: Sequence[Found]) -> Found | None:
    return next((one for one in among if one.path == path), None)


def _plan_line(plan: Found) -> Part:
    return Part(f"{plan.kind or '?':5}  {plan.name}")


def _details(plan: Found) -> tuple[Part, ...]:
    """Return what a plan says of itself, or what is wrong with it."""
    from controller.planning.files import load_plan

    try:
        read = load_plan(plan.path)
    except RungwiseError as error:
        return refusal(error)
    targets = read.targets
    shown = ", ".join(str(target) for target in targets[:8])
    bands = ", ".join(f"± {band.tolerance_celsius:g}" for band in dict.fromkeys(read.tolerance))
    return (
        Part(one_line(read.name), Tone.STRONG),
        Part(f"{read.kind.value}, {len(targets)} steps: {shown}{', …' if targets[8:] else ''}"),
        Part(f"sensor: {one_line(read.sensor.name)}"),
        Part(f"module: {one_line(read.module.name) if read.module else 'the one of the bench'}"),
        Part(f"tolerance {bands} degC, {read.decision_rule.value}"),
        Part(one_line(str(plan.path)), Tone.FAINT),
    )
