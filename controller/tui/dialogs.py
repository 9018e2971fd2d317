"""Questions that must be answered before something is driven; the safe answer is the default."""

from __future__ import annotations

import time
from collections.abc import Hashable, Sequence
from typing import ClassVar

from textual import on
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical, VerticalScroll
from textual.screen import ModalScreen
from textual.widgets import Button, OptionList

from controller.cautions import CAUTIONS_TITLE, cautions_with, short_circuit_sentence
from controller.tui.parts import Part, Tone
from controller.tui.text import one_line
from controller.tui.widgets.lines import PartsLine, Sentences, StatusLine
from controller.tui.widgets.picks import PickList, SignButton
from controller.tui.workshop import Found

__all__ = ["Ask", "PickOne", "PickRecord", "Working", "ask_cautions"]


class Ask(ModalScreen[bool]):
    """A question with its reasons. `yes` says what will happen; `no` is the safe answer.

    Without a `yes` there is nothing to decide, only something to read.
    """

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("y", "answer(True)", "Yes", tooltip="Go on", id="ask.yes"),
        Binding("n,escape", "answer(False)", "No", tooltip="The safe answer", id="ask.no"),
        Binding("left,right", "other", "Other button", show=False, tooltip="Change over"),
        Binding("down,pagedown", "read(1)", "Read on", show=False, tooltip="Scroll down",
                id="ask.down"),
        Binding("up,pageup", "read(-1)", "Read back", show=False, tooltip="Scroll up",
                id="ask.up"),
    ]  # fmt: skip

    def __init__(
        self, title: str, reasons: Sequence[Part], *, yes: str | None, no: str = "No, not now"
    ) -> None:
        super().__init__(classes="ask")
        self._title = title
        self._reasons = tuple(reasons)
        self._yes, self._no = yes, no

    def compose(self) -> ComposeResult:
        """Return the parts."""
        with Vertical(id="box"):
            yield PartsLine(id="ask-title")
            with VerticalScroll(id="reasons", can_focus=False):
                yield Sentences(id="ask-reasons")
            yield PartsLine(id="more")
            with Horizontal(id="buttons"):
                yield SignButton(f"{self._no} (n)", id="no")
                if self._yes is not None:
                    yield SignButton(f"{self._yes} (y)", id="yes", variant="warning")
        yield StatusLine()

    def on_mount(self) -> None:
        """Fill the parts in."""
        self.query_one("#ask-title", PartsLine).show([Part(one_line(self._title), Tone.STRONG)])
        self.query_one(Sentences).show(self._reasons)
        self.query_one("#more", PartsLine).show([Part("▼ more below: Down shows it", Tone.DOUBT)])
        self.query_one("#no", Button).focus()
        reasons = self.query_one("#reasons")
        self.watch(reasons, "scroll_y", self._fit, init=False)
        self.watch(reasons, "virtual_size", self._fit, init=False)

    def on_resize(self) -> None:
        """Give the reasons what room there is; the buttons always stay in sight."""
        self.call_after_refresh(self._fit)

    def _fit(self) -> None:
        """Show all of the reasons where there is room, else say that there is more below."""
        reasons, long = self.query_one("#reasons"), self.query_one("#ask-reasons").size.height
        room = max(3, self.size.height - 8)  # less title, buttons, frame and two lines of status
        if long > room:
            room -= 1
        reasons.styles.height = min(long, room)
        self.query_one("#more").set_class(long - reasons.scroll_offset.y > room, "-shown")

    def action_read(self, direction: int) -> None:
        """Scroll the reasons; where all are in sight, move to the other button."""
        reasons = self.query_one("#reasons")
        if not reasons.max_scroll_y:
            self.action_other()
        else:
            lines = direction * max(1, reasons.size.height - 1)
            reasons.scroll_relative(y=lines, animate=False)

    @on(Button.Pressed)
    def _pressed(self, event: Button.Pressed) -> None:
        self.dismiss(event.button.id == "yes")

    def action_answer(self, yes: bool) -> None:
        """Take the answer."""
        self.dismiss(yes and self._yes is not None)

    def action_other(self) -> None:
        """Move to the other button."""
        if self._yes is None:
            return
        other = "#yes" if self.query_one("#no", Button).has_focus else "#no"
        self.query_one(other, Button).focus()


