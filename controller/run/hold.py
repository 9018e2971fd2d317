"""Values set by hand, one after another, as a run: the same small steps, the same ending.

Knows: a bench, the hold-off, and that every way out ends parked.
Must not know: how values are found, records, terminals, threads other than the one that calls.

`HandRun.step` does a bounded amount of work and returns what happened, as `SweepRun.step` does.
Between wishes it holds the value and feeds the hold-off.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Generator

from controller.bench.opened import Bench
from controller.clock import Clock
from controller.ladder.model import PathStep
from controller.measurement.model import SettleRule, Verdict
from controller.planning.model import ResolvedPlan
from controller.planning.single_value import Setting
from controller.run.ending import Script, park_at_the_end
from controller.run.events import (
    Event,
    LinkReported,
    NoteMade,
    Parked,
    RelaysSet,
    RunFinished,
    RunStarted,
)
from controller.run.health import require_health, require_ladder
from controller.run.intents import Intents
from controller.run.model import RunSummary
from controller.run.pieces import in_pieces

__all__ = ["HandRun", "plan_by_hand"]

LOOK_EVERY_S = 0.1
_LONGEST_PIECE_S = 0.5
_Part = Generator[tuple[Event, ...], None, None]


def plan_by_hand(
    *,
    park_state: int,
    state_digits: int,
    amperes: float | None = None,
    watts: float | None = None,
) -> ResolvedPlan:
    """Return the plan of a run that has no steps: it says how states are written.

    `amperes` and `watts` are those of a short circuit and the most at the module's input.
    """
    return ResolvedPlan(
        name="set by hand",
        kind="set",
        steps=(),
        settle=SettleRule(within_celsius=0.0, for_s=0.0, at_most_s=0.0),
        worst_excursion_celsius=None,
        relay_operations=0,
        park_state=park_state,
        state_digits=state_digits,
        short_circuit_amperes=amperes,
        most_watts=watts,
    )


class HandRun:
    """Single values, one after another. `set`, `leave` and `stop` may be called from any thread."""

    def __init__(self, plan: ResolvedPlan, bench: Bench, clock: Clock) -> None:
        self._plan = plan
        self._bench = bench
        self._clock = clock
        self._intents = Intents()
        self._wishes: deque[Setting] = deque()
        self._state = plan.park_state
        self._spoken_s = clock.now_s()
        self._feed_every_s = bench.hold_off_ms / 3000.0
        self._values = 0
        self._way_out: tuple[PathStep, ...] | None = None
        self._finished = False
        self._script = self._run()

    @property
    def finished(self) -> bool:
        """Whether the session is over."""
        return self._finished

    def set(self, setting: Setting) -> None:
        """Ask for a value; it was found from the state that is latched then."""
        self._wishes.append(setting)

    def leave(self, back: tuple[PathStep, ...]) -> None:
        """End after what was asked for: travel this way, which leads to park, and be complete."""
        self._way_out = back

    def stop(self) -> None:
        """End the session: park at once."""
        self._intents.stop()

    def step(self) -> tuple[Event, ...]:
        """Do a little, for at most about half a second of the clock; return what happened."""
        return next(self._script, ())

    def _run(self) -> _Part:
        try:
            ended = yield from park_at_the_end(self._all(), self._bench, self._clock)
        finally:
            self._finished = True
        yield (RunFinished(at_s=self._clock.now_s(), summary=self._summary(ended)),)

    def _all(self) -> Script:
        yield from self._begin()
        while not self._intents.is_stopped():
            if self._wishes:
                yield from self._carry_out(self._wishes.popleft())
            elif self._way_out is not None:
                yield from self._travel(self._way_out)
                break
            yield self._wait()
        return "stopped" if self._intents.is_stopped() else "complete"

    def _begin(self) -> _Part:
        link, ladder = self._bench.link, self._bench.ladder
        identity = link.open(hold_off_ms=self._bench.hold_off_ms)
        self._spoken_s = self._clock.now_s()
        require_ladder(identity, ladder, port=link.port)
        yield (
            RunStarted(
                at_s=self._clock.now_s(),
                plan=self._plan,
                device_name=identity.name,
                first_step=0,
            ),
        )

    def _carry_out(self, setting: Setting) -> _Part:
        if setting.start != self._state:
            yield (NoteMade(at_s=self._clock.now_s(), text="not set: found from another state"),)
            return
        yield from self._travel(setting.path)
        if self._intents.is_stopped():
            return
        self._values += 1
        at_s = self._clock.now_s()
        event: Event = RelaysSet(
            at_s=at_s, step_index=None, path=setting.path, achieved_ohms=setting.ohms
        )
        if setting.state == self._plan.park_state:
            self._bench.link.park()
            event = Parked(at_s=at_s)
        yield (NoteMade(at_s=at_s, text=f"by hand: {setting.text}"), event)

    def _travel(self, path: tuple[PathStep, ...]) -> _Part:
        """Run a path in pieces short enough to stop between them."""
        for piece, wait_s in in_pieces(path, min(_LONGEST_PIECE_S, self._feed_every_s)):
            if self._intents.is_stopped():
                return
            self._bench.link.apply(piece)
            self._state = piece[-1].state
            yield (self._feed(),)
            until_s = self._clock.now_s() + wait_s
            while self._clock.now_s() < until_s and not self._intents.is_stopped():
                yield self._wait()

    def _wait(self) -> tuple[Event, ...]:
        self._clock.sleep_s(min(LOOK_EVERY_S, self._feed_every_s / 2))
        if self._clock.now_s() - self._spoken_s < self._feed_every_s - LOOK_EVERY_S / 2:
            return ()
        return (self._feed(),)

    def _feed(self) -> LinkReported:
        link = self._bench.link
        self._spoken_s = self._clock.now_s()
        status = link.feed()
        require_health(status, self._state, self._bench.ladder, port=link.port)
        return LinkReported(at_s=self._clock.now_s(), status=status)

    def _summary(self, ended: str) -> RunSummary:
        relays = self._bench.link.relays.value
        count = f"{self._values} value{'' if self._values == 1 else 's'}"
        return RunSummary(
            verdict=Verdict.UNDECIDED,
            ended=ended,
            passed=0,
            failed=0,
            undecided=0,
            unsettled=0,
            not_run=0,
            relays=relays,
            sentence=f"{count} set by hand, nothing was judged; {relays}.",
        )
