"""Values set by hand, one after another, as a run: the same driver, the same ending.

Knows: that a value is asked for, set, held with the hold-off fed, and given up for the next.
Must not know: how values are found, records, terminals, threads other than the one that calls.
"""

from __future__ import annotations

from collections import deque

from controller.bench.opened import Bench
from controller.clock import Clock
from controller.ladder.model import PathStep
from controller.measurement.model import SettleRule, Verdict
from controller.planning.model import ResolvedPlan
from controller.planning.single_value import Setting
from controller.run.driver import Part
from controller.run.events import NoteKind, NoteMade
from controller.run.job import Job
from controller.run.model import Ending, RunSummary
from controller.run.summary import with_relays

__all__ = ["HandRun", "plan_by_hand"]


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


class HandRun(Job):
    """Single values, one after another. `set`, `leave` and `stop` may be called from any thread."""

    def __init__(self, plan: ResolvedPlan, bench: Bench, clock: Clock) -> None:
        super().__init__(plan, bench, clock)
        self._asked_for: deque[Setting] = deque()
        self._values = 0
        self._way_out: tuple[PathStep, ...] | None = None

    def set(self, setting: Setting) -> None:
        """Ask for a value; it was found from the state that is latched then."""
        self._asked_for.append(setting)

    def leave(self, back: tuple[PathStep, ...]) -> None:
        """End after what was asked for: travel this way, which leads to park, and be complete."""
        self._way_out = back

    def _work(self) -> Part:
        while True:
            self._driver.check_stop()
            if self._asked_for:
                yield from self._carry_out(self._asked_for.popleft())
            elif self._way_out is not None:
                yield from self._driver.travel(self._way_out)
                return
            yield self._driver.slice()

    def _carry_out(self, setting: Setting) -> Part:
        if setting.start != self._driver.state:
            text = "not set: it was worked out from another relay state than the one now set"
            yield (NoteMade(at_s=self._clock.now_s(), kind=NoteKind.REFUSED, text=text),)
            return
        yield from self._driver.travel(setting.path)
        self._values += 1
        made = self._driver.stands(setting.path, setting.ohms)
        text = f"by hand: {setting.text}"
        said = NoteMade(at_s=made.at_s, kind=NoteKind.BY_HAND, text=text)
        if setting.state == self.plan.park_state:
            yield (said,)
            yield from self._driver.rest()
            return
        yield (said, made)

    def _summary(self, ending: Ending) -> RunSummary:
        relays = self._bench.link.relays
        count = f"{self._values} value{'' if self._values == 1 else 's'}"
        said = f"{count} set by hand, nothing was judged"
        return RunSummary(
            verdict=Verdict.UNDECIDED,
            ended=ending,
            passed=0,
            failed=0,
            undecided=0,
            unsettled=0,
            not_run=0,
            relays=relays,
            sentence=f"{with_relays(said, relays)}.",
        )
