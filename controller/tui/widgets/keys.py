"""The line of keys at the bottom: those that must never be missing are always there.

Knows: bindings, and how wide the line is.
Must not know: what the keys do.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import NamedTuple

from textual import events
from textual.app import ComposeResult
from textual.widgets import Footer
from textual.widgets._footer import FooterKey

__all__ = ["KeysLine"]

_ALWAYS = ("f12", "f1", "enter", "escape", "ctrl+q")


class _Shown(NamedTuple):
    key: str
    display: str
    words: str
    action: str
    enabled: bool
    tooltip: str

    @property
    def width(self) -> int:
        """Cells, with the gap after it."""
        return len(self.display) + len(self.words) + 2


class KeysLine(Footer):
    """STOP, Help, Enter, Back and Quit always; of the others as many as fit, from the first on.

    `enter` says what Enter does where the widget in focus takes that key itself.
    """

    def __init__(self, enter: Callable[[], str]) -> None:
        super().__init__(show_command_palette=False, compact=True)
        self._enter = enter
        self._room = 0
        self._shown: tuple[_Shown, ...] = ()

    async def recompose(self) -> None:
        """Mount the keys anew where others are to be shown than stand there.

        Textual asks for it at every change of focus and of screens, and most change no key;
        mounting a dozen widgets is half of what answering a key costs.
        """
        if not self.is_attached:
            return  # asked for before the screen was left
        shown = _fitting(tuple(self._found()), self.size.width or self.app.size.width)
        if shown != self._shown:
            self._shown = shown
            await super().recompose()

    def compose(self) -> ComposeResult:
        """Return the keys that are shown."""
        for one in self._shown:
            yield FooterKey(
                one.key,
                one.display,
                one.words,
                one.action,
                disabled=not one.enabled,
                tooltip=one.tooltip,
                classes="-compact",  # from the start: each class added later means rules anew
            )

    def on_resize(self, event: events.Resize) -> None:
        """Show as many as fit now."""
        if event.size.width != self._room:
            self._room = event.size.width
            self.call_after_refresh(self.recompose)

    def _found(self) -> Iterable[_Shown]:
        """Return every key worth a place once, those that must be there first."""
        seen: set[str] = set()
        shown: list[_Shown] = []
        for active in self.screen.active_bindings.values():
            binding = active.binding
            if not binding.show or not binding.description or binding.action in seen:
                continue
            seen.add(binding.action)
            shown.append(
                _Shown(
                    binding.key,
                    self.app.get_key_display(binding),
                    binding.description,
                    binding.action,
                    active.enabled,
                    active.tooltip or binding.description,
                )
            )
        enter = self._enter()
        if enter and all(one.key != "enter" for one in shown):
            shown.append(_Shown("enter", "Enter", enter, "screen.nothing", True, enter))
        return sorted(shown, key=lambda one: _rank(one.key))


def _rank(key: str) -> int:
    """Order: STOP, Help, Enter; the screen's own; Back and Quit at the end."""
    return {"f12": 0, "f1": 1, "enter": 2, "escape": 8, "ctrl+q": 9}.get(key, 5)


def _fitting(shown: tuple[_Shown, ...], room: int) -> tuple[_Shown, ...]:
    """Return what fits, in order; what must be there counts first."""
    left = room - sum(one.width for one in shown if one.key in _ALWAYS)
    kept = []
    full = False
    for one in shown:
        if one.key in _ALWAYS:
            kept.append(one)
        elif not full and one.width <= left:
            left -= one.width
            kept.append(one)
        else:
            full = True
    return tuple(kept)
