"""Readings from a simulated module, at the pace at which a real one would send them.

Knows: that something can be sampled, and how often.
Must not know: how the module is simulated, what drives its input.
"""

from __future__ import annotations

from collections.abc import Callable

from controller.clock import Clock
from controller.module.model import ModuleReport
from controller.readback.base import Prompt, Reading

__all__ = ["SimulatedReadback"]

SLACK_S = 1e-9
"""Steps of a clock add up with rounding; a reading that is due to within this is due."""


class SimulatedReadback:
    """Streams what `sample` returns, one reading at most each `interval_s`, for the open prompt."""

    continuous = True

    def __init__(
        self,
        name: str,
        sample: Callable[[], ModuleReport],
        clock: Clock,
        interval_s: float,
        *,
        clear: Callable[[], None] = lambda: None,
    ) -> None:
        self.name = name
        self._clear = clear
        self._sample = sample
        self._clock = clock
        self._interval_s = interval_s
        self._token: int | None = None
        self._last_s: float | None = None

    def open(self) -> None:
        """Nothing has to be found."""

    def codes(self) -> None:
        """Return nothing: the codes come with every reading."""

    def ask(self, prompt: Prompt) -> None:
        """Begin a prompt: readings carry its token from now on."""
        self._token = prompt.token

    def poll(self) -> Reading | None:
        """Return a reading when one is due. Only what the module says now is ever returned."""
        if self._token is None:
            return None
        now_s = self._clock.now_s()
        if self._last_s is not None and now_s - self._last_s < self._interval_s - SLACK_S:
            return None
        self._last_s = now_s
        report = self._sample()
        return Reading(
            token=self._token,
            celsius=report.celsius,
            at_s=now_s,
            volts=report.volts,
            codes=report.codes,
            seen=report.fan_runs,
        )

    def clear_codes(self) -> None:
        """Clear the simulated module's codes."""
        self._clear()

    def close(self) -> None:
        """Stop reading."""
        self._token = None
