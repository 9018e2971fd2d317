"""Where a person types what the diagnostic tool shows: large, obvious, and read back at once.

Knows: an input line, and how a typed temperature is understood.
Must not know: links, who asked, what the answer is for.
"""

from __future__ import annotations

from textual import on
from textual.app import ComposeResult
from textual.containers import Horizontal, Vertical
from textual.message import Message
from textual.widgets import Digits, Input

from controller.errors import InputError
from controller.tui.parts import Part, Tone
from controller.tui.scale import Scale
from controller.tui.text import one_line
from controller.tui.widgets.lines import Sentences
from controller.units import parse_temperature

__all__ = ["AnswerBox", "understood", "with_unit"]


def understood(text: str, scale: Scale) -> float | None:
    """Return the degC that a typed text stands for, None when it is no temperature."""
    text = text.strip().replace(",", ".")
    if not text:
        return None
    try:
        return parse_temperature(with_unit(text, scale), what="reading")
    except InputError:
        return None


def with_unit(text: str, scale: Scale) -> str:
    """Return a typed number with the unit that was on the screen; other texts as they are."""
    return text + scale.value if text[-1:].isdigit() or text[-1:] in (".", "°") else text


class AnswerBox(Vertical):
    """The question, the input, what is understood, what the readback said to it."""

    DEFAULT_CSS = """
    AnswerBox { height: auto; border: heavy $accent; padding: 0 1; }
    AnswerBox.-idle { border: heavy $panel; }
    AnswerBox Horizontal { height: 3; }
    AnswerBox Input { width: 30; border: tall $accent; text-style: bold; }
    AnswerBox Digits { width: 1fr; padding: 0 2; color: $accent; text-style: bold; }
    AnswerBox #question { text-style: bold; padding: 0; height: auto; }
    AnswerBox #said { padding: 0; height: auto; min-height: 1; }
    """

    class Given(Message):
        """A line was typed."""

        def __init__(self, text: str) -> None:
            super().__init__()
            self.text = text

    def __init__(self, scale: Scale, *, id: str | None = None) -> None:  # noqa: A002
        super().__init__(id=id)
        self._scale = scale
        self._asked: str | None = None
        self._doubt = ""

    def compose(self) -> ComposeResult:
        """Return the parts."""
        yield Sentences(id="question")
        with Horizontal():
            yield Input(
                placeholder=f"what it shows, {self._scale.unit}",
                id="reading",
                select_on_focus=False,
            )
            yield Digits("", id="echo")
        yield Sentences(id="said")

    def use(self, scale: Scale) -> None:
        """Take numbers without a unit in another one."""
        self._scale = scale
        field = self.query_one(Input)
        field.placeholder = f"what it shows, {scale.unit}"
        self._echo(field.value)

    def ask(self, question: str | None, waiting: str, said: tuple[str, ...]) -> bool:
        """Show the question, or what is being waited for; and the last words to the person.

        Returns whether this is another question than before.
        """
        new = question is not None and question != self._asked
        if question != self._asked:
            self._asked = question
            self._doubt = ""
            field = self.query_one(Input)
            field.value = ""
            self.set_class(question is None, "-idle")
        text = Part(question, Tone.STRONG) if question else Part(waiting, Tone.FAINT)
        self.query_one("#question", Sentences).show((text,))
        hint = (
            f"{self._scale.unit} unless you write C or F; or skip, redo, stop; -- if it shows none"
        )
        if self._doubt and not said:
            said = (self._doubt,)
        words = tuple(Part(one_line(one), Tone.DOUBT) for one in said[-2:]) or (
            Part(hint, Tone.FAINT),
        )
        self.query_one("#said", Sentences).show(words)
        return new

    def doubt(self, text: str, why: str) -> None:
        """Give a line back for a second thought."""
        field = self.query_one(Input)
        field.value = text
        field.cursor_position = len(text)
        self._doubt = why
        self.query_one("#said", Sentences).show([Part(why, Tone.DOUBT)])

    @on(Input.Changed)
    def _read_back(self, event: Input.Changed) -> None:
        self._echo(event.value)

    def _echo(self, typed: str) -> None:
        """Show large what is understood, in the unit of the screen."""
        celsius, scale = understood(typed, self._scale), self._scale
        known = celsius is not None and abs(celsius) < 5_000
        text = f"{scale.of(celsius):.1f} {scale.value}" if known and celsius is not None else ""
        self.query_one(Digits).update(text)

    @on(Input.Submitted)
    def _give(self, event: Input.Submitted) -> None:
        event.stop()
        text = event.value.strip()
        if not text or self._asked is None:
            return
        event.input.value = ""
        self.post_message(self.Given(with_unit(text, self._scale)))
