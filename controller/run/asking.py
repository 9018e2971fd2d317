"""Questions to readbacks: how they are numbered, and what has been answered by now.

Knows: readbacks as an interface, and that an answer to an earlier question is stale.
Must not know: what is asked and why, what becomes of a reading.
"""

from __future__ import annotations

from typing import NamedTuple

from controller.readback.base import OperatorCommand, Prompt, Readback, Reading
from controller.run.driver import Stopped

__all__ = ["Answers", "Asker", "answers"]

_MOST_ANSWERS = 100
"""The most answers taken from a readback before time passes and wishes are looked at again."""


class Answers(NamedTuple):
    """What has been reported by now, and what a person typed in place of the next answer."""

    readings: list[Reading]
    command: OperatorCommand | None


class Asker:
    """Opens prompts, numbered over all the readbacks of a run: two inputs may share one."""

    def __init__(self) -> None:
        self._token = 0

    def ask(
        self, readback: Readback, step_index: int, text: str, *, yes_or_no: bool = False
    ) -> Prompt:
        """Open a prompt; answers to earlier ones are stale from now on."""
        self._token += 1
        prompt = Prompt(token=self._token, step_index=step_index, text=text, yes_or_no=yes_or_no)
        readback.ask(prompt)
        return prompt


def answers(readback: Readback, prompt: Prompt, *, most: int = _MOST_ANSWERS) -> Answers:
    """Return what has been answered to a prompt by now. Raises Stopped where that is to stop."""
    readings: list[Reading] = []
    for _ in range(most):
        answer = readback.poll()
        if answer is None:
            break
        if answer is OperatorCommand.STOP:
            raise Stopped
        if isinstance(answer, OperatorCommand):
            return Answers(readings, answer)
        if answer.token == prompt.token:
            readings.append(answer)
    return Answers(readings, None)
