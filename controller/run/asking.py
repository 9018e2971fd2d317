"""Questions to a readback, one open at a time, and what a person typed in place of an answer."""

from __future__ import annotations

from controller.bench.opened import Bench
from controller.readback.base import OperatorCommand, Prompt, Reading
from controller.run.driver import Stopped

__all__ = ["Asker"]

_MOST_ANSWERS = 100


class Asker:
    """Asks one bench's readback. A wish to stop raises Stopped; others have no use here."""

    def __init__(self, bench: Bench) -> None:
        self._readback = bench.readback
        self._token = 0

    def ask(self, step_index: int, text: str, *, yes_or_no: bool = False) -> Prompt:
        """Open a prompt; answers to earlier ones are stale from now on."""
        self._token += 1
        prompt = Prompt(token=self._token, step_index=step_index, text=text, yes_or_no=yes_or_no)
        self._readback.ask(prompt)
        return prompt

    def answers(self, prompt: Prompt) -> tuple[list[Reading], bool]:
        """Return what has been reported by now, and whether the prompt has to be opened again."""
        readings: list[Reading] = []
        for _ in range(_MOST_ANSWERS):
            answer = self._readback.poll()
            if answer is None:
                return readings, False
            if answer is OperatorCommand.STOP:
                raise Stopped
            if isinstance(answer, OperatorCommand):
                return readings, True
            if answer.token == prompt.token:
                readings.append(answer)
        return readings, False
