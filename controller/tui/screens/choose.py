"""The first screen: which plan, on which bench; or a record; or one value by hand.

Nothing heavy is imported before the first frame is there.
"""

from __future__ import annotations

import asyncio
from collections.abc import Hashable, Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar

from textual import on, work
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical, VerticalScroll
from textual.widget import Widget
from textual.widgets import Input, OptionList

from controller.tui.parts import Part, Tone
from controller.tui.screens.base import BenchScreen
from controller.tui.text import one_line
from controller.tui.widgets.lines import Sentences
from controller.tui.widgets.picks import PickList

if TYPE_CHECKING:
    from controller.tui.workshop import Found, RecordSummary, Workshop

__all__ = ["ChooseScreen"]

AS_PLANNED = "as the plan says, else simulated"


class ChooseScreen(BenchScreen):
    """Plans and benches on the left, what is marked and the records on the right."""

    HELP = (
        "Pick a plan and press Enter to prepare it; nothing is driven before you start it on the"
        " next screen. Tab moves on to the benches and the records. Enter on a record opens it; a"
        " slash finds records by words of their verdict, plan, bench or date."
    )
    ENTER = "Choose"
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("h", "by_hand", "Set by hand", id="choose.hand",
                tooltip="Set single values: the marked plan's sensor, the marked bench"),
        Binding("w", "wiggle", "Wiggle check", id="choose.wiggle",
                tooltip="Hold a value, move connector and harness, count the jumps"),
        Binding("p", "ports", "Ports", tooltip="See who answers on which port; pick one",
                id="choose.ports"),
        Binding("c", "compare", "Compare", tooltip="Compare the marked record with another",
                id="choose.compare"),
        Binding("slash", "find", "Find records", key_display="/", id="choose.find",
                tooltip="Show only records with some words: fail, a plan, a bench, a date"),
        Binding("f5,l", "look", "Look again", tooltip="Look through the folder again",
                id="choose.look"),
        Binding("tab", "app.focus_next", "Next list", show=False, tooltip="Go to the next list"),
    ]  # fmt: skip

    def __init__(self) -> None:
        super().__init__()
        self._workshop: Workshop | None = None
        self._summaries: dict[tuple[Path, float], RecordSummary] = {}

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
        self.query_one("#about").border_title = "about"
        self.headline(Part("Rungwise", Tone.STRONG), Part(one_line(str(self.shell.folder))))
        self.call_after_refresh(self.action_look)

    def on_screen_resume(self) -> None:
        """See what a run has left."""
        super().on_screen_resume()
        if self._workshop is not None:
            self.action_look()

    @work(exclusive=True, group="look", exit_on_error=False)
    async def action_look(self) -> None:
        """Read the folder again."""
        from controller.tui.workshop import look_around

        shell, first = self.shell, self._workshop is None
        self._workshop = await asyncio.to_thread(look_around, shell.folder, shell.runs)
        found = self._workshop
        self._list("plans").fill([(one.path, _plan_line(one)) for one in found.plans])
        self._list("benches").fill(
            [(None, Part(AS_PLANNED)), *((one.path, Part(one.name)) for one in found.benches)]
        )
        self._fill_records()
        if first:
            self._mark_last(found)
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
        await self._summarise(found.records)

    def _mark_last(self, found: Workshop) -> None:
        """Mark what was prepared last in this folder, where it is still there."""
        last = self.shell.kept.choice(self.shell.folder)
        if last is None:
            return
        for name, wanted, among in (
            ("plans", last.plan, found.plans),
            ("benches", last.bench, found.benches),
        ):
            path = next((one.path for one in among if str(one.path.absolute()) == wanted), None)
            if path is not None:
                self._list(name).choose(path)

    # Records

    async def _summarise(self, records: Sequence[Found]) -> None:
        """Read the two ends of each record, and show what they say when it is there."""
        unread = [one for one in records if (one.path, one.changed_s) not in self._summaries]
        for start in range(0, len(unread), 100):
            some = unread[start : start + 100]
            told = await asyncio.to_thread(_summaries_of, tuple(one.path for one in some))
            for one, summary in zip(some, told, strict=True):
                self._summaries[one.path, one.changed_s] = summary
            self._fill_records()

    def _fill_records(self) -> None:
        from controller.tui.screens.about import record_line

        records, field = self.records(), self._field
        words = field.value.lower().split() if field else []
        lines: list[tuple[Hashable, Part]] = []
        year = max((one.day[:4] for one in self._summaries.values()), default="")
        for one in records:
            summary = self._summaries.get((one.path, one.changed_s))
            line = record_line(one, summary, this_year=year)
            inside = f"{line.text} {one.name} {summary.day if summary else ''}".lower()
            if all(word in inside for word in words):
                lines.append((one.path, line))
        listed = self._list("records")
        listed.fill(lines)
        count = len(records)
        listed.call_it(f"records, {len(lines)} of {count}" if words else f"records, {count}")

    @property
    def _field(self) -> Input | None:
        """The words that records are found by; not there until they are first asked for."""
        return next(iter(self.query("#find").results(Input)), None)

    async def action_find(self) -> None:
        """Ask which records to show."""
        field = self._field
        if field is None:
            field = Input(placeholder="fail, a plan, a bench, a date; Esc shows all", id="find")
            await self.query_one("#right").mount(field, before="#records")
        field.display = True
        field.focus()

    @on(Input.Changed, "#find")
    def _found_others(self) -> None:
        self._fill_records()

    @on(Input.Submitted, "#find")
    def _to_the_records(self) -> None:
        self._list("records").focus()

    def key_escape(self) -> None:
        """Show all records again."""
        field = self._field
        if field is not None and field.display:
            field.value = ""
            field.display = False
            self._list("records").focus()

    def _list(self, name: str) -> PickList:
        return self.query_one(f"#{name}", PickList)

    # What is marked

    @property
    def plan(self) -> Found | None:
        """The plan that is marked."""
        found = self._workshop
        return _found(self._list("plans").chosen, found.plans) if found else None

    @property
    def bench(self) -> Found | None:
        """The bench file that is marked; None for the plan's own."""
        return (
            _found(self._list("benches").chosen, self._workshop.benches) if self._workshop else None
        )

    @property
    def record(self) -> Found | None:
        """The record that is marked."""
        return _found(self._list("records").chosen, self.records())

    @on(OptionList.OptionHighlighted, "#plans")
    @on(OptionList.OptionHighlighted, "#benches")
    @work(exclusive=True, group="details", exit_on_error=False)
    async def _describe(self) -> None:
        from controller.tui.screens.about import about_plan

        plan, bench, shell = self.plan, self.bench, self.shell
        if plan is None:
            return
        await asyncio.sleep(0.15)  # while the person is still moving down the list
        path = bench.path if bench else None
        told = await asyncio.to_thread(
            lambda: about_plan(plan, path, shell.kept, scale=shell.scale, details=shell.details)
        )
        self.query_one("#details", Sentences).show(told)

    @on(OptionList.OptionHighlighted, "#records")
    def _describe_record(self) -> None:
        from controller.tui.screens.about import about_record

        record = self.record
        if record is not None and self._list("records").has_focus:
            summary = self._summaries.get((record.path, record.changed_s))
            self.query_one("#details", Sentences).show(
                about_record(record, summary, self.shell.scale)
            )

    def on_descendant_focus(self) -> None:
        """Say what is marked in the list that the keys go to now."""
        if self._list("records").has_focus:
            self._describe_record()
        elif self._list("plans").has_focus or self._list("benches").has_focus:
            self._describe()

    def show_scale(self) -> None:
        """Show every temperature anew."""
        self._describe()

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

    def action_wiggle(self) -> None:
        """Hold a value on the marked bench and count the jumps of the reading."""
        from controller.tui.screens.wiggle import WiggleScreen

        bench, plan = self.bench, self.plan
        self.app.push_screen(
            WiggleScreen(bench.path if bench else None, plan.path if plan else None)
        )

    def action_ports(self) -> None:
        """See who answers on which port, and pick one for the marked bench."""
        self.shell.pick_port(self.bench.path if self.bench else None)

    def action_compare(self) -> None:
        """Compare the marked record with another."""
        if self.record is not None:
            self.shell.compare_with(self.record.path)

    def records(self) -> tuple[Found, ...]:
        """Return every record that was found."""
        return self._workshop.records if self._workshop else ()


def _found(path: Hashable | None, among: Sequence[Found]) -> Found | None:
    return next((one for one in among if one.path == path), None)


def _plan_line(plan: Found) -> Part:
    return Part(f"{plan.kind or '?':9}  {plan.name}")


def _summaries_of(paths: Sequence[Path]) -> list[RecordSummary]:
    from controller.tui.workshop import summary_of

    return [summary_of(path) for path in paths]
