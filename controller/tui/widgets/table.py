"""A table of fixed columns whose rows are made when they come into sight.

Knows: columns, rows, a cursor, and that it scrolls.
Must not know: what the rows mean.

It holds no rows, so that thousands of steps cost no more than a screenful, and only the lines that
changed are painted again.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import ClassVar

from rich.segment import Segment
from textual import events
from textual.binding import Binding, BindingType
from textual.geometry import Region, Size
from textual.message import Message
from textual.scroll_view import ScrollView
from textual.strip import Strip

from controller.tui.parts import Cells, Column, Tone
from controller.tui.text import fitted

__all__ = ["RowsTable"]


_TO_THE_END = 1_000_000


class RowsTable(ScrollView, can_focus=True):
    """Shows `count` rows that `row(index)` makes; the head stays in sight."""

    COMPONENT_CLASSES: ClassVar[set[str]] = {
        "rows--head",
        "rows--cursor",
        "rows--faint",
        "rows--good",
        "rows--bad",
        "rows--doubt",
        "rows--active",
        "rows--strong",
    }
    DEFAULT_CSS = """
    RowsTable {
        height: 1fr;
        overflow-x: auto;
        overflow-y: scroll;
        scrollbar-size-vertical: 1;
        & .rows--head { text-style: bold; color: $primary; background: $surface; }
        & .rows--cursor { text-style: reverse; }
        & .rows--faint { color: $text-muted; }
        & .rows--good { color: $success; }
        & .rows--bad { color: $error; text-style: bold; }
        & .rows--doubt { color: $warning; text-style: bold; }
        & .rows--active { color: $accent; text-style: bold; }
        & .rows--strong { text-style: bold; }
    }
    """
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("up", "move(-1)", "Row up", show=False, tooltip="Move the cursor"),
        Binding("down", "move(1)", "Row down", show=False, tooltip="Move the cursor"),
        Binding("pageup", "page(-1)", "Page up", show=False, tooltip="Move by a screenful"),
        Binding("pagedown", "page(1)", "Page down", show=False, tooltip="Move by a screenful"),
        Binding("home", "move(-1000000)", "First row", show=False, tooltip="Move to the top"),
        Binding("end", f"move({_TO_THE_END})", "Last row", show=False, tooltip="Move to the end"),
        Binding("enter", "pick", "Pick the row", show=False, tooltip="Use the row"),
    ]

    class Picked(Message):
        """Enter was pressed on a row."""

        def __init__(self, table: RowsTable, index: int) -> None:
            super().__init__()
            self.table = table
            self.index = index

        @property
        def control(self) -> RowsTable:
            """The table."""
            return self.table

    def __init__(self, *, id: str | None = None, cursor: bool = False) -> None:  # noqa: A002
        super().__init__(id=id)
        self._columns: tuple[Column, ...] = ()
        self._count = 0
        self._row: Callable[[int], Cells] = lambda _index: Cells(())
        self._has_cursor = cursor
        self._held = False
        self.cursor = 0

    def show(self, columns: Sequence[Column], count: int, row: Callable[[int], Cells]) -> None:
        """Show other rows."""
        self._columns, self._count, self._row = tuple(columns), count, row
        width = sum(column.width + 1 for column in columns) - 1
        self.virtual_size = Size(max(0, width), count + 1)
        self.cursor = max(0, min(self.cursor, count - 1))
        self.refresh()

    def changed(self, index: int) -> None:
        """Paint one row again."""
        y = index + 1 - self.scroll_offset.y
        if 0 < y < self.size.height:
            self.refresh(Region(0, y, self.size.width, 1))

    def follow(self, index: int) -> None:
        """Bring a row into sight, with one more below it.

        It comes to stand a third of the way down: to scroll by a line for each step would paint
        everything again each time.
        """
        room = self.size.height - 1
        top = self.scroll_offset.y
        if self._held:
            # Whoever looks elsewhere is left there until the row comes by, or is asked for.
            self._held = not top <= index < top + room
        if room <= 0 or self._held:
            return
        if index < top or index > top + room - 2:
            self.scroll_to(y=max(0, index - room // 3), animate=False)

    def render_line(self, y: int) -> Strip:
        """Return one line of what is in sight; the first is the head."""
        width = self.size.width
        index = y - 1 + self.scroll_offset.y
        if y == 0:
            style = self.get_component_rich_style("rows--head")
            text = self._joined([column.head for column in self._columns])
        elif 0 <= index < self._count:
            row = self._row(index)
            style = self.rich_style
            if row.tone is not Tone.PLAIN:
                style = self.get_component_rich_style(f"rows--{row.tone.value}")
            if self._has_cursor and index == self.cursor and self.has_focus:
                style = style + self.get_component_rich_style("rows--cursor", partial=True)
            text = self._joined(row.cells)
        else:
            return Strip.blank(width, self.rich_style)
        strip = Strip([Segment(text, style)])
        return strip.crop_extend(self.scroll_offset.x, self.scroll_offset.x + width, style)

    def _joined(self, cells: Sequence[str]) -> str:
        return " ".join(
            fitted(cell, column.width, right=column.right)
            for cell, column in zip(cells, self._columns, strict=False)
        )

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Offer to pick a row only where one can be picked."""
        del parameters
        return self._has_cursor if action == "pick" else True

    def action_move(self, rows: int) -> None:
        """Move the cursor, or scroll where there is none; End goes along again."""
        self._held = rows < _TO_THE_END
        if not self._has_cursor:
            self.scroll_to(y=self.scroll_offset.y + rows, animate=False)
            return
        before, self.cursor = self.cursor, max(0, min(self._count - 1, self.cursor + rows))
        top, room = self.scroll_offset.y, self.size.height - 1
        if not top <= self.cursor < top + room:
            edge = self.cursor if self.cursor < top else self.cursor - room + 1
            self.scroll_to(y=edge, animate=False)
        self.changed(before)
        self.changed(self.cursor)

    def action_page(self, pages: int) -> None:
        """Move by what is in sight."""
        self.action_move(pages * max(1, self.size.height - 2))

    def action_pick(self) -> None:
        """Tell that a row was picked."""
        if self._has_cursor and self._count:
            self.post_message(self.Picked(self, self.cursor))

    def bring(self, index: int) -> None:
        """Show a row on demand; what goes on elsewhere does not take it away again."""
        self._held = True
        if self._has_cursor:
            self.cursor = index
        self.scroll_to(y=max(0, index - (self.size.height - 1) // 3), animate=False)
        self.refresh()

    def on_mouse_scroll_up(self) -> None:
        """Leave whoever scrolls where they are."""
        self._held = True

    def on_mouse_scroll_down(self) -> None:
        """Leave whoever scrolls where they are."""
        self._held = True

    def on_click(self, event: events.Click) -> None:
        """Put the cursor where the mouse was."""
        index = event.y - 1 + self.scroll_offset.y
        if self._has_cursor and 0 <= index < self._count:
            self.action_move(index - self.cursor)

    def on_focus(self) -> None:
        """Show the cursor."""
        self.changed(self.cursor)

    def on_blur(self) -> None:
        """Hide the cursor."""
        self.changed(self.cursor)
