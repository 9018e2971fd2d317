"""The steps of a plan as a table beside its two plots: what a run and a record both show.

Knows: the view of a run, which of table, curve and errors a narrow screen shows.
Must not know: where the view comes from, keys, other widgets of the screen.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import TYPE_CHECKING, TypeAlias

from textual.app import ComposeResult
from textual.containers import Horizontal, Vertical
from textual.widget import Widget

from controller.errors import InputError
from controller.planning.model import ResolvedPlan
from controller.tui.parts import Cells, Column, Tone
from controller.tui.scale import Scale
from controller.tui.step_rows import columns_for, row_of
from controller.tui.view import Phase, Point, RunView
from controller.tui.widgets.plot import CurvePlot, ErrorPlot
from controller.tui.widgets.table import RowsTable

if TYPE_CHECKING:
    from controller.sensors.curve import Sensor

__all__ = ["StepsPane"]

Drawn: TypeAlias = tuple[Sequence[Point], Sequence[tuple[float, float]]]
"""Judged points, and what each step expects with its limit."""

_VIEWS = ("-steps", "-curve", "-errors")


class StepsPane(Horizontal):
    """Table and plots. `below` are widgets under the table; `view` says what is to be shown.

    `most_ohms` is the highest resistance of the plan where that is known already; `errors` says
    which points and limits are drawn, where they are not simply those of the view and the plan.
    """

    def __init__(
        self,
        plan: ResolvedPlan,
        sensor: Sensor | None,
        view: Callable[[], RunView | None],
        scale: Callable[[], Scale],
        details: Callable[[], bool],
        *,
        below: Iterable[Widget] = (),
        most_ohms: float | None = None,
        errors: Callable[[], Drawn] | None = None,
    ) -> None:
        super().__init__(id="main")
        self._plan = plan
        self.sensor = sensor
        self._view = view
        self._scale = scale
        self._details = details
        self._columns: tuple[Column, ...] = ()
        self._total = 0
        self._below = tuple(below)
        self._most_ohms = most_ohms
        self._errors = errors or self._errors_of_view
        self._view_index = 0

    def compose(self) -> ComposeResult:
        """Return table and plots."""
        yield Vertical(RowsTable(id="steps"), *self._below, id="middle")
        yield Vertical(CurvePlot(id="curve"), ErrorPlot(id="errors"), id="plots")

    @property
    def table(self) -> RowsTable:
        """The table of steps."""
        return self.query_one(RowsTable)

    def begin(self, total: int) -> None:
        """Show the plan before anything is known of its steps."""
        self._total = total
        room = self.table.size.width - 1 if self.table.size.width else 78
        self._columns = columns_for(
            self._plan,
            self._scale(),
            details=self._details(),
            room=max(room, 40),
            most_ohms=self._most_ohms,
        )
        self.table.show(self._columns, total, self._row)

    def redraw_all(self) -> None:
        """Show every row and both plots anew."""
        view = self._view()
        self.table.refresh()
        if view is not None and view.step is not None:
            self.table.follow(view.step.index)
        self.redraw_plots()

    def redraw_changes(self, before: RunView) -> None:
        """Show only what differs from an earlier view."""
        view = self._view()
        if view is None:
            return
        if view.results is not before.results or view.step is not before.step:
            for index in _changed(before, view):
                self.table.changed(index)
            if view.step is not None and view.step is not before.step:
                self.table.follow(view.step.index)
        elif view.phase is Phase.FINISHED and before.phase is not Phase.FINISHED:
            self.table.refresh()
        self.redraw_plots()

    def redraw_plots(self) -> None:
        """Draw the plots that are in sight."""
        view = self._view()
        if view is None or not self.is_mounted:
            return
        curve, errors = self.query_one(CurvePlot), self.query_one(ErrorPlot)
        if curve.display and curve.region and self.sensor is not None:
            curve.show(self.sensor.curve, _working_point(view), self._scale())
        if errors.display and errors.region:
            points, limits = self._errors()
            here = None if view.step is None else view.step.expected_celsius
            here = None if view.phase is Phase.FINISHED else here
            errors.show(points, limits, here, self._scale())

    def _errors_of_view(self) -> Drawn:
        view = self._view()
        limits = [
            (step.expected_celsius, step.tolerance_celsius)
            for step in self._plan.steps
            if step.expected_celsius is not None and step.tolerance_celsius is not None
        ]
        return () if view is None else view.points, limits

    def next_view(self) -> None:
        """Show another of steps, curve and errors, where the screen is too narrow for all."""
        screen = self.screen
        screen.remove_class(_VIEWS[self._view_index])
        self._view_index = (self._view_index + 1) % len(_VIEWS)
        screen.add_class(_VIEWS[self._view_index])
        self.call_after_refresh(self.redraw_plots)

    def on_resize(self) -> None:
        """Draw what has come into sight, with the columns there is room for."""
        self.call_after_refresh(self._fit)

    def _fit(self) -> None:
        if self._total and self._view() is not None:
            self.begin(self._total)
        self.redraw_plots()

    def _row(self, index: int) -> Cells:
        view = self._view()
        assert view is not None  # noqa: S101 - rows are asked for after the first view
        try:
            return row_of(view, index, self._columns, self._scale())
        except InputError:  # a record's, which whoever shows it tells of
            return Cells(tuple("?" for _column in self._columns), Tone.DOUBT)


def _working_point(view: RunView) -> tuple[float, float] | None:
    """Return (degC, ohm) of what is at the output, None when it is no point of a curve."""
    step = view.step
    if view.driven_ohms is None or step is None or step.achieved_celsius is None:
        return None
    return step.achieved_celsius, view.driven_ohms


def _changed(before: RunView, view: RunView) -> list[int]:
    """Return the rows that look different now."""
    rows = {view.step.index for view in (before, view) if view.step is not None}
    if view.results is not before.results:
        rows |= {
            index
            for index, (one, other) in enumerate(zip(before.results, view.results, strict=True))
            if one is not other
        }
    return sorted(rows)
