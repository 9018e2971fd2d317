"""A ladder tests itself at the module's input, by the board's own voltage input.

Knows: the order: isolated, every relay by itself, every state, every relay's time.
Must not know: how volts become ohms, which states show what, files.

Nothing is connected while the isolated input shows a voltage that no reference supply has.
"""

from __future__ import annotations

from collections.abc import Callable, Generator, Mapping, Sequence
from dataclasses import dataclass

from controller.bench.opened import Bench
from controller.clock import Clock
from controller.ladder.electrical import state_ohms
from controller.ladder.model import PathStep
from controller.ladder.path import hold_ms
from controller.ladder.self_test import Examination
from controller.measurement.input_circuit import Seen, Tap
from controller.measurement.model import Verdict
from controller.planning.model import ResolvedPlan
from controller.planning.paths import Router
from controller.run.driver import Part
from controller.run.events import Event, NoteKind, NoteMade, RelayTimed, Sensed
from controller.run.input_check import Expected, is_dead, trouble_isolated
from controller.run.job import Job
from controller.run.model import Ending, RunSummary
from controller.run.relay_timing import RelayTime, TimedVolts, relay_time
from controller.run.self_test import examined_summary, found_words
from controller.run.sensing import look

__all__ = ["SensedSelfTestRun", "TimedChange"]

_STEPS_TO_SEE = 6
"""A change of fewer steps of the converter is too small to time."""

_LONGER = 4
_AT_LEAST_S = 0.1
"""A relay is watched for so many times what paths wait for it, and for so long at least."""

_EVERY_S = 0.001
_BEFORE = 8


@dataclass(frozen=True, kw_only=True)
class TimedChange:
    """Two states that only one relay tells apart, and about how many volts lie between them."""

    relay: int
    rest: int
    energised: int
    volts: float


