"""What a search for a switching point watches for, where it looks, and the limits it is held to."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

__all__ = ["Limits", "Search", "Watch", "Way"]


class Watch(StrEnum):
    """What changes at the point that is looked for."""

    FAN = "fan"
    READING = "reading"
    SATURATION = "saturation"
    CODE = "code"


class Way(StrEnum):
    """Which of the two points: on the way to the far end, or on the way back from it."""

    THERE = "there"
    BACK = "back"
    HYSTERESIS = "hysteresis"


@dataclass(frozen=True, kw_only=True)
class Limits:
    """Where a point may lie, in degC; for the hysteresis how wide it may be, in kelvin."""

    lowest: float = -math.inf
    highest: float = math.inf

    @property
    def stated(self) -> bool:
        """Whether there is anything to hold a point to."""
        return self != Limits()


@dataclass(frozen=True, kw_only=True)
class Search:
    """A search from `from_celsius`, where what is watched for is not there, to `to_celsius`.

    `reaches_celsius` is for readings, `code` (how its text begins; empty: any) and `clear_codes`
    for codes: unless they are cleared before each look, codes stay and the way back is not
    searched. The search goes no further than `step_celsius` beyond what is known, and ends with
    intervals of `within_celsius`, or as wide as the ladder's own steps. A temperature stands for
    `wait_s` before it counts. `limits` are by way.
    """

    watch: Watch
    from_celsius: float
    to_celsius: float
    step_celsius: float
    within_celsius: float
    wait_s: float
    reaches_celsius: float | None = None
    code: str = ""
    clear_codes: bool = False
    there: Limits = Limits()
    back: Limits = Limits()
    hysteresis: Limits = Limits()

    @property
    def one_way(self) -> bool:
        """Whether what is watched for stays once it has come."""
        return self.watch is Watch.CODE and not self.clear_codes

    @property
    def judged(self) -> bool:
        """Whether there are limits."""
        return any(limits.stated for limits in (self.there, self.back, self.hysteresis))

    def limits(self, way: Way) -> Limits:
        """Return the limits of a point."""
        return {Way.THERE: self.there, Way.BACK: self.back, Way.HYSTERESIS: self.hysteresis}[way]
