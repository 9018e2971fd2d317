"""Ohms that a person reads off a meter and types.

Knows: what may be typed, and which readings have to be confirmed.
Must not know: terminals beyond a source of lines and a way to write one, links, files.
"""

from __future__ import annotations

from collections.abc import Callable

from controller.errors import InputError
from controller.meters.base import MeterAnswer, MeterQuestion
from controller.readback.base import OperatorCommand
from controller.readback.lines import LineSource, TypedLines
from controller.text import clean, ohms
from controller.units import parse_ohms

__all__ = ["TypedMeter"]

_DOUBTFUL_SHARE, _DOUBTFUL_OHMS = 0.1, 2.0
"""A reading further from the expected one than this has to be confirmed."""

_HELP = "type the meter's ohms (2500, 2.5k), or skip, or stop"
_COMMANDS = {
    "skip": OperatorCommand.SKIP,
    "s": OperatorCommand.SKIP,
    "stop": OperatorCommand.STOP,
    "q": OperatorCommand.STOP,
}


class TypedMeter:
    """Asks a person for the ohms of one state after the other.

    With `keep_early`, as for a script, lines that wait before a question count as its answer; a
    person's are dropped, because they belong to the state before. The end of the input is a stop.
    """

    def __init__(
        self, lines: LineSource, write: Callable[[str], None], *, keep_early: bool = False
    ) -> None:
        self._lines = TypedLines(lines)
        self._write = write
        self._keep_early = keep_early
        self._question: MeterQuestion | None = None
        self._doubted: float | None = None

    def open(self) -> None:
        """Do nothing: a person is there or is not."""

    def close(self) -> None:
        """Do nothing."""

    def ask(self, question: MeterQuestion) -> None:
        """Drop the lines finished before it, then ask."""
        if not self._keep_early:
            while (line := self._lines.next()) is not None:
                self._write(f"{clean(line)!r} came before this question and was dropped")
        self._question, self._doubted = question, None
        self._write(f"{question.text} {_HELP}")

    def poll(self) -> MeterAnswer | None:
        """Return the answer to the open question, once; talk the person through bad input."""
        while self._question is not None:
            line = self._lines.next()
            if self._lines.ended:
                return self._answer(OperatorCommand.STOP)
            if line is None:
                return None
            answer = self._understood(line.strip().lower(), self._question)
            if answer is not None:
                return self._answer(answer)
        return None

    def _answer(self, answer: MeterAnswer) -> MeterAnswer:
        self._question = None
        return answer

    def _understood(self, word: str, question: MeterQuestion) -> MeterAnswer | None:
        doubted, self._doubted = self._doubted, None
        if word in _COMMANDS:
            return _COMMANDS[word]
        if doubted is not None and word in ("y", "yes"):
            return doubted
        try:
            value = parse_ohms(word.replace(",", "."), what="reading")
        except InputError as error:
            self._write(f"{error.problems[0].message}; {_HELP}")
            return None
        expected = question.expected_ohms
        near = abs(value - expected) <= _DOUBTFUL_SHARE * expected + _DOUBTFUL_OHMS
        if near or value == doubted:
            return value
        self._doubted = value
        self._write(
            f"{ohms(value)} ohm is far from {ohms(expected)} ohm; type y to keep it, or the"
            " right value"
        )
        return None
