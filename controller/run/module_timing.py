"""How soon a module shows a change, and how often it renews its report: measured by big steps.

Knows: two states far apart, readings as they stream, what their times say.
Must not know: files, how the states were chosen, terminals.

Changes of a report fall on the beats of the module's own renewal. The longest beat that all seen
changes fit, within what the readings' own spacing blurs, is how often the report is renewed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from controller.bench.opened import Bench
from controller.clock import Clock
from controller.errors import ReadbackError
from controller.ladder.electrical import state_ohms
from controller.ladder.model import Ladder
from controller.measurement.model import Verdict
from controller.planning.model import ResolvedPlan
from controller.planning.paths import Router
from controller.run.asking import Asker, answers
from controller.run.driver import Part
from controller.run.events import NoteKind, NoteMade
from controller.run.job import Job
from controller.run.model import Ending, RunSummary
from controller.run.summary import look_summary

__all__ = ["ModuleTiming", "Seen", "StepSeen", "TimingRun", "beat_s", "timing_of", "timing_words"]

STEPS = 10
QUIET_S = 6.0
"""A reading that has not changed for so long is steady: renewals slower than this are not seen."""

LONGEST_S = 60.0
_LOOK_S = 0.02
_MOST_WAIT_S = 4.0
_GOLDEN = 0.618034
"""Shares of this number, squares of it taken, fall on all phases of any beat."""

_BLUR = 1.1
"""A change is seen up to so many times the usual time between readings after its beat."""

_REST_SHARE = 0.03

Seen = tuple[float, float]
"""When a reading was taken, and its degC."""


@dataclass(frozen=True, kw_only=True)
class StepSeen:
    """The readings of one big step; it was set at `set_s`."""

    set_s: float
    readings: tuple[Seen, ...]


@dataclass(frozen=True, kw_only=True)
class ModuleTiming:
    """What the steps say. Seconds; `refresh_s` is None where it is faster than the readings come.

    `complete_s` is the longest time from the relays to a reading that stayed, `interval_s` the
    usual time between two readings, which blurs both.
    """

    refresh_s: float | None
    complete_s: float
    interval_s: float
    steps: int


def beat_s(times_s: Sequence[float], *, blur_s: float, longest_s: float = QUIET_S) -> float | None:
    """Return the longest period that all times fit within `blur_s` after a beat; None for none.

    A time is seen up to `blur_s` after its beat. Fewer than six times say nothing.
    """
    if len(times_s) < 6:
        return None
    first = min(times_s)
    span_s = max(times_s) - first
    period_s = longest_s
    while period_s >= 2.5 * blur_s:
        if _fits([time - first for time in times_s], period_s, blur_s):
            return _sharpened([time - first for time in times_s], period_s, blur_s)
        # A step that moves the last beat by a quarter of the blur misses nothing.
        period_s -= 0.25 * blur_s * period_s / max(span_s, period_s)
    return None


def _fits(times_s: Sequence[float], period_s: float, blur_s: float) -> bool:
    phases = sorted(time % period_s for time in times_s)
    gaps = [later - earlier for earlier, later in pairwise(phases)]
    gaps.append(period_s - phases[-1] + phases[0])
    return period_s - max(gaps) <= blur_s


def _sharpened(times_s: Sequence[float], longest_s: float, blur_s: float) -> float:
    """Return the middle of the periods near `longest_s` that fit."""
    step_s = 0.25 * blur_s * longest_s / max(*times_s, longest_s)
    shortest_s = longest_s
    while _fits(times_s, shortest_s - step_s, blur_s):
        shortest_s -= step_s
    return 0.5 * (longest_s + shortest_s)


def timing_of(steps: Sequence[StepSeen]) -> ModuleTiming | None:
    """Return what the steps say; None where no step changed the reading."""
    changes: list[float] = []
    gaps: list[float] = []
    complete_s = 0.0
    for step in steps:
        times = [at_s for at_s, _ in step.readings]
        gaps += [later - earlier for earlier, later in pairwise(times)]
        first, last = step.readings[0][1], step.readings[-1][1]
        rest = max(_REST_SHARE * abs(last - first), 1e-9)
        before = first
        for at_s, celsius in step.readings:
            if celsius != before:
                changes.append(at_s)
                if abs(before - last) > rest:
                    complete_s = max(complete_s, at_s - step.set_s)
            before = celsius
    if not changes or not gaps:
        return None
    interval_s = sorted(gaps)[len(gaps) // 2]
    return ModuleTiming(
        refresh_s=beat_s(changes, blur_s=_BLUR * interval_s),
        complete_s=complete_s,
        interval_s=interval_s,
        steps=len(steps),
    )


class TimingRun(Job):
    """Steps between two states; `timing` is there at the end."""

    def __init__(
        self,
        plan: ResolvedPlan,
        router: Router,
        states: tuple[int, int],
        bench: Bench,
        clock: Clock,
    ) -> None:
        super().__init__(plan, bench, clock)
        self._asker = Asker()
        self._router = router
        self._ladder: Ladder = router.ladder
        self._states = states
        self.timing: ModuleTiming | None = None

    def _work(self) -> Part:
        steps: list[StepSeen] = []
        for index in range(STEPS + 1):
            yield from self._step(index, steps)
            extra_s = _MOST_WAIT_S * ((index * index * _GOLDEN) % 1.0)
            yield from self._driver.wait_until(self._clock.now_s() + extra_s)
        self.timing = timing_of(steps[1:])  # the first comes from an open circuit
        yield from self._driver.travel(self._router.path(self._driver.state, self.plan.park_state))

    def _step(self, index: int, steps: list[StepSeen]) -> Part:
        """Set a state and take readings until they are steady."""
        readback = self._bench.readback
        prompt = self._asker.ask(readback, 0, "watching")
        state = self._states[index % 2]
        path = self._router.path(self._driver.state, state)
        yield from self._driver.travel(path)
        stands = self._driver.stands(path, state_ohms(self._ladder, state))
        set_s = stands.at_s
        yield (stands,)
        seen: list[Seen] = [] if not steps else [(set_s, steps[-1].readings[-1][1])]
        changed_s = set_s
        while self._clock.now_s() - changed_s < QUIET_S:
            yield self._driver.slice(_LOOK_S)
            yield from self._driver.hold_still()
            for reading in answers(readback, prompt).readings:
                if reading.celsius is None or reading.at_s < set_s:
                    continue
                if not seen or reading.celsius != seen[-1][1]:
                    changed_s = reading.at_s
                seen.append((reading.at_s, reading.celsius))
            if self._clock.now_s() - set_s > LONGEST_S:
                break
        if len(seen) < 3:
            raise ReadbackError(
                f"too few readings came in {self._clock.now_s() - set_s:.0f} s",
                source=readback.name,
                hint="is it still connected, and is the module awake?",
            )
        steps.append(StepSeen(set_s=set_s, readings=tuple(seen)))
        text = f"step {index} of {STEPS}: {seen[0][1]:.4g} to {seen[-1][1]:.4g} degC"
        yield (NoteMade(at_s=self._clock.now_s(), kind=NoteKind.REMARK, text=text),)

    def _summary(self, ending: Ending) -> RunSummary:
        measured = self.timing is not None
        verdict = Verdict.PASS if measured else Verdict.UNDECIDED
        found = timing_words(self.timing)
        if ending is not Ending.COMPLETE and not measured:
            found = "Nothing was measured"
        return look_summary(verdict, ending, self._bench.link.relays, found)


def timing_words(timing: ModuleTiming | None) -> str:
    """Say what was found, without the full stop."""
    if timing is None:
        return "No step changed the reading"
    renewed = (
        f"The module renews its report every {timing.refresh_s:.2f} s"
        if timing.refresh_s is not None
        else "The module renews its report as often as it was read,"
        f" every {timing.interval_s:.2g} s"
    )
    return (
        f"{renewed}; a big step was complete after at most {timing.complete_s:.2f} s,"
        f" in {timing.steps} steps"
    )
