"""The search for a switching point: level by level until something changes, and back.

The order of events is

    RunStarted (StepStarted RelaysSet* ([PromptOpened] ReadingSeen*)* Looked)* PointFound* Parked
    RunFinished

with the beginnings and ends that every run has (`driver`). Between two levels the relays go through
every level in between, one quiet way after another.
"""

from __future__ import annotations

from controller.bench.opened import Bench
from controller.clock import Clock
from controller.errors import ReadbackError
from controller.ladder.model import PathStep
from controller.measurement.model import Verdict
from controller.module.model import Module
from controller.planning.model import ResolvedPlan, ResolvedStep
from controller.planning.search import Search, Watch
from controller.readback.base import ClearsCodes, Prompt, Reading, WatchesCodes
from controller.run.asking import Asker, answers
from controller.run.bisection import Bisection
from controller.run.driver import Part
from controller.run.events import (
    Looked,
    PointFound,
    PromptOpened,
    ReadingSeen,
    StepStarted,
)
from controller.run.job import Job
from controller.run.model import Ending, RunSummary
from controller.run.pieces import reversed_path
from controller.run.points import (
    SwitchingPoint,
    points_of,
    points_sentence,
    points_verdict,
    switched_celsius,
)
from controller.run.summary import broken_off, run_verdict, step_words
from controller.text import number
from controller.units import format_ohms

__all__ = ["SeekRun", "begun", "is_seen", "outcome", "question"]

_SILENCE_S = 60.0
"""After so long without a reading the readback counts as failed; people may take their time."""


def begun(plan: ResolvedPlan, search: Search) -> Bisection:
    """Return a search that knows nothing yet, over the temperatures a plan's levels make."""
    return Bisection(
        levels=tuple(switched_celsius(step) for step in plan.steps),
        step_celsius=search.step_celsius,
        within_celsius=search.within_celsius,
        one_way=search.one_way,
    )


def is_seen(
    search: Search, reading: Reading, module: Module | None, known_codes: tuple[str, ...]
) -> bool | None:
    """Return whether a reading shows what is watched for; None where it does not say.

    `known_codes` were there before: they are not news.
    """
    if (
        reading.seen is not None
        and search.watch in (Watch.FAN, Watch.CODE)
        and (search.watch is Watch.FAN or reading.celsius is None)
    ):
        return reading.seen
    match search.watch:
        case Watch.FAN:
            return None
        case Watch.CODE:
            fresh = [code for code in reading.codes if code not in known_codes]
            return any(code.startswith(search.code) for code in fresh)
    celsius = reading.celsius
    if celsius is None:
        return None
    if search.watch is Watch.READING:
        reaches = search.reaches_celsius or 0.0
        return celsius >= reaches if search.to_celsius > search.from_celsius else celsius <= reaches
    if module is None:
        return None
    return not module.lowest_report_celsius < celsius < module.highest_report_celsius


def question(search: Search, step: ResolvedStep) -> str:
    """Ask a person about one level."""
    made = f"{step_words(step)}, {format_ohms(step.achieved_ohms)}"
    match search.watch:
        case Watch.FAN:
            asked = "type y as soon as the fan runs, n when it does not"
        case Watch.CODE:
            asked = f"{'clear the codes; ' if search.clear_codes else ''}"
            asked += f"type y when {search.code or 'a new code'} has come, n when it has not"
        case _:
            return f"{made}: what temperature does the module report after {search.wait_s:g} s?"
    return f"{made}: {asked} after {search.wait_s:g} s"


def outcome(
    plan: ResolvedPlan, search: Search, known: Bisection, ending: Ending
) -> tuple[tuple[SwitchingPoint, ...], Verdict]:
    """Return what a search found, and its verdict."""
    points = points_of(plan, search, known)
    sound = ending is Ending.COMPLETE and known.consistent
    return points, points_verdict(search, points, sound=sound)