class Working(ModalScreen[None]):
    """Says what is being done; Esc gives it up."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "dismiss(None)", "Give up", tooltip="Wait no longer", id="working.end")
    ]

    def __init__(self, told: str) -> None:
        super().__init__(classes="ask")
        self._told = told

    def compose(self) -> ComposeResult:
        """Return the parts."""
        with Vertical(id="box"):
            yield PartsLine(id="ask-title")
            yield Sentences(id="ask-reasons")
        yield StatusLine()

    def on_mount(self) -> None:
        """Begin to count."""
        self._began_s = time.monotonic()
        self.query_one("#ask-title", PartsLine).show([Part(one_line(self._told), Tone.STRONG)])
        self._count()
        self.set_interval(1.0, self._count)

    def _count(self) -> None:
        gone_s = time.monotonic() - self._began_s
        self.query_one(Sentences).show([Part(f"{gone_s:.0f} s so far. Esc gives it up.")])


def ask_cautions(
    amperes: float | None,
    watts: float | None,
    of_bench: Sequence[str] = (),
    *,
    first: Sequence[str] = (),
) -> Ask:
    """Return the question that comes before real equipment is driven for the first time.

    `first` are cautions of what is to be done, `of_bench` those of the bench's own ladder.
    """
    told = (*first, *cautions_with(of_bench), short_circuit_sentence(amperes, watts))
    return Ask(
        CAUTIONS_TITLE,
        [Part(f"· {caution}") for caution in told],
        yes="I have read it; go on",
    )


class PickOne(ModalScreen["tuple[Hashable] | None"]):
    """A list of anything, each with its key; returns the key in a tuple, None for none."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "leave", "Back", tooltip="Pick none", id="one.back")
    ]

    def __init__(self, title: str, lines: Sequence[tuple[Hashable, Part]]) -> None:
        super().__init__(classes="ask")
        self._title = title
        self._lines = tuple(lines)

    def compose(self) -> ComposeResult:
        """Return the parts."""
        with Vertical(id="box"):
            yield PartsLine(id="ask-title")
            yield PickList("Enter picks, Esc leaves it", id="one")
        yield StatusLine()

    def on_mount(self) -> None:
        """Fill the parts in."""
        self.query_one("#ask-title", PartsLine).show([Part(self._title, Tone.STRONG)])
        self.query_one(PickList).fill(self._lines)
        self.query_one(PickList).focus()

    @on(OptionList.OptionSelected)
    def _picked(self, event: OptionList.OptionSelected) -> None:
        self.dismiss((self._lines[event.option_index][0],))

    def action_leave(self) -> None:
        """Pick none."""
        self.dismiss(None)


class PickRecord(ModalScreen[Found | None]):
    """A list of files, of which one is picked; `lines` are shown in place of their names."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "leave", "Back", tooltip="Pick none", id="pick.back")
    ]

    def __init__(
        self, title: str, records: Sequence[Found], lines: Sequence[Part] | None = None
    ) -> None:
        super().__init__(classes="ask")
        self._title = title
        self._records = tuple(records)
        self._lines = lines or [Part(one_line(one.name)) for one in records]

    def compose(self) -> ComposeResult:
        """Return the parts."""
        with Vertical(id="box"):
            yield PartsLine(id="ask-title")
            yield PickList("records", id="records")
        yield StatusLine()

    def on_mount(self) -> None:
        """Fill the parts in."""
        self.query_one("#ask-title", PartsLine).show([Part(self._title, Tone.STRONG)])
        paths = [one.path for one in self._records]
        self.query_one(PickList).fill(list(zip(paths, self._lines, strict=True)))
        self.query_one(PickList).focus()

    @on(OptionList.OptionSelected)
    def _picked(self, event: OptionList.OptionSelected) -> None:
        self.dismiss(self._records[event.option_index])

    def action_leave(self) -> None:
        """Pick none."""
        self.dismiss(None)
