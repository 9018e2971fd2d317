"""Where a person types what the diagnostic tool shows: large, obvious, and read back at once.

Knows: an input line, and how a typed temperature is understood.
Must not know: links, who asked, what the answer is for.
"""

from __future__ import annotations

from textual import events, on
from textual.app import ComposeResult
from textual.containers import Horizontal, Vertical
from textual.message import Message
from textual.widgets import Digits, Input

from controller.errors import InputError
from controller.tui.parts import Part, Tone
from controller.tui.scale import Scale
from controller.tui.sentences import sentence_on
from controller.tui.text import one_line
from controller.tui.widgets.lines import Sentences
from controller.units import parse_temperature

__all__ = ["AnswerBox", "ReadingInput", "understood", "with_unit"]


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


class ReadingInput(Input):
    """An input for one reading: of several pasted at once none is taken.

    Enter empties it before the next key is looked at, so that no key of the next line goes with
    the last one.
    """

    class Several(Message):
        """Several came at once."""

        def __init__(self, count: int) -> None:
            super().__init__()
            self.count = count

    async def action_submit(self) -> None:
        """Hand the line over and begin an empty one."""
        await super().action_submit()
        self.value = ""

    def on_paste(self, event: events.Paste) -> None:
        """Take one line, refuse several."""
        count = len([line for line in event.text.splitlines() if line.strip()])
        if count > 1:
            event.prevent_default()
            event.stop()
            self.post_message(self.Several(count))


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
        """A line was typed, in answer to the question of this token."""

        def __init__(self, text: str, token: object) -> None:
            super().__init__()
            self.text = text
            self.token = token

    def __init__(self, scale: Scale, *, id: str | None = None) -> None:  # noqa: A002
        super().__init__(id=id)
        self._scale = scale
        self._asked: tuple[object, str] | None = None
        self._told: tuple[str, ...] = ()
        self._given = False
        self._fixed_celsius: float | None = None
        self._yes_or_no = False
        self._doubt = ""
        self._refused = ""

    def compose(self) -> ComposeResult:
        """Return the parts."""
        yield Sentences(id="question")
        with Horizontal():
            yield ReadingInput(
                placeholder=f"what it shows, {self._scale.unit}",
                id="reading",
                select_on_focus=False,
            )
            yield Digits("", id="echo")
        yield Sentences(id="said")

    @property
    def open_token(self) -> object:
        """The token of the question that Enter would answer now; None while there is none."""
        return None if self._asked is None or self._given else self._asked[0]

    def use(self, scale: Scale) -> None:
        """Take numbers without a unit in another one."""
        self._scale = scale
        field = self.query_one(Input)
        field.placeholder = "y or n" if self._yes_or_no else f"what it shows, {scale.unit}"
        self._echo(field.value)

    def ask(
        self,
        question: str | None,
        waiting: str,
        said: tuple[str, ...],
        *,
        token: object = None,
        fixed_celsius: float | None = None,
        yes_or_no: bool = False,
    ) -> bool:
        """Show the question, or what is being waited for; and the last words to the person.

        `token` tells one question from the next. `fixed_celsius` is what a healthy module shows in
        place of a measurement; an equals sign stands for it. To a question of `yes_or_no` the key
        is the answer, without Enter. Returns whether this is another
        question than before. What is half typed stays: if a part of a line were taken away, its
        rest could pass for a reading.
        """
        asked = None if question is None else (token, question)
        new = asked is not None and asked != self._asked
        self._fixed_celsius = fixed_celsius
        if yes_or_no is not self._yes_or_no:
            self._yes_or_no = yes_or_no
            self.use(self._scale)
        if said is not self._told:
            self._told = said
            self._given = False  # the readback wants another answer to the same question
        if asked != self._asked:
            self._asked = asked
            self._given = False
            self._doubt = ""
            self.set_class(question is None, "-idle")
        text = Part(question, Tone.STRONG) if question else Part(waiting, Tone.FAINT)
        self.query_one("#question", Sentences).show((text,))
        fixed = "" if fixed_celsius is None else f"; = if it shows {self._shown(fixed_celsius)}"
        hint = f"a number alone is {self._scale.unit}; -- if it shows none{fixed}; skip, redo, stop"
        if yes_or_no:
            hint = "y or n is the answer, without Enter; stop and Enter ends the search"
        if self._doubt and not said:
            said = (self._doubt,)
        elif self._refused and not said:
            said = (self._refused,)
        words = tuple(Part(sentence_on(one, self._scale), Tone.DOUBT) for one in said[-2:]) or (
            Part(hint, Tone.FAINT),
        )
        self.query_one("#said", Sentences).show(words)
        return new

    def _shown(self, celsius: float) -> str:
        return f"{self._scale.of(celsius):.1f}"

    def withdraw(self) -> None:
        """Take no answer to this question any more: another one was wished for."""
        self.query_one(Input).value = ""
        self._given = True

    def doubt(self, text: str, why: str) -> None:
        """Give a line back for a second thought."""
        field = self.query_one(Input)
        field.value = text
        field.cursor_position = len(text)
        self._doubt = why
        self._given = False
        self.query_one("#said", Sentences).show([Part(why, Tone.DOUBT)])

    @on(Input.Changed)
    def _read_back(self, event: Input.Changed) -> None:
        if event.value:
            self._refused = ""
        if self._yes_or_no and event.value[-1:].lower() in ("y", "n"):
            self.query_one(Input).value = ""
            self._take(event.value[-1].lower())
            return
        self._echo(event.value)

    def _echo(self, typed: str) -> None:
        """Show large what is understood, in the unit of the screen."""
        celsius, scale = understood(self._meant(typed), self._scale), self._scale
        known = celsius is not None and abs(celsius) < 5_000
        text = f"{scale.of(celsius):.1f} {scale.value}" if known and celsius is not None else ""
        self.query_one(Digits).update(text)

    def _meant(self, text: str) -> str:
        """Return what a line stands for: an equals sign is the module's fixed value."""
        if text.strip() == "=" and self._fixed_celsius is not None:
            return f"{self._fixed_celsius:g}C"
        return text

    @on(Input.Submitted)
    def _give(self, event: Input.Submitted) -> None:
        event.stop()
        self._take(self._meant(event.value.strip()))

    def _take(self, text: str) -> None:
        """Hand a line over, if a question is open."""
        if not text:
            return
        if self._asked is None or self._given:
            self.refuse(f"{text} came before the next question and was not taken.")
            return
        self._given = True
        self.post_message(self.Given(with_unit(text, self._scale), self._asked[0]))

    def refuse(self, why: str) -> None:
        """Say why something typed was not taken, until something else is typed."""
        self._refused = why
        self.query_one("#said", Sentences).show([Part(one_line(why), Tone.DOUBT)])

    @on(ReadingInput.Several)
    def _several(self, message: ReadingInput.Several) -> None:
        self.refuse(f"{message.count} readings came at once and none was taken: one at a time.")
