"""A list of which one line is chosen, and buttons: signs show the choice and the focus.

The choice is kept by what it stands for, not by where it stands, so that a file that comes or goes
moves it to no other.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from typing import Any

from textual.widgets import Button, OptionList
from textual.widgets.option_list import Option

from controller.tui.palette import content_of
from controller.tui.parts import Part

__all__ = ["CHOSEN", "FOCUSED", "PickList", "SignButton"]

CHOSEN = "●"
FOCUSED = "▶"


class PickList(OptionList):
    """`title` stands in the border, with a sign before it while keys go to this list."""

    def __init__(self, title: str, *, id: str | None = None) -> None:  # noqa: A002
        super().__init__(id=id, markup=False)
        self._words = title
        self._parts: tuple[Part, ...] = ()
        self._keys: tuple[Hashable, ...] = ()
        self._signed: int | None = None
        self.border_title = title

    @property
    def chosen(self) -> Hashable | None:
        """The key of the line that is chosen."""
        index = self.highlighted
        return self._keys[index] if index is not None and index < len(self._keys) else None

    def fill(self, lines: Sequence[tuple[Hashable, Part]]) -> None:
        """Show other lines, each with its key; the choice stays where it is still there."""
        chosen = self.chosen
        self._keys = tuple(key for key, _ in lines)
        self._parts = tuple(part for _, part in lines)
        self._signed = None
        self.highlighted = None
        self.set_options(Option(self._line(index, signed=False)) for index in range(len(lines)))
        if lines:
            self.highlighted = self._keys.index(chosen) if chosen in self._keys else 0
            self._sign(self.highlighted)

    def call_it(self, title: str) -> None:
        """Give the list another title."""
        self._words = title
        self.border_title = f"{FOCUSED} {title}" if self.has_focus else title

    def choose(self, key: Hashable) -> None:
        """Choose the line of a key, where there is one."""
        if key in self._keys:
            self.highlighted = self._keys.index(key)

    def watch_highlighted(self, highlighted: int | None) -> None:
        """Let the sign follow the choice."""
        super().watch_highlighted(highlighted)
        self._sign(highlighted)

    def on_focus(self) -> None:
        """Say that keys go here."""
        self.border_title = f"{FOCUSED} {self._words}"

    def on_blur(self) -> None:
        """Say that they do not."""
        self.border_title = self._words

    def _sign(self, index: int | None) -> None:
        for at, signed in ((self._signed, False), (index, True)):
            if at is not None and at < min(len(self._parts), self.option_count):
                self.replace_option_prompt_at_index(at, self._line(at, signed=signed))
        self._signed = index

    def _line(self, index: int, *, signed: bool) -> Any:
        part = self._parts[index]
        return content_of([Part(f"{CHOSEN if signed else ' '} {part.text}", part.tone)])


class SignButton(Button):
    """A button with a sign before its words while Enter would press it."""

    def __init__(self, words: str, *, id: str, variant: Any = "default") -> None:  # noqa: A002
        super().__init__(content_of([Part(f"  {words}")]), id=id, variant=variant)
        self._words = words

    def on_focus(self) -> None:
        """Say that Enter presses this one."""
        self.label = content_of([Part(f"{FOCUSED} {self._words}")])

    def on_blur(self) -> None:
        """Say that it does not."""
        self.label = content_of([Part(f"  {self._words}")])
