"""Values held beside a step's: nudges of a run that is under way, and the way back.

Knows: the driver of the run, that a nudge is worked out from one relay state, and that nothing is
read beside a step.
Must not know: readbacks, verdicts, who nudges.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Generator

from controller.clock import Clock
from controller.ladder.model import PathStep
from controller.planning.model import ResolvedStep
from controller.planning.single_value import Setting
from controller.run.driver import Driver
from controller.run.events import Event, NoteKind, NoteMade
from controller.run.intents import Intent, Standing
from controller.run.pieces import reversed_path
from controller.run.summary import nudge_text

__all__ = ["NUDGED_S", "Beside"]

NUDGED_S = 60.0
"""So long after the last nudge the run goes back to its step by itself."""


class Beside:
    """What a run does between a nudge and the way back; the first ladder alone moves."""

    def __init__(self, driver: Driver, clock: Clock) -> None:
        self._driver = driver
        self._clock = clock
        # Appending to and taking from a deque are atomic.
        self._wanted: deque[Setting] = deque()

    def want(self, beside: Setting) -> None:
        """Add a value, found from the state that is latched then. Any thread may wish."""
        self._wanted.append(beside)

    def forget(self) -> None:
        """Forget what was wanted beside a step that is over."""
        self._wanted.clear()

    def hold(
        self, step: ResolvedStep, about: Standing
    ) -> Generator[tuple[Event, ...], None, tuple[PathStep, ...]]:
        """Hold values beside the step's until another wish about it, or the end of patience.

        Return the way back to the step, which is the way the ladder came.
        """
        driver = self._driver
        came: list[tuple[int, tuple[PathStep, ...]]] = []
        until_s = self._clock.now_s()
        while self._wanted or self._clock.now_s() < until_s:
            while self._wanted:
                beside = self._wanted.popleft()
                came_from = driver.state
                if beside.start != came_from:
                    text = "not nudged: it was worked out from another relay state"
                    yield (self._noted(NoteKind.REFUSED, text),)
                    continue
                came.append((came_from, beside.path))
                yield from driver.travel(beside.path)
                yield (
                    self._noted(NoteKind.BY_HAND, nudge_text(step, beside.ohms, beside.celsius)),
                    driver.stands(beside.path, beside.ohms),
                )
                until_s = self._clock.now_s() + NUDGED_S
            if not came:
                break  # nothing stands beside the step: what was wanted has been refused
            yield driver.slice()
            yield from driver.hold_still()
            if (yield from driver.wished(about)) not in (None, Intent.NUDGE):
                break
        bench = driver.ends[0].bench
        return tuple(
            change
            for state, path in reversed(came)
            for change in reversed_path(path, state, bench.ladder, step_ms=bench.step_ms)
        )

    def _noted(self, kind: NoteKind, text: str) -> NoteMade:
        return NoteMade(at_s=self._clock.now_s(), kind=kind, text=text)
