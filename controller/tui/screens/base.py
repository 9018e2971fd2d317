"""What every screen has: a headline, the status line, the keys, and the latest picture.

Knows: the shell around it.
Must not know: what any one screen is for.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING, ClassVar, TypeVar, cast

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.screen import Screen
from textual.widget import Widget

from controller.errors import RungwiseError
from controller.tui.parts import Part, Tone
from controller.tui.scale import Scale
from controller.tui.sentences import sentence_on
from controller.tui.shell import Shell
from controller.tui.widgets.keys import KeysLine
from controller.tui.widgets.lines import PartsLine, StatusLine

if TYPE_CHECKING:
    from controller.tui.engine_thread import Picture

__all__ = ["BenchScreen", "refusal"]

_Made = TypeVar("_Made")


def refusal(error: RungwiseError, scale: Scale) -> tuple[Part, ...]:
    """Return an error a person can do something about, a line for each problem."""
    return tuple(
        Part(f"✗ {sentence_on(line, scale)}", Tone.BAD)
        for line in str(error).splitlines()
        if line.strip()
    )


class BenchScreen(Screen[None]):
    """A screen of the program. `HELP` says in a few sentences what it is for, `ENTER` what Enter
    does where a widget takes that key.
    """

    HORIZONTAL_BREAKPOINTS = [(0, "-narrow"), (120, "-wide")]  # noqa: RUF012 - Textual's own way
    VERTICAL_BREAKPOINTS = [(0, "-low"), (36, "-tall")]  # noqa: RUF012
    # The keys that matter most stand first in the footer of every screen.
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("f12", "app.stop", "STOP", key_display="F12", id="stop",
                tooltip="Stop and park at once; works everywhere"),
        Binding("f1", "app.help", "Help", key_display="F1", id="help",
                tooltip="The keys of this screen"),
    ]  # fmt: skip
    HELP: ClassVar[str] = ""
    ENTER: ClassVar[str] = ""

    @property
    def shell(self) -> Shell:
        """The program around this screen."""
        return cast("Shell", self.app)

    def enter_words(self) -> str:
        """Say what Enter does now where a widget takes that key; empty: nothing."""
        return self.ENTER

    def compose(self) -> ComposeResult:
        """Return the parts."""
        yield PartsLine(id="headline")
        yield from self.body()
        yield StatusLine()
        yield KeysLine(self.enter_words)

    def body(self) -> Iterable[Widget]:
        """Return what stands between headline and status line."""
        raise NotImplementedError

    def headline(self, *parts: Part) -> None:
        """Show the first line."""
        self.query_one("#headline", PartsLine).show(parts)

    def on_screen_resume(self) -> None:
        """Catch up with what has happened under another screen."""
        self.shell.catch_up()

    def show_picture(self, picture: Picture) -> None:
        """Show what has changed; called a few times a second at most."""

    def show_scale(self) -> None:
        """Show every temperature anew: the unit, or how much is shown, has changed."""

    def action_nothing(self) -> None:
        """Enter is taken by the widget in focus."""

    async def in_background(self, make: Callable[[], _Made]) -> _Made:
        """Do something slow on another thread and return what it returns."""
        return await asyncio.to_thread(make)