class SensedSelfTestRun(Job):
    """Looks at `states` one by one, then times each of `changes` both ways.

    The first of `states` isolates the ladder: it says whether there is anything to measure by.
    """

    def __init__(
        self,
        plan: ResolvedPlan,
        router: Router,
        tap: Tap,
        expected: Expected,
        walk: Sequence[PathStep],
        states: Sequence[int],
        changes: Sequence[TimedChange],
        examine: Callable[[Mapping[int, Seen]], Examination],
        bench: Bench,
        clock: Clock,
    ) -> None:
        super().__init__(plan, bench, clock)
        self._router = router
        self._tap = tap
        self._expected = expected
        self._walk = tuple(walk)
        self._states = tuple(states)
        self._changes = tuple(changes)
        self._examine = examine
        self._seen: dict[int, Seen] = {}
        self._trouble: str | None = None
        self.examination: Examination | None = None
        self.times: tuple[RelayTime, ...] = ()
        self.not_timed: tuple[int, ...] = ()
        """Relays whose movement this input cannot see."""

    def _work(self) -> Part:
        yield from self._look(self._states[0])
        self._trouble = trouble_isolated(self._seen[self._states[0]], self._expected, self._tap)
        if self._trouble is not None:
            if is_dead(self._seen[self._states[0]], self._expected):
                self._trouble = self._shorted_or_dead(self._seen[self._states[0]].volts)
            return
        yield from self._go(self.plan.park_state)
        yield from self._driver.travel(self._walk)
        text = f"all {self._bench.ladder.relay_count} relays were commanded and read back"
        yield (NoteMade(at_s=self._clock.now_s(), kind=NoteKind.REMARK, text=text),)
        for state in self._states[1:]:
            yield from self._look(state)
        self.examination = self._examine(self._seen)
        # Of a ladder that makes other states than it is told, times say nothing.
        if self.examination.sound:
            yield from self._time_all()
        yield from self._go(self.plan.park_state)

    def _shorted_or_dead(self, volts: float) -> str:
        """Say what a wire without voltage means here: the ladder hangs on it as well."""
        relay = self._bench.ladder.short_relay
        shorted = "the ladder's output is shorted"
        if relay is not None:
            shorted += f" (short relay {relay} stuck?)"
        return (
            f"{volts:.2f} V with the ladder isolated: {shorted}, or the input is dead (key off,"
            " wire broken or shorted to ground). Unplug the ladder and measure on the wire: where"
            " the voltage is back, the ladder shorts it. Nothing was connected"
        )

    def _go(self, state: int) -> Part:
        if state == self._driver.state:
            return
        path = self._router.path(self._driver.state, state)
        yield from self._driver.go(path, state_ohms(self._bench.ladder, state))

    def _look(self, state: int) -> Part:
        yield from self._go(state)
        seen = yield from look(self._driver, self._bench.link, self._clock, self._tap)
        self._seen[state] = seen
        yield (
            Sensed(
                at_s=self._clock.now_s(),
                state=state,
                achieved_ohms=state_ohms(self._bench.ladder, state),
                volts=seen.volts,
                spread_volts=seen.spread_volts,
            ),
        )

    # Times

    def _time_all(self) -> Part:
        step_volts = max(one.step_volts for one in self._seen.values())
        times: list[RelayTime] = []
        hidden: list[int] = []
        for change in self._changes:
            found: list[RelayTime] = []
            if change.volts >= _STEPS_TO_SEE * step_volts:
                yield from self._go(change.rest)
                for target in (change.energised, change.rest):
                    took = yield from self._time(change.relay, target)
                    found += [] if took is None else [took]
            times += found
            if len(found) < 2:
                hidden.append(change.relay)
        self.times, self.not_timed = tuple(times), tuple(hidden)

    def _time(
        self, relay: int, target: int
    ) -> Generator[tuple[Event, ...], None, RelayTime | None]:
        """Change one relay over and read the volts as fast as they come; nothing in between."""
        clock, ladder = self._clock, self._bench.ladder
        energised = bool(target >> relay & 1)
        hold = hold_ms(ladder, relay, energise=energised)
        before = sum(self._volts() for _ in range(_BEFORE)) / _BEFORE
        began_s = clock.now_s()
        told = [
            event
            for events in self._driver.travel([PathStep(state=target, hold_ms=1)])
            for event in events
        ]
        acknowledged_s = clock.now_s()
        until_s = acknowledged_s + max(_AT_LEAST_S, _LONGER * hold / 1000)
        readings: list[TimedVolts] = []
        while clock.now_s() < until_s:
            from_s = clock.now_s()
            volts = self._volts()
            to_s = clock.now_s()
            readings.append(
                TimedVolts(
                    volts=volts, from_ms=1000 * (from_s - began_s), to_ms=1000 * (to_s - began_s)
                )
            )
            clock.sleep_s(_EVERY_S)
        took = relay_time(
            ladder,
            relay,
            energised=energised,
            before_volts=before,
            readings=readings,
            acknowledged_ms=1000 * (acknowledged_s - began_s),
        )
        yield tuple(told)
        if took is not None:
            yield (
                RelayTimed(
                    at_s=clock.now_s(),
                    relay=relay,
                    energised=energised,
                    least_ms=took.least_ms,
                    most_ms=took.most_ms,
                    bounce_ms=took.bounce_ms,
                    resolution_ms=took.resolution_ms,
                    slow=took.slow,
                ),
            )
        yield from self._driver.hold_still()
        return took

    def _volts(self) -> float:
        return self._bench.link.sense(self._tap.channel).volts * self._tap.volts_per_volt

    # The end

    def _summary(self, ending: Ending) -> RunSummary:
        whole = self.examination
        verdict = Verdict.UNDECIDED
        if whole is not None and ending is Ending.COMPLETE:
            verdict = Verdict.PASS if whole.sound and not self._slow else Verdict.FAIL
        return examined_summary(
            whole,
            verdict,
            ending,
            not_run=len(self._states) - len(self._seen),
            found=self.found,
            relays=self._bench.link.relays,
        )

    @property
    def _slow(self) -> list[RelayTime]:
        return [one for one in self.times if one.slow]

    @property
    def found(self) -> str:
        """What was found, without the full stop."""
        if self._trouble is not None:
            return f"Not tested: {self._trouble}"
        if self.examination is None:
            return "The self-test did not come to its end"
        if not self._slow:
            return found_words(self.examination, self.plan)
        said = "; ".join(one.words for one in self._slow)
        return f"The ladder is not sound: {said}. Paths go on before it has come to rest"
