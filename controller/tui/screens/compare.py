"""Two runs beside each other.

Knows: pairs of results and the differences between them.
Must not know: how either run was made.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import ClassVar

from textual.binding import Binding, BindingType
from textual.containers import VerticalScroll
from textual.widget import Widget

from controller.records.compare import Difference
from controller.tui.pairing import COLUMNS, Pair, pair_rows, pairs
from controller.tui.parts import Part, Tone
from controller.tui.screens.base import BenchScreen
from controller.tui.text import one_line
from controller.tui.widgets.lines import Sentences
from controller.tui.widgets.table import RowsTable

__all__ = ["CompareScreen", "Comparison", "compare_records"]

_SHOWN = 50


@dataclass(frozen=True)
class Comparison:
    """Two runs, side by side. `why` says how closely they were held against each other."""

    first: str
    second: str
    pairs: tuple[Pair, ...]
    differences: tuple[Difference, ...]
    why: str


def compare_records(first: Path, second: Path) -> Comparison:
    """Read two records and put them side by side. Raises InputError."""
    from controller.records.compare import compare_results, compare_steps
    from controller.records.decode import plan_of, results_of
    from controller.records.reader import load_record
    from controller.records.replay import tolerances_for

    one, other = load_record(first), load_record(second)
    plan = plan_of(one)
    results, others = results_of(one), results_of(other)
    tolerances, why = tolerances_for(one, plan)
    differences = (
        *compare_steps(plan.steps, plan_of(other).steps, tolerances),
        *compare_results(results, others, tolerances),
    )
    return Comparison(
        first.name,
        second.name,
        pairs(plan.steps, results, others, differences),
        differences,
        why,
    )


class CompareScreen(BenchScreen):
    """A table with a row for each step, and the differences in words."""

    HELP = (
        "A is the first record, B the second (or the run on the simulated bench). A star and"
        " another colour mark steps that differ by more than the tolerance that is stated."
    )
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("d", "only", "Only differences", tooltip="Hide the steps that agree",
                id="compare.only"),
        Binding("escape", "app.leave", "Back", tooltip="Back", id="compare.leave"),
    ]  # fmt: skip

    def __init__(self, comparison: Comparison) -> None:
        super().__init__()
        self._comparison = comparison
        self._only = False

    def body(self) -> Iterable[Widget]:
        """Return the names, the table and the differences."""
        yield Sentences(id="names")
        yield RowsTable(id="pairs")
        yield VerticalScroll(Sentences(id="differences"), id="words", can_focus=True)

    def on_mount(self) -> None:
        """Show everything."""
        found = self._comparison
        count = len(found.differences)
        told = Part(f"✗ {count} difference{'s' if count != 1 else ''}", Tone.DOUBT)
        self.headline(
            Part("Two runs", Tone.STRONG), told if count else Part("✓ no difference", Tone.GOOD)
        )
        self.query_one("#names", Sentences).show(
            [
                Part(f"A  {one_line(found.first)}", Tone.STRONG),
                Part(f"B  {one_line(found.second)}", Tone.STRONG),
                Part(one_line(found.why), Tone.FAINT),
            ]
        )
        self.query_one("#differences", Sentences).show(_in_words(found.differences))
        self.query_one("#words").border_title = "differences"
        self.query_one(RowsTable).focus()
        self._show()

    def _show(self) -> None:
        shown: Sequence[Pair] = self._comparison.pairs
        if self._only:
            shown = [pair for pair in shown if pair.differs]
        rows = pair_rows(shown, self.shell.scale)
        self.query_one(RowsTable).show(COLUMNS, len(rows), rows.__getitem__)

    def show_scale(self) -> None:
        """Show every temperature anew."""
        self._show()

    def action_only(self) -> None:
        """Show only what differs, or everything."""
        self._only = not self._only
        self._show()


def _in_words(differences: Sequence[Difference]) -> list[Part]:
    if not differences:
        return [Part("Every number that is compared agrees within its tolerance.")]
    parts = [Part(one_line(str(one))) for one in differences[:_SHOWN]]
    if more := differences[_SHOWN:]:
        parts.append(Part(f"... and {len(more)} more", Tone.FAINT))
    return parts
