"""Every action that a key can start on the screen one comes from, found by its name.

Knows: names, explanations and what to call.
Must not know: what any of them does.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar

from textual import on
from textual.app import ComposeResult, SystemCommand
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.screen import ModalScreen
from textual.widgets import Input, OptionList

from controller.tui.parts import Part, Tone
from controller.tui.widgets.lines import PartsLine, StatusLine
from controller.tui.widgets.picks import PickList

__all__ = ["ActionsScreen"]


class ActionsScreen(ModalScreen[SystemCommand | None]):
    """A line to type into, and the actions whose names or explanations hold every word of it."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape,ctrl+p", "leave", "Close", id="actions.close",
                tooltip="Back to the screen"),
        Binding("down", "move(1)", "Next", show=False, priority=True, tooltip="Mark the next one"),
        Binding("up", "move(-1)", "Previous", show=False, priority=True,
                tooltip="Mark the one before"),
    ]  # fmt: skip

    def __init__(self, commands: Sequence[SystemCommand]) -> None:
        super().__init__(classes="ask")
        self._commands = tuple(commands)

    def compose(self) -> ComposeResult:
        """Return the parts."""
        with Vertical(id="box"):
            yield PartsLine(id="ask-title")
            yield Input(placeholder="part of its name", id="wanted-action")
            yield PickList("actions", id="actions")
        yield StatusLine()

    def on_mount(self) -> None:
        """Show all of them."""
        self.query_one("#ask-title", PartsLine).show(
            [
                Part("What can be done here", Tone.STRONG),
                Part("Enter does the marked one, Esc closes", Tone.FAINT),
            ]
        )
        self._fill("")
        self.query_one(Input).focus()

    @on(Input.Changed)
    def _changed(self, event: Input.Changed) -> None:
        self._fill(event.value)

    def _fill(self, wanted: str) -> None:
        words = wanted.lower().split()
        shown = [
            (index, Part(f"{command.title:18}  {command.help}"))
            for index, command in enumerate(self._commands)
            if all(word in f"{command.title} {command.help}".lower() for word in words)
        ]
        self.query_one(PickList).fill(shown)

    def action_move(self, rows: int) -> None:
        """Mark another action while the line keeps the keys."""
        listed = self.query_one(PickList)
        (listed.action_cursor_down if rows > 0 else listed.action_cursor_up)()

    @on(Input.Submitted)
    @on(OptionList.OptionSelected)
    def _picked(self) -> None:
        chosen = self.query_one(PickList).chosen
        if isinstance(chosen, int):
            self.dismiss(self._commands[chosen])

    def action_leave(self) -> None:
        """Do none of them."""
        self.dismiss(None)
