"""An ohm meter at the terminals of a simulated ladder.

Knows: that a meter takes a moment, and is never quite right.
Must not know: ladders, modules, how what it measures comes about.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable

from controller.clock import Clock
from controller.meters.base import MeterAnswer, MeterQuestion

__all__ = ["SimulatedMeter"]

_NOISE_SHARE, _NOISE_OHMS = 1e-5, 1e-3
"""One standard deviation of a reading: a share of it, and a fixed part."""

_TAKES_S = 0.1
_RANGE_OHMS = 1e8


class SimulatedMeter:
    """Measures what `terminal_ohms` makes; the same seed gives the same readings."""

    def __init__(
        self, terminal_ohms: Callable[[], float], clock: Clock, *, settle_s: float, seed: int
    ) -> None:
        self._terminal_ohms = terminal_ohms
        self._clock = clock
        self._takes_s = settle_s + _TAKES_S
        self._chance = random.Random(seed)  # noqa: S311 - noise, not a secret
        self._due_s: float | None = None

    def open(self) -> None:
        """Do nothing: it is always there."""

    def ask(self, question: MeterQuestion) -> None:  # noqa: ARG002 - a meter needs no words
        """Begin a reading."""
        self._due_s = self._clock.now_s() + self._takes_s

    def poll(self) -> MeterAnswer | None:
        """Return the reading when its time has come."""
        if self._due_s is None or self._clock.now_s() < self._due_s:
            return None
        self._due_s = None
        ohms = self._terminal_ohms()
        if ohms > _RANGE_OHMS:
            return math.inf
        return ohms + self._chance.gauss(0.0, _NOISE_SHARE * ohms + _NOISE_OHMS)

    def close(self) -> None:
        """Do nothing."""
