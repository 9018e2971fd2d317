"""The wiggle check: one value is held, and every jump of the reading is counted as it happens.

Knows: what a jump is, readings as they stream or the volts at the board's own input.
Must not know: files, how the value was found, who shows or sounds the jumps.

The first seconds, untouched, say how much the reading moves by itself. After that a reading
further from the level than that movement and a step more is a jump; so is one that is missing, and
a fault code that was not there before. A level that stays moved for some seconds is the new level.
"""

from __future__ import annotations

import math
import statistics
from collections import deque
from collections.abc import Iterator
from typing import Protocol, TypeAlias

from controller.bench.opened import Bench
from controller.clock import Clock
from controller.errors import ReadbackError
from controller.links.base import Link
from controller.measurement.input_circuit import Tap
from controller.measurement.model import Verdict
from controller.planning.model import ResolvedPlan
from controller.planning.single_value import Setting
from controller.readback.base import Readback
from controller.run.asking import Asker, answers
from controller.run.driver import Part
from controller.run.events import Event, Jumped, NoteKind, NoteMade
from controller.run.job import Job
from controller.run.model import Ending, RunSummary
from controller.run.summary import look_summary

__all__ = ["LEARN_S", "JumpCounter", "WiggleRun"]

LEARN_S = 3.0
"""How long the reading is watched untouched."""

LONGEST_LEARNING_S = 30.0
NEW_LEVEL_S = 3.0
LEAST_WATCHED_S = 10.0
"""A shorter look without a jump says nothing."""

_LOOK_S = 0.02
_SILENT_S = 10.0
_LEAST_LEARNT = 3
_WANDERING_SHARE = 0.4
"""Of a steady change the halves lie half its range apart, of noise hardly at all."""

_FAR_STEPS, _FAR_SPREADS = 3.0, 8.0
"""Further from the middle than so many steps, and so many times what is usual, is far: for normal
values eight median deviations are 5.4 standard ones."""


class JumpCounter:
    """Takes values one by one and says which of them begins a jump.

    `step` is the finest change the source can show. A value of None is no reading at all, and is
    a jump. Times are seconds on any clock that does not run backwards.
    """

    def __init__(self, step: float) -> None:
        self.count = 0
        self.missing = 0
        """How many of the jumps went to no reading at all."""
        self.worst = 0.0
        """How far the furthest value was from the level."""
        self.level = 0.0
        self.band = 0.0
        """How far from the level a value may be and be no jump."""
        self._step = step
        self._learnt: deque[tuple[float, float]] = deque()
        self._away_s: float | None = None
        self._away: deque[float] = deque(maxlen=_LEAST_LEARNT)

    def learn(self, at_s: float, value: float) -> bool:
        """Take in a value that was read untouched; return False when learning begins anew.

        That is when the values wander, the later half of them lying elsewhere than the earlier, or
        when one of them lies far from all others.
        """
        self._learnt.append((at_s, value))
        values = [one for _, one in self._learnt]
        half = len(values) // 2
        wanders = False
        if half >= _LEAST_LEARNT:
            moved = abs(sum(values[half : 2 * half]) - sum(values[:half])) / half
            wanders = moved > max(self._step, _WANDERING_SHARE * (max(values) - min(values)))
        if len(values) >= _LEAST_LEARNT:
            # On the way to its level, or jumping untouched: taken in, it would hide every jump.
            middle = statistics.median(values)
            usual = statistics.median(abs(one - middle) for one in values)
            far = max(_FAR_STEPS * self._step, _FAR_SPREADS * usual)
            wanders = wanders or max(abs(one - middle) for one in values) > far
        if wanders:
            self._learnt.clear()
        while self._learnt and at_s - self._learnt[0][0] > LEARN_S:
            self._learnt.popleft()
        return not wanders

    def learnt(self) -> bool:
        """End the learning; return whether there were values enough."""
        values = [value for _, value in self._learnt]
        if len(values) < _LEAST_LEARNT:
            return False
        self.level = (min(values) + max(values)) / 2
        # The whole movement to either side: a few seconds do not show the rarest of it.
        self.band = max(values) - min(values) + 1.01 * self._step
        return True

    def take(self, at_s: float, value: float | None) -> bool:
        """Take in the next value; return whether a jump begins with it."""
        off = math.inf if value is None else abs(value - self.level)
        if off <= self.band:
            self._back()
            return False
        begins = self._away_s is None
        if begins:
            self._away_s = at_s
            self.count += 1
            self.missing += value is None
        if value is None:
            self._away.clear()
            return begins
        self.worst = max(self.worst, off)
        self._away.append(value)
        stays = len(self._away) == _LEAST_LEARNT and max(self._away) - min(self._away) <= self.band
        if stays and self._away_s is not None and at_s - self._away_s >= NEW_LEVEL_S:
            self.level = value
            self._back()
        return begins

    def _back(self) -> None:
        self._away_s = None
        self._away.clear()


