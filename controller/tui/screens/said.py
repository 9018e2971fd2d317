"""What only a person knows of a run: the machine, its codes before and after, a note.

Knows: the fields of the page to hand over that no record has.
Must not know: records, where it is kept.
"""

from __future__ import annotations

from dataclasses import replace
from typing import ClassVar

from textual import on
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.screen import ModalScreen
from textual.widgets import Input, Label

from controller.reports.told import Told
from controller.tui.parts import Part, Tone
from controller.tui.text import one_line
from controller.tui.widgets.lines import PartsLine, StatusLine

__all__ = ["AskLine", "SaidForm", "said_words"]

_FIELDS = (
    ("machine", "machine", "name or number, as the workshop calls it"),
    ("codes_before", "codes before", "as the tool showed them before the run; none"),
    ("codes_after", "codes after", "as it shows them now; none"),
    ("note", "note", "anything worth knowing"),
)


def said_words(told: Told) -> Part:
    """Say in one line what was written; nothing has to be."""
    codes = f"codes before {told.codes_before or '-'}, after {told.codes_after or '-'}"
    note = f"; note {' '.join(told.notes)}" if told.notes else ""
    return Part(one_line(f"machine {told.machine or '-'}; {codes}{note}"), Tone.FAINT)


class SaidForm(ModalScreen[Told | None]):
    """A line for each; every one may stay empty. Enter goes on, and from the last one keeps all."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "leave", "Leave as it was", tooltip="Keep nothing", id="said.back"),
        Binding("f2,ctrl+s", "keep", "Keep", tooltip="Keep what is written", id="said.keep"),
    ]

    def __init__(self, told: Told, first: str = "machine") -> None:
        super().__init__(classes="ask")
        self._told = told
        self._first = first

    def compose(self) -> ComposeResult:
        """Return the parts."""
        values = {
            "machine": self._told.machine,
            "codes_before": self._told.codes_before,
            "codes_after": self._told.codes_after,
            "note": " ".join(self._told.notes),
        }
        with Vertical(id="box"):
            yield PartsLine(id="ask-title")
            for name, words, hint in _FIELDS:
                yield Label(f"{words}:", markup=False)
                yield Input(one_line(values[name]), placeholder=hint, id=name, compact=True)
            yield PartsLine(id="ask-keys")
        yield StatusLine()

    def on_mount(self) -> None:
        """Begin at the field that is asked for."""
        self.query_one("#ask-title", PartsLine).show(
            [Part("About this run; any of it may stay empty", Tone.STRONG)]
        )
        self.query_one("#ask-keys", PartsLine).show(
            [Part("Enter next, from the last: keep; F2 keep now; Esc leave as it was", Tone.FAINT)]
        )
        self.query_one(f"#{self._first}", Input).focus()

    @on(Input.Submitted)
    def _next(self, event: Input.Submitted) -> None:
        event.stop()
        if event.input.id == _FIELDS[-1][0]:
            self.action_keep()
        else:
            self.focus_next()

    def action_keep(self) -> None:
        """Keep what is written."""
        said = {name: one_line(self.query_one(f"#{name}", Input).value) for name, _, _ in _FIELDS}
        note = said.pop("note")
        self.dismiss(replace(self._told, **said, notes=(note,) if note else ()))  # type: ignore[arg-type]

    def action_leave(self) -> None:
        """Keep what was there before."""
        self.dismiss(None)


class AskLine(ModalScreen[str | None]):
    """One line of text; None when it is left."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "leave", "Leave", tooltip="Keep nothing", id="line.back")
    ]

    def __init__(self, title: str, hint: str) -> None:
        super().__init__(classes="ask")
        self._title, self._hint = title, hint

    def compose(self) -> ComposeResult:
        """Return the parts."""
        with Vertical(id="box"):
            yield PartsLine(id="ask-title")
            yield Input(placeholder=self._hint, id="line")
        yield StatusLine()

    def on_mount(self) -> None:
        """Fill the parts in."""
        self.query_one("#ask-title", PartsLine).show(
            [Part(one_line(self._title), Tone.STRONG), Part("Enter keeps it, Esc leaves")]
        )
        self.query_one(Input).focus()

    @on(Input.Submitted)
    def _keep(self, event: Input.Submitted) -> None:
        event.stop()
        self.dismiss(one_line(event.value) or None)

    def action_leave(self) -> None:
        """Keep nothing."""
        self.dismiss(None)
