"""Readings that a person types at a prompt.

Knows: what may be typed, and that a line answers the prompt that was open when it was finished.
Must not know: terminals beyond a source of lines and a way to write one.

Stale lines: when a prompt opens, every line that is already waiting was finished before it, is
taken out and dropped, and the person is told. A line half typed at that moment counts for the new
prompt, because it is the Enter key that answers. A script that feeds all its answers at once sets
`keep_early`; then each line answers one prompt, in order.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Literal

from controller.clock import Clock
from controller.errors import InputError
from controller.readback.base import Answer, OperatorCommand, Prompt, Reading
from controller.readback.lines import LineSource, TypedLines
from controller.units import celsius_from_fahrenheit, parse_temperature

__all__ = ["TypedReadback"]

COMMANDS = {
    "skip": OperatorCommand.SKIP,
    "s": OperatorCommand.SKIP,
    "redo": OperatorCommand.REDO,
    "r": OperatorCommand.REDO,
    "stop": OperatorCommand.STOP,
    "q": OperatorCommand.STOP,
}
YES, NO = ("y", "yes"), ("n", "no")
YES_OR_NO_HELP = "type y or n, or stop"
HELP = "type the temperature shown (83, 83C, 181F), -- if it shows none, or skip, redo, stop"


class TypedReadback:
    """Asks a person for one reading at each prompt.

    A number without a unit is in `default_unit`. Temperatures outside `plausible_celsius` (lowest,
    highest) have to be confirmed. `write` gets whole lines without line end. The end of the input
    answers every prompt with stop.
    """

    name = "typed by the operator"
    continuous = False

    def __init__(
        self,
        lines: LineSource,
        write: Callable[[str], None],
        clock: Clock,
        default_unit: Literal["C", "F"] = "C",
        *,
        plausible_celsius: tuple[float, float] = (-50.0, 150.0),
        keep_early: bool = False,
    ) -> None:
        self._lines = TypedLines(lines)
        self._write = write
        self._clock = clock
        self._default_unit = default_unit
        self._plausible_celsius = plausible_celsius
        self._keep_early = keep_early
        self._token: int | None = None
        self._unconfirmed: float | None = None
        self._yes_or_no = False

    def open(self) -> None:
        """Nothing has to be found."""

    def codes(self) -> None:
        """Return nothing: a person is not asked for codes here."""

    def ask(self, prompt: Prompt) -> None:
        """Begin a prompt: drop the lines finished before it, then show its text."""
        self._unconfirmed = None
        if not self._keep_early:
            while (line := self._lines.next()) is not None:
                self._write(f"{_shown(line)} came before this prompt and was dropped")
        self._token = prompt.token
        self._yes_or_no = prompt.yes_or_no
        self._write(prompt.text)

    def poll(self) -> Answer | None:
        """Return the answer to the open prompt, once; talk the person through bad input."""
        while self._token is not None:
            line = self._lines.next()
            if self._lines.ended:
                return self._answer(OperatorCommand.STOP)
            if line is None:
                return None
            answer = self._understand(line.strip(), self._token)
            if answer is not None:
                return self._answer(answer)
        return None

    def close(self) -> None:
        """Close the prompt."""
        self._token = None

    def _answer(self, answer: Answer) -> Answer:
        self._token = None
        return answer

    def _understand(self, text: str, token: int) -> Answer | None:
        """Return what a line means, or None after telling the person what to do."""
        word = text.lower()
        unconfirmed, self._unconfirmed = self._unconfirmed, None
        if word in COMMANDS:
            return COMMANDS[word]
        if self._yes_or_no:
            return self._yes_or_no_of(word, token)
        if word and not word.strip("-"):
            return self._reading(token, None)
        if unconfirmed is not None and word in ("y", "yes"):
            return self._reading(token, unconfirmed)
        try:
            celsius = self._parse(text)
        except InputError:
            self._write((f"{_shown(text)} is not a temperature: " if text else "") + HELP)
            return None
        lowest, highest = self._plausible_celsius
        if lowest <= celsius <= highest or celsius == unconfirmed:
            return self._reading(token, celsius)
        self._unconfirmed = celsius
        self._write(self._doubt(celsius))
        return None

    def _yes_or_no_of(self, word: str, token: int) -> Answer | None:
        if word in YES or word in NO:
            seen = word in YES
            return Reading(token=token, celsius=None, at_s=self._clock.now_s(), seen=seen)
        self._write((f"{_shown(word)} is neither yes nor no: " if word else "") + YES_OR_NO_HELP)
        return None

    def _parse(self, text: str) -> float:
        """Return degC. Raises InputError."""
        text = text.replace(",", ".")  # the decimal sign of half of Europe
        unit = "" if text[-1:].isalpha() else self._default_unit
        return parse_temperature(text + unit, what="reading")

    def _doubt(self, celsius: float) -> str:
        lowest, highest = self._plausible_celsius
        doubt = f"{celsius:.4g} degC is outside {lowest:g} to {highest:g} degC"
        if lowest <= celsius_from_fahrenheit(celsius) <= highest:
            doubt += f"; if it was degF, type {celsius:.4g}F"
        return f"{doubt}; type y to take it as it is, or the right value"

    def _reading(self, token: int, celsius: float | None) -> Reading:
        return Reading(token=token, celsius=celsius, at_s=self._clock.now_s())


def _shown(line: str) -> str:
    """Quote what was typed, without control characters and not too much of it."""
    text = line.strip()
    return repr(text if len(text) <= 40 else text[:37] + "...")
