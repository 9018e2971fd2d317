"""Lines of toned text: one that is updated in place, and the status line.

Knows: parts with tones.
Must not know: what they mean, events.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol, cast

from textual.widgets import Static

from controller.tui.palette import content_of, sentences
from controller.tui.parts import Part, within

__all__ = ["PartsLine", "Sentences", "StatusLine"]


class _Speaker(Protocol):
    """The program, as far as the status line asks it."""

    def status(self) -> tuple[Part, ...]: ...


class PartsLine(Static):
    """One line, repainted only when it changes, never laid out again.

    Where it is too long, whole parts at its end are left out: a number is shown or is not.
    """

    DEFAULT_CSS = """
    PartsLine { height: 1; text-wrap: nowrap; text-overflow: ellipsis; padding: 0 1; }
    """

    def __init__(self, *, id: str | None = None, classes: str | None = None) -> None:  # noqa: A002
        super().__init__("", id=id, classes=classes, markup=False)
        self._shown: tuple[Part, ...] = ()

    def show(self, parts: Sequence[Part]) -> None:
        """Put other parts on the line."""
        if tuple(parts) != self._shown:
            self._shown = tuple(parts)
            self._fit()

    def on_resize(self) -> None:
        """Show as much as fits now."""
        self._fit()

    def _fit(self) -> None:
        room = self.size.width
        parts = within(self._shown, room) if room else self._shown
        self.update(content_of(parts), layout=False)


class StatusLine(PartsLine):
    """Always there: driving or parked, what, the relays, the link."""

    DEFAULT_CSS = """
    StatusLine { background: $panel; color: $foreground; }
    """

    def on_mount(self) -> None:
        """Never stand there empty."""
        self.show(cast("_Speaker", self.app).status())


class Sentences(Static):
    """Several lines that may wrap; laid out again when they change."""

    DEFAULT_CSS = """
    Sentences { height: auto; padding: 0 1; }
    """

    def __init__(self, *, id: str | None = None, classes: str | None = None) -> None:  # noqa: A002
        super().__init__("", id=id, classes=classes, markup=False)
        self._shown: tuple[Part, ...] = ()

    def show(self, parts: Sequence[Part]) -> None:
        """Put other lines there."""
        if tuple(parts) != self._shown:
            self._shown = tuple(parts)
            self.update(sentences(parts))
