"""Readings from a list: one for each prompt, in order.

Knows: the list.
Must not know: where it came from.
"""

from __future__ import annotations

from collections.abc import Iterable

from controller.clock import Clock
from controller.readback.base import Answer, OperatorCommand, Prompt, Reading

__all__ = ["ReplayedReadback"]


class ReplayedReadback:
    """Answers each prompt once with the next of `answers`; at their end it answers stop.

    An answer is degC, None for a source that shows no temperature, or an operator's command.
    """

    continuous = False

    def __init__(
        self, name: str, answers: Iterable[float | OperatorCommand | None], clock: Clock
    ) -> None:
        self.name = name
        self._answers = iter(answers)
        self._clock = clock
        self._token: int | None = None

    def ask(self, prompt: Prompt) -> None:
        """Begin a prompt."""
        self._token = prompt.token

    def poll(self) -> Answer | None:
        """Return the next answer, once for each prompt."""
        if self._token is None:
            return None
        token, self._token = self._token, None
        answer = next(self._answers, OperatorCommand.STOP)
        if isinstance(answer, OperatorCommand):
            return answer
        return Reading(token=token, celsius=answer, at_s=self._clock.now_s())

    def close(self) -> None:
        """Stop answering."""
        self._token = None
