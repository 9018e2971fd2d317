"""The first screen: which plan, on which bench; or a record; or one value by hand.

Knows: what lies in the folder, and what a plan says of itself.
Must not know: how anything is driven.

Nothing heavy is imported before the first frame is there.
"""

from __future__ import annotations

import asyncio
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import ClassVar

from textual import on, work
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical, VerticalScroll
from textual.widget import Widget
from textual.widgets import OptionList
from textual.widgets.option_list import Option

from controller.errors import RungwiseError
from controller.tui.palette import content_of
from controller.tui.parts import Part, Tone
from controller.tui.screens.base import BenchScreen, refusal
from controller.tui.text import one_line
from controller.tui.widgets.lines import Sentences
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
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter", "nothing", "Prepare or open", tooltip="Use the marked line",
                id="choose.use"),
        Binding("h", "by_hand", "Set by hand", tooltip="Set single values on the marked bench",
                id="choose.hand"),
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
                OptionList(id="plans", markup=False),
                OptionList(id="benches", markup=False),
                id="left",
            ),
            Vertical(
                VerticalScroll(Sentences(id="details"), id="about", can_focus=False),
                OptionList(id="records", markup=False),
                id="right",
            ),
            id="lists",
        )

    def on_mount(self) -> None:
        """Look around once the first frame is there."""
        for name, title in (("plans", "plan"), ("benches", "bench"), ("records", "records")):
            self.query_one(f"#{name}", OptionList).border_title = title
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
        self._fill("plans", [_plan_line(one) for one in found.plans])
        self._fill("benches", [Part(AS_PLANNED), *(Part(one.name) for one in found.benches)])
        self._fill("records", [Part(one.name) for one in found.records[:_RECORDS_SHOWN]])
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
            self.query_one("#plans", OptionList).focus()

    def _fill(self, name: str, parts: Sequence[Part]) -> None:
        chooser = self.query_one(f"#{name}", OptionList)
        before = chooser.highlighted
        chooser.set_options(Option(content_of([part])) for part in parts)
        if parts:
            chooser.highlighted = min(before or 0, len(parts) - 1)

    # What is marked

    @property
    def plan(self) -> Found | None:
        """The plan that is marked."""
        return _marked(self.query_one("#plans", OptionList), self._workshop.plans)

    @property
    def bench(self) -> Found | None:
        """The bench file that is marked; None for the plan's own."""
        index = self.query_one("#benches", OptionList).highlighted or 0
        return self._workshop.benches[index - 1] if index else None

    @property
    def record(self) -> Found | None:
        """The record that is marked."""
        return _marked(self.query_one("#records", OptionList), self._workshop.records)

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

    def action_nothing(self) -> None:
        """The lists take this key themselves."""

    def action_by_hand(self) -> None:
        """Set single values."""
        bench = self.bench
        self.shell.by_hand(bench.path if bench else None)

    def action_compare(self) -> None:
        """Compare the marked record with another."""
        if self.record is not None:
            self.shell.compare_with(self.record.path)

    def records(self) -> tuple[Found, ...]:
        """Return every record that was found."""
        return self._workshop.records


def _marked(chooser: OptionList, found: Sequence[Found]) -> Found | None:
    index = chooser.highlighted
    return found[index] if index is not None and index < len(found) else None


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
    bands = ", ".join(f"±{band.tolerance_celsius:g}" for band in dict.fromkeys(read.tolerance))
    return (
        Part(one_line(read.name), Tone.STRONG),
        Part(f"{read.kind.value}, {len(targets)} steps: {shown}{', …' if targets[8:] else ''}"),
        Part(f"sensor: {one_line(read.sensor.name)}"),
        Part(f"module: {one_line(read.module.name) if read.module else 'the one of the bench'}"),
        Part(f"tolerance {bands} degC, {read.decision_rule.value}"),
        Part(one_line(str(plan.path)), Tone.FAINT),
    )
