"""Readings from a function that a program brings: its own module under test, in this process."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeAlias

from controller.clock import Clock
from controller.errors import ReadbackError
from controller.readback.base import Prompt, Reading
from controller.readback.simulated import SLACK_S

__all__ = ["CalledReadback", "Input", "ReadbackFunction"]

ReadbackFunction: TypeAlias = Callable[[float, float | None], float | None]
"""From what is at the input (ohms; degC, None where no temperature belongs to them) to what the
module reports in degC, None when it reports none. Ohms are math.inf for an open circuit."""


@dataclass(frozen=True, kw_only=True)
class Input:
    """What a step puts at the module's input."""

    ohms: float
    celsius: float | None


class CalledReadback:
    """Asks `function` for a reading at most each `interval_s` while a prompt is open.

    `inputs` has what each step of the plan puts at the input, by the step's index. The function is
    called in the run's own thread: it has to answer well within the ladder's hold-off.
    """

    name = "readback function"
    continuous = True

    def __init__(
        self,
        function: ReadbackFunction,
        inputs: Sequence[Input],
        clock: Clock,
        interval_s: float,
    ) -> None:
        self._function = function
        self._inputs = inputs
        self._clock = clock
        self._interval_s = interval_s
        self._prompt: Prompt | None = None
        self._last_s: float | None = None
        self.failure: Exception | None = None
        """What the function raised, for whoever brought it."""

    def open(self) -> None:
        """Nothing has to be found."""

    def codes(self) -> None:
        """Return nothing: a function is not asked for codes."""

    def ask(self, prompt: Prompt) -> None:
        """Begin a prompt: readings are for its step from now on."""
        self._prompt = prompt

    def poll(self) -> Reading | None:
        """Return a reading when one is due.

        Raises ReadbackError when the function raises, or returns what is not a temperature; what
        it raised is kept in `failure`.
        """
        if self._prompt is None:
            return None
        now_s = self._clock.now_s()
        if self._last_s is not None and now_s - self._last_s < self._interval_s - SLACK_S:
            return None
        self._last_s = now_s
        at_input = self._inputs[self._prompt.step_index]
        try:
            celsius = _checked(self._function(at_input.ohms, at_input.celsius))
        except Exception as error:
            self.failure = error
            raise ReadbackError(
                f"raised {type(error).__name__} at step {self._prompt.step_index + 1}: {error}",
                source=self.name,
            ) from error
        return Reading(token=self._prompt.token, celsius=celsius, at_s=now_s)

    def close(self) -> None:
        """Ask no more."""
        self._prompt = None


def _checked(returned: object) -> float | None:
    """Return degC, or None for no reading. Raises TypeError or ValueError for anything else."""
    if returned is None:
        return None
    try:
        if isinstance(returned, bool | bytes | bytearray):  # float() takes these
            raise TypeError
        celsius = float(returned)  # type: ignore[arg-type]  # numbers of other libraries as well
    except OverflowError:
        celsius = math.inf
    except (TypeError, ValueError):
        raise TypeError(
            f"the readback function returned {returned!r}, not degC or None for no reading"
        ) from None
    if isinstance(returned, str) or not math.isfinite(celsius):
        raise ValueError(
            f"the readback function returned {returned!r}; degC are finite, no reading is None"
        )
    return celsius
