"""The keys of the screen one comes from, made from its bindings.

Knows: bindings and their tooltips.
Must not know: what any of them does.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical, VerticalScroll
from textual.screen import ModalScreen, Screen

from controller.tui.parts import Part, Tone
from controller.tui.widgets.lines import PartsLine, Sentences, StatusLine

__all__ = ["HelpScreen", "key_lines"]


def key_lines(screen: Screen[object]) -> tuple[tuple[str, str, str], ...]:
    """Return (keys, name, explanation) of everything a key does on a screen now, once each.

    The screen's own keys come first, then those that work everywhere, then those of the widget
    that has the focus.
    """
    keys: dict[tuple[int, str, str], list[str]] = {}
    for key, active in screen.active_bindings.items():
        binding = active.binding
        # What Textual binds by itself comes without an explanation: nobody is to look for it here.
        if binding.system or not binding.tooltip or not active.enabled:
            continue
        rank = 0 if active.node is screen else 1 if active.node is screen.app else 2
        told = (rank, binding.description, binding.tooltip)
        keys.setdefault(told, []).append(screen.app.get_key_display(binding) or key)
    return tuple(
        (", ".join(dict.fromkeys(found)), name, why)
        for (_, name, why), found in sorted(keys.items(), key=lambda item: item[0][0])
    )


class HelpScreen(ModalScreen[None]):
    """What this screen is for, and its keys."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding(
            "escape,f1", "dismiss(None)", "Close", tooltip="Back to the screen", id="help.close"
        )
    ]

    def __init__(self, about: str, keys: Sequence[tuple[str, str, str]]) -> None:
        super().__init__(classes="ask")
        self._about = about
        self._keys = tuple(keys)

    def compose(self) -> ComposeResult:
        """Return the parts."""
        with Vertical(id="box"):
            yield PartsLine(id="ask-title")
            with VerticalScroll(id="reasons"):
                yield Sentences(id="ask-reasons")
        yield StatusLine()

    def on_resize(self) -> None:
        """Give the keys what room there is."""
        self.query_one("#reasons").styles.max_height = max(3, self.size.height - 5)

    def on_mount(self) -> None:
        """Fill the parts in."""
        self.query_one("#ask-title", PartsLine).show(
            [Part("Keys on this screen", Tone.STRONG), Part("Esc closes", Tone.FAINT)]
        )
        wide = max((len(keys) for keys, _, _ in self._keys), default=0)
        parts = [Part(self._about), Part("")] if self._about else []
        parts += [
            Part(f"{keys:{wide}}  {name}" + (f": {why}" if why and why != name else ""))
            for keys, name, why in self._keys
        ]
        self.query_one("#ask-reasons", Sentences).show(parts)
        self.query_one("#reasons").focus()