class SeekRun(Job):
    """One search on a resolved plan, whose steps are the levels. `module` is the one at the end.

    `known` is what a search that is gone on with has found; it looks at the first level anew.
    """

    def __init__(
        self,
        plan: ResolvedPlan,
        search: Search,
        bench: Bench,
        clock: Clock,
        *,
        module: Module | None = None,
        known: Bisection | None = None,
    ) -> None:
        super().__init__(plan, bench, clock)
        self._search = search
        self._module = module
        self._asker = Asker()
        if search.watch is Watch.CODE and isinstance(bench.readback, WatchesCodes):
            bench.readback.watch_codes()
        self._known_codes: tuple[str, ...] | None = None
        self._looks: dict[int, int] = {}
        self.known = begun(plan, search) if known is None else known.begun_again()
        """What is known by now."""

    @property
    def points(self) -> tuple[SwitchingPoint, ...]:
        """What has been found by now."""
        return points_of(self.plan, self._search, self.known)

    def pause(self) -> None:
        """Hold the relays as they are, until `resume`."""
        self._intents.pause()

    def resume(self) -> None:
        """Go on after a pause."""
        self._intents.resume()

    def _work(self) -> Part:
        first = self.plan.steps[0]
        yield from self._set(first, first.path)
        while (level := self.known.next_level()) is not None:
            yield from self._go(level)
            yield from self._look(level)
        for point in self.points:
            yield (PointFound(at_s=self._clock.now_s(), point=point),)
        yield from self._go(0)
        park = self.plan.park_state
        yield from self._driver.travel(self._back(first.path, park))

    def _go(self, level: int) -> Part:
        """Go to a level through those between, no faster than a step in each waiting time."""
        steps, known = self.plan.steps, self.known
        rested = known.levels[known.at]
        before = known.at
        for hop in known.hops(level):
            if abs(known.levels[hop] - rested) > self._search.step_celsius and hop != before:
                yield from self._driver.wait_until(self._clock.now_s() + self._wait_s)
                rested = known.levels[before]
            path = steps[hop].path
            if hop < before:
                path = self._back(steps[before].path, steps[hop].state)
            yield from self._set(steps[hop], path)
            before = hop

    def _back(self, path: tuple[PathStep, ...], start: int) -> tuple[PathStep, ...]:
        """Return the way back along a path that began at a state."""
        return reversed_path(path, start, self._bench.ladder, step_ms=self._bench.step_ms)

    def _set(self, step: ResolvedStep, path: tuple[PathStep, ...]) -> Part:
        yield from self._driver.hold_still()
        yield from self._driver.go(path, step.achieved_ohms)

    @property
    def _wait_s(self) -> float:
        return max(self._search.wait_s, self.plan.settle.lag_s)

    def _look(self, level: int) -> Part:
        """Let a level stand, and take what is seen there. A change counts as soon as it comes."""
        step = self.plan.steps[level]
        attempt = self._looks.get(level, 0) + 1
        self._looks[level] = attempt
        readback = self._bench.readback
        yield (StepStarted(at_s=self._clock.now_s(), step=step, attempt=attempt),)
        if self._search.clear_codes and isinstance(readback, ClearsCodes):
            readback.clear_codes()
        stands_s = self._clock.now_s()
        prompt = self._ask(step)
        if not readback.continuous:
            yield (PromptOpened(at_s=stands_s, prompt=prompt),)
        heard_s = stands_s
        while True:
            yield self._driver.slice()
            pauses = self._driver.pauses
            yield from self._driver.hold_still()
            if pauses != self._driver.pauses:
                stands_s = heard_s = self._clock.now_s()
            readings, command = answers(readback, prompt)
            again = command is not None
            for reading in readings:
                heard_s = reading.at_s
                stood = reading.at_s >= stands_s + self._wait_s
                if self._known_codes is None and stood:
                    self._known_codes = () if self._search.clear_codes else reading.codes
                on = is_seen(self._search, reading, self._module, self._known_codes or ())
                counts = on is not None and (stood or self._early(on))
                yield (ReadingSeen.of(reading, step, attempt=attempt, final=counts),)
                if counts and on is not None:
                    yield self._take(step, reading, on=on)
                    return
                again = again or not readback.continuous
            if again:
                prompt = self._ask(step)
                if not readback.continuous:
                    yield (PromptOpened(at_s=self._clock.now_s(), prompt=prompt),)
            if readback.continuous and self._clock.now_s() - heard_s > _SILENCE_S + self._wait_s:
                raise ReadbackError(
                    f"no reading came for {_SILENCE_S:g} s",
                    source=readback.name,
                    hint="is it still connected, and is the module awake?",
                )
            if readings and self._clock.now_s() - stands_s > _SILENCE_S + 2 * self._wait_s:
                raise ReadbackError(
                    f"its readings do not say whether the {self._search.watch.value} has changed",
                    source=readback.name,
                    hint="watch for something that this readback reports",
                )

    def _early(self, on: bool) -> bool:
        """Return whether something seen before its time counts: a fan that has just started."""
        return on and self.known.on is False and self._search.watch is Watch.FAN

    def _ask(self, step: ResolvedStep) -> Prompt:
        yes_or_no = self._search.watch in (Watch.FAN, Watch.CODE)
        text = question(self._search, step)
        return self._asker.ask(self._bench.readback, step.index, text, yes_or_no=yes_or_no)

    def _take(self, step: ResolvedStep, reading: Reading, *, on: bool) -> tuple[Looked, ...]:
        self.known = self.known.seen(step.index, on=on)
        return (
            Looked(
                at_s=self._clock.now_s(),
                step_index=step.index,
                celsius=switched_celsius(step),
                seen=on,
                reported_celsius=reading.celsius,
                codes=reading.codes,
            ),
        )

    def _summary(self, ending: Ending) -> RunSummary:
        points, verdict = outcome(self.plan, self._search, self.known, ending)
        relays = self._bench.link.relays
        verdicts = [point.verdict for point in points]
        sentence = f"{self._search.watch.value}: {points_sentence(points)}"
        if not self._search.judged:
            sentence += "; the plan states no limits for it"
        sentence += _both_ways_words(self.known)
        from_the_beginning = not (points and points[0].found) and self.known.there_off is None
        if ending is Ending.COMPLETE and self.known.levels and points and from_the_beginning:
            sentence += "; it was already there at the start"
        return RunSummary(
            verdict=run_verdict(verdict, ending),
            ended=ending,
            passed=verdicts.count(Verdict.PASS),
            failed=verdicts.count(Verdict.FAIL),
            undecided=verdicts.count(Verdict.UNDECIDED),
            unsettled=0,
            not_run=0,
            relays=relays,
            sentence=broken_off(ending, relays.value, "before the end", sentence),
        )


def _both_ways_words(known: Bisection) -> str:
    """Say where more than one change the same way was seen, if it was."""
    if known.both_ways is None:
        return ""
    low, high = sorted(known.levels[level] for level in known.both_ways)
    where = f"at {number(low, 2)} degC" if low == high else ""
    where = where or f"between {number(low, 2)} and {number(high, 2)} degC"
    words = f"; more than one change was seen {where}"
    return words if known.consistent else f"{words}: it did not always switch at the same point"
