"""Two runs beside each other.

Knows: pairs of results and what differs between them.
Must not know: how either run was made.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import ClassVar

from textual.binding import Binding, BindingType
from textual.containers import VerticalScroll
from textual.widget import Widget

from controller.session.two_runs import Pair, TwoRuns, two_records
from controller.tui.pairing import (
    difference_words,
    pair_columns,
    pair_rows,
    pair_words,
    summary_words,
)
from controller.tui.parts import Part, Tone
from controller.tui.scale import Scale
from controller.tui.screens.base import BenchScreen
from controller.tui.sentences import sentence_on
from controller.tui.text import one_line
from controller.tui.widgets.lines import Sentences
from controller.tui.widgets.table import RowsTable

__all__ = ["CompareScreen", "compare_records"]

_SHOWN = 50


def compare_records(first: Path, second: Path) -> TwoRuns:
    """Read two records and put them side by side. Raises InputError."""
    from controller.records.reader import load_record

    return two_records(load_record(first), load_record(second))


class CompareScreen(BenchScreen):
    """A table with a row for each pair of steps, and the differences in words."""

    HELP = (
        "A is the first record, B the second (or the run on the simulated bench). Steps belong"
        " together by temperature and heading. A star and another colour mark those that differ by"
        " more than may be."
    )
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("d", "only", "Only differences", tooltip="Hide the steps that agree",
                id="compare.only"),
        Binding("escape", "app.leave", "Back", tooltip="Back", id="compare.leave"),
    ]  # fmt: skip

    def __init__(self, runs: TwoRuns) -> None:
        super().__init__()
        self._runs = runs
        self._only = False

    def body(self) -> Iterable[Widget]:
        """Return the names, the table and the differences."""
        yield Sentences(id="names")
        yield RowsTable(id="pairs")
        yield VerticalScroll(Sentences(id="differences"), id="words", can_focus=True)

    def on_mount(self) -> None:
        """Show everything."""
        found = self._runs
        self.headline(Part("Two runs", Tone.STRONG), summary_words(found))
        self.query_one("#words").border_title = "differences"
        self.query_one(RowsTable).focus()
        self._show()

    def _show(self) -> None:
        found = self._runs
        self.query_one("#names", Sentences).show(
            [
                Part(f"A  {one_line(found.first)}", Tone.STRONG),
                Part(f"B  {one_line(found.second)}", Tone.STRONG),
                *(
                    Part(f"? {sentence_on(told, self.shell.scale)}", Tone.DOUBT)
                    for told in found.remarks
                ),
                Part(sentence_on(found.how, self.shell.scale), Tone.FAINT),
            ]
        )
        shown: Sequence[Pair] = self._runs.pairs
        if self._only:
            shown = [pair for pair in shown if pair.differs]
        table = self.query_one(RowsTable)
        columns = pair_columns(table.size.width - 1 if table.size.width else 78)
        rows = pair_rows(shown, self.shell.scale, columns)
        table.show(columns, len(rows), rows.__getitem__)
        self.query_one("#differences", Sentences).show(_in_words(self._runs, self.shell.scale))

    def on_resize(self) -> None:
        """Show the columns there is room for."""
        self.call_after_refresh(self._show)

    def show_scale(self) -> None:
        """Show every temperature anew."""
        self._show()

    def action_only(self) -> None:
        """Show only what differs, or everything."""
        self._only = not self._only
        self._show()


def _in_words(runs: TwoRuns, scale: Scale) -> list[Part]:
    if runs.differences:
        told = [difference_words(one, scale) for one in runs.differences]
    else:
        told = pair_words(runs, scale)
    if not told:
        return [Part("Everything that is compared agrees as nearly as it may be expected to.")]
    parts = [Part(one_line(one)) for one in told[:_SHOWN]]
    if more := told[_SHOWN:]:
        parts.append(Part(f"... and {len(more)} more", Tone.FAINT))
    return parts
