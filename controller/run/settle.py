"""Has the reading come to rest, and may it be judged yet?

Knows: samples of one step, the settle rule, the dwell time.
Must not know: clocks, where readings come from, verdicts.
"""

from __future__ import annotations

from collections import deque
from enum import Enum

from controller.measurement.model import SettleRule
from controller.readback.base import Reading

__all__ = ["SettleDetector", "SettleState", "StepWatch"]


class SettleState(Enum):
    """What the samples say so far."""

    MOVING = "moving"
    SETTLED = "settled"
    OUT_OF_TIME = "out of time"


class SettleDetector:
    """Watches the samples of one step. Times are seconds on any clock that does not run backwards.

    Settled means: some run of at least `readings` samples that ends with the newest one spans at
    least `for_s`, no two of its values differ by more than `within_celsius`, and no two that
    follow each other are further apart than `gap_s`. Out of time means: `at_most_s` have passed
    since the start without that. A sample without a value breaks the run.
    """

    def __init__(self, rule: SettleRule, *, started_s: float) -> None:
        self._rule = rule
        self._started_s = started_s
        # Two monotonic queues hold the window's lowest and highest values, oldest first; the
        # window starts at the oldest sample that still fits the band with all later ones.
        self._low: deque[tuple[float, float]] = deque()
        self._high: deque[tuple[float, float]] = deque()
        self._window: deque[tuple[float, float]] = deque()

    def restart(self, now_s: float) -> None:
        """Forget all samples and begin again, as after a pause."""
        self._started_s = now_s
        self._forget()

    def add(self, at_s: float, celsius: float | None) -> SettleState:
        """Take in the next sample; return what is now known."""
        if celsius is None:
            self._forget()
            return self.state(at_s)
        if self._window and at_s - self._window[-1][0] > self._rule.gap_s:
            self._forget()
        while self._low and self._low[-1][1] >= celsius:
            self._low.pop()
        while self._high and self._high[-1][1] <= celsius:
            self._high.pop()
        sample = (at_s, celsius)
        for queue in (self._low, self._high, self._window):
            queue.append(sample)
        while self._high[0][1] - self._low[0][1] > self._rule.within_celsius:
            oldest = self._window.popleft()
            for queue in (self._low, self._high):
                if queue[0] is oldest:
                    queue.popleft()
        return self.state(at_s)

    def state(self, now_s: float) -> SettleState:
        """Return what is known at a time at which no sample came."""
        enough = len(self._window) >= max(self._rule.readings, 1)
        if enough and self._window[-1][0] - self._window[0][0] >= self._rule.for_s:
            return SettleState.SETTLED
        if now_s - self._started_s >= self._rule.at_most_s:
            return SettleState.OUT_OF_TIME
        return SettleState.MOVING

    def _forget(self) -> None:
        for queue in (self._low, self._high, self._window):
            queue.clear()


class StepWatch:
    """Follows the readings of one step until one of them may be judged.

    That is when they have settled, or time for it is up, and the newest was taken at least
    `dwell_s` after the relays were set, and after the module's lag. A source that says nothing is
    given up after the dwell time and the settle rule's longest time together. `last` is for
    showing; only `judged` is the step's own.
    """

    def __init__(self, rule: SettleRule, *, set_at_s: float, dwell_s: float) -> None:
        self.last: Reading | None = None
        self._detector = SettleDetector(rule, started_s=set_at_s)
        self._started_s = self._set_at_s = set_at_s
        self._counts_from_s = set_at_s + rule.lag_s
        self._dwelled_s = set_at_s + max(dwell_s, rule.lag_s)
        self._given_up_s = self._dwelled_s + rule.at_most_s

    def restart(self, now_s: float) -> None:
        """Begin to settle anew, as after a pause."""
        self._started_s = now_s
        self._detector.restart(now_s)

    def take(self, reading: Reading) -> None:
        """Take in the next reading; one that was asked for before the relays were set is not one.

        A reading that the module may have given before it heard of the change is only shown.
        """
        if reading.at_s < self._set_at_s:
            return
        self.last = reading
        if reading.at_s >= self._counts_from_s:
            self._detector.add(reading.at_s, reading.celsius)

    @property
    def judged(self) -> Reading | None:
        """The newest reading, where the module cannot have given it for the step before."""
        if self.last is None or self.last.at_s < self._counts_from_s:
            return None
        return self.last

    def decided(self, now_s: float) -> bool:
        """Return whether the last reading, or the lack of one, may be judged."""
        dwelled = self.last is not None and self.last.at_s >= self._dwelled_s
        if not dwelled and now_s < self._given_up_s:
            return False
        return self._detector.state(now_s) is not SettleState.MOVING

    def settled(self, now_s: float) -> bool:
        """Return whether the readings have settled."""
        return self._detector.state(now_s) is SettleState.SETTLED

    def settle_s(self, now_s: float) -> float:
        """Return how long settling has taken so far."""
        return now_s - self._started_s