_Value: TypeAlias = tuple[float, float | None, tuple[str, ...]]
"""When it was read, the value (None: the source shows none), the fault codes of the moment."""


class _Source(Protocol):
    unit: str

    def step(self) -> float:
        """Return the finest change the source can show."""

    def values(self) -> list[_Value]:
        """Return what has come since the last call."""


class _Readings:
    unit = "degC"

    def __init__(self, readback: Readback, celsius_step: float) -> None:
        self._readback = readback
        self._celsius_step = celsius_step
        self._prompt = Asker().ask(readback, 0, "watching for jumps")

    def step(self) -> float:
        return self._celsius_step

    def values(self) -> list[_Value]:
        seen = answers(self._readback, self._prompt).readings
        return [(one.at_s, one.celsius, one.codes) for one in seen]


class _Volts:
    unit = "V"

    def __init__(self, link: Link, clock: Clock, tap: Tap) -> None:
        self._link, self._clock, self._tap = link, clock, tap

    def step(self) -> float:
        reading = self._link.sense(self._tap.channel)
        return self._tap.volts_per_volt * reading.full_scale_volts / reading.full_scale

    def values(self) -> list[_Value]:
        volts = self._link.sense(self._tap.channel).volts * self._tap.volts_per_volt
        return [(self._clock.now_s(), volts, ())]


