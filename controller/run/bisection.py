"""The search for a switching point, as moves over levels: where to look next, what is known by now.

What switches may have hysteresis: it comes on at one point on the way there and goes off at another
on the way back. A level below the first says nothing once it is on, so the search goes back until
it is off before it looks there again; every way back narrows the second point too.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

__all__ = ["MOST_CONTRADICTIONS", "Bisection"]

MOST_CONTRADICTIONS = 3
"""What switches at other places so often has no place of its own."""


@dataclass(frozen=True, kw_only=True)
class Bisection:
    """What is known of a switch. Levels are strictly monotone, in degC; the first is the off end.

    `at` is the level that is set and `on` what was seen there; None before the first look.
    `there_off` is the last level known to leave it off on the way there, `there_on` the first that
    turned it on; `back_on` and `back_off` likewise on the way back. All are indices of levels, None
    while not known. No look is more than `step_celsius` beyond what is known, unless the levels
    themselves are further apart. With `one_way` it never goes off again.
    `both_ways` are the lowest and the highest level between which it was seen to change more than
    once the same way; None as long as it was not. What changes and changes back between two looks
    is not seen.
    """

    levels: tuple[float, ...]
    step_celsius: float
    within_celsius: float
    one_way: bool = False
    at: int = 0
    on: bool | None = None
    there_off: int | None = None
    there_on: int | None = None
    back_on: int | None = None
    back_off: int | None = None
    contradictions: int = 0
    both_ways: tuple[int, int] | None = None

    def next_level(self) -> int | None:
        """Return the level to look at next; None when there is nothing more to find out."""
        if self.on is None:
            return 0
        if self.contradictions > MOST_CONTRADICTIONS:
            return None
        return self._next_on() if self.on else self._next_off()

    def begun_again(self) -> Bisection:
        """Return what is known when the search is gone on with: from the first level, unseen."""
        return replace(self, at=0, on=None)

    def seen(self, level: int, *, on: bool) -> Bisection:
        """Return what is known after a look at a level."""
        was, now = self.on, replace(self, at=level, on=on)
        if on and was is None and self.there_off is not None:
            # Gone on with, and on where it was off: nothing that was known need hold any more.
            now = _contradicted(now, level, self.there_off)
            return replace(now, contradictions=MOST_CONTRADICTIONS + 1)
        if on:
            back_on = level if self.back_on is None else min(self.back_on, level)
            now = replace(now, back_on=back_on)
            if self.back_off is not None and self.back_off >= level:
                now = replace(_contradicted(now, level, self.back_off), back_off=None)
            if not was:
                now = replace(now, there_on=level)
            return now
        there_off = level if self.there_off is None else max(self.there_off, level)
        now = replace(now, there_off=there_off)
        if self.there_on is not None and self.there_on <= level:
            now = replace(_contradicted(now, level, self.there_on), there_on=None)
        if was:
            now = replace(now, back_off=level)
        return now

    @property
    def consistent(self) -> bool:
        """Whether it switched at one place each way, as far as was seen."""
        return self.contradictions <= MOST_CONTRADICTIONS

    def hops(self, goal: int) -> Sequence[int]:
        """Return every level on the way from the one that is set to another, that one included."""
        way = 1 if goal > self.at else -1
        return range(self.at + way, goal + way, way) if goal != self.at else ()

    def _next_off(self) -> int | None:
        base = self.at if self.there_off is None else max(self.at, self.there_off)
        if self.there_on is None:
            return self._beyond(base, 1)
        middle = self._between(base, self.there_on)
        if middle is not None:
            return middle
        # The point there is found; the one back can only be looked for once it is on.
        return None if self.one_way or self._back_is_done() else self.there_on

    def _next_on(self) -> int | None:
        if self.one_way:
            return None
        base = self.at if self.back_on is None else min(self.at, self.back_on)
        if self.back_off is None:
            return self._beyond(base, -1)
        middle = self._between(self.back_off, base)
        if middle is not None:
            return middle
        return None if self._there_is_done() else self.back_off

    def _there_is_done(self) -> bool:
        if self.there_off is None:
            return True  # it was on from the beginning: there is no way there
        return self.there_on is None or self._between(self.there_off, self.there_on) is None

    def _back_is_done(self) -> bool:
        known = self.back_off is not None and self.back_on is not None
        return known and self._between(self.back_off or 0, self.back_on or 0) is None

    def _beyond(self, base: int, way: int) -> int | None:
        """Return the furthest level within a step of another, the next one at least."""
        level = base + way
        if not 0 <= level < len(self.levels):
            return None
        while (
            0 <= level + way < len(self.levels)
            and self._apart(base, level + way) <= self.step_celsius
        ):
            level += way
        return level

    def _between(self, low: int, high: int) -> int | None:
        """Return the level nearest to the middle of two; None when they are near enough."""
        if high - low < 2 or self._apart(low, high) <= self.within_celsius:
            return None
        middle = (self.levels[low] + self.levels[high]) / 2
        return min(range(low + 1, high), key=lambda level: abs(self.levels[level] - middle))

    def _apart(self, one: int, other: int) -> float:
        # What rounding makes of levels that are whole steps apart is no distance.
        return abs(self.levels[one] - self.levels[other]) - 1e-9


def _contradicted(known: Bisection, *levels: int) -> Bisection:
    """Return what is known with one contradiction more, between these levels."""
    every = (*levels, *(known.both_ways or ()))
    return replace(
        known,
        contradictions=known.contradictions + 1,
        both_ways=(min(every), max(every)),
    )