class WiggleRun(Job):
    """Holds one setting and watches until `enough` is called or `for_s` are over.

    With `tap` the volts at the board's own input are watched; otherwise the bench's readback,
    whose finest step is `celsius_step`.
    """

    def __init__(
        self,
        plan: ResolvedPlan,
        setting: Setting,
        bench: Bench,
        clock: Clock,
        *,
        for_s: float,
        celsius_step: float = 1.0,
        tap: Tap | None = None,
    ) -> None:
        super().__init__(plan, bench, clock)
        self._setting = setting
        self._for_s = for_s
        self._celsius_step = celsius_step
        self._tap = tap
        self._enough = False
        self._watched_s = 0.0
        self._counter: JumpCounter | None = None
        self._unit = _Readings.unit if tap is None else _Volts.unit
        self._known_codes: set[str] = set()
        self._new_codes: list[str] = []
        self.seen: list[Jumped] = []
        """The jumps up to now; another thread may read it."""

    def enough(self) -> None:
        """End the watching and park by the quiet way; before it has begun, stop at once.

        Any thread may call this.
        """
        self._enough = True
        if self._counter is None:
            self.stop()

    @property
    def jumps(self) -> int:
        """How many jumps there have been."""
        return self._counter.count if self._counter else 0

    @property
    def watching(self) -> bool:
        """Whether it is known how still the reading is, so that jumps are counted."""
        return self._counter is not None

    @property
    def watched_s(self) -> float:
        """How long the reading has been watched for jumps."""
        return self._watched_s

    def _work(self) -> Part:
        yield from self._driver.go(self._setting.path, self._setting.ohms)
        source: _Source = (
            _Readings(self._bench.readback, self._celsius_step)
            if self._tap is None
            else _Volts(self._bench.link, self._clock, self._tap)
        )
        counter = JumpCounter(source.step())
        yield from self._learn(source, counter)
        self._counter = counter
        text = (
            f"untouched, the reading stays within {counter.band:.3g} {self._unit}:"
            " now move connector and harness"
        )
        yield (NoteMade(at_s=self._clock.now_s(), kind=NoteKind.WATCHING, text=text),)
        yield from self._watch(source, counter)
        yield from self._driver.travel(self._setting.back)

    def _learn(self, source: _Source, counter: JumpCounter) -> Part:
        """Take in how the reading moves by itself, once it has arrived at what was set."""
        began_s = since_s = self._clock.now_s()
        while True:
            yield self._driver.slice(_LOOK_S)
            yield from self._driver.hold_still()
            for at_s, value, codes in source.values():
                self._known_codes.update(codes)
                if value is not None and not counter.learn(at_s, value):
                    since_s = at_s
            now_s = self._clock.now_s()
            if now_s - since_s >= LEARN_S and counter.learnt():
                return
            if now_s - began_s > LONGEST_LEARNING_S:
                raise ReadbackError(
                    f"the reading does not settle within {LONGEST_LEARNING_S:g} s",
                    source=self._bench.readback.name,
                    hint="is the module awake, and the ladder at the right connector?",
                )

    def _watch(self, source: _Source, counter: JumpCounter) -> Part:
        began_s = heard_s = self._clock.now_s()
        while not self._enough and self._clock.now_s() - began_s < self._for_s:
            yield self._driver.slice(_LOOK_S)
            yield from self._driver.hold_still()
            for at_s, value, codes in source.values():
                heard_s = at_s
                if events := tuple(self._jumps(counter, at_s, value, codes)):
                    yield events
            now_s = self._clock.now_s()
            self._watched_s = now_s - began_s
            if now_s - heard_s > _SILENT_S:
                raise ReadbackError(
                    f"no reading for {_SILENT_S:g} s",
                    source=self._bench.readback.name,
                    hint="is it still connected, and is the module awake?",
                )

    def _jumps(
        self, counter: JumpCounter, at_s: float, value: float | None, codes: tuple[str, ...]
    ) -> Iterator[Event]:
        fresh = tuple(code for code in codes if code not in self._known_codes)
        self._known_codes.update(fresh)
        self._new_codes += fresh
        if counter.take(at_s, value) or fresh:
            jump = Jumped(
                at_s=at_s,
                count=counter.count,
                value=value,
                level=counter.level,
                unit=self._unit,
                codes=fresh,
            )
            self.seen.append(jump)
            yield jump

    def _summary(self, ending: Ending) -> RunSummary:
        counter = self._counter
        watched = counter is not None and self._watched_s >= LEAST_WATCHED_S
        verdict = Verdict.UNDECIDED
        if counter is not None and (counter.count or self._new_codes):
            verdict = Verdict.FAIL
        elif watched and ending is Ending.COMPLETE:
            verdict = Verdict.PASS
        return look_summary(verdict, ending, self._bench.link.relays, self._sentence())

    def _sentence(self) -> str:
        counter = self._counter
        if counter is None:
            return "Nothing was watched"
        held = self._setting.text
        if not counter.count and not self._new_codes:
            short = (
                f", too short to say anything: watch for {LEAST_WATCHED_S:g} s"
                if self._watched_s < LEAST_WATCHED_S
                else ""
            )
            return (
                f"No jump in {self._watched_s:.0f} s at {held}: the reading stayed within"
                f" {counter.band:.3g} {self._unit}{short}"
            )
        times = "time" if counter.count == 1 else "times"
        worst = f", most by {counter.worst:.3g} {self._unit}" if counter.worst else ""
        gone = f", {counter.missing} of them to no reading at all" if counter.missing else ""
        codes = f"; new codes: {', '.join(self._new_codes)}" if self._new_codes else ""
        return (
            f"The reading jumped {counter.count} {times} in {self._watched_s:.0f} s at"
            f" {held}{worst}{gone}{codes}: look at what was moved just then"
        )
