"""Measuring a ladder: state after state is set and held while a meter reads its ohms.

Knows: the states in their order with the way to each, a meter as an interface.
Must not know: how the states were chosen, who reads the meter, what becomes of the ohms.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from controller.bench.opened import Bench
from controller.clock import Clock
from controller.ladder.model import PathStep
from controller.measurement.model import Verdict
from controller.meters.base import Meter, MeterQuestion
from controller.planning.model import ResolvedPlan
from controller.readback.base import OperatorCommand
from controller.run.driver import Part, Stopped
from controller.run.events import Measured, NoteKind, NoteMade
from controller.run.job import Job
from controller.run.model import Ending, RunSummary
from controller.run.summary import with_relays

__all__ = ["MeasureRun", "StateToMeasure"]

OVERRANGE = "the meter says overrange: an open circuit, or more ohm than it can measure"


@dataclass(frozen=True, kw_only=True)
class StateToMeasure:
    """A state, the way to it from the one before, and the ohms its file values make."""

    state: int
    path: tuple[PathStep, ...]
    expected_ohms: float


class MeasureRun(Job):
    """Goes through states, then by `closing_path` of the plan to park; none without a meter."""

    def __init__(
        self,
        plan: ResolvedPlan,
        states: Sequence[StateToMeasure],
        meter: Meter | None,
        bench: Bench,
        clock: Clock,
    ) -> None:
        super().__init__(plan, bench, clock)
        self._states = tuple(states)
        self._meter = meter
        self.taken: dict[int, float] = {}
        """The ohms of each state that was measured; infinite where the meter said overrange."""
        self._skipped = 0

    def _open_instruments(self) -> None:
        if self._meter is not None:
            self._meter.open()

    def _work(self) -> Part:
        if self._meter is not None:
            yield from self._all_states(self._meter)
        yield from self._driver.travel(self.plan.closing_path)

    def _all_states(self, meter: Meter) -> Part:
        for index, one in enumerate(self._states):
            yield from self._driver.go(one.path, one.expected_ohms)
            meter.ask(
                MeterQuestion(
                    number=index + 1,
                    count=len(self._states),
                    state=self.plan.format_state(one.state),
                    expected_ohms=one.expected_ohms,
                )
            )
            yield from self._take(one, meter)

    def _take(self, one: StateToMeasure, meter: Meter) -> Part:
        """Hold a state, the hold-off fed, until its ohms are told."""
        while True:
            answer = meter.poll()
            match answer:
                case None:
                    yield self._driver.slice()
                    yield from self._driver.hold_still()
                case OperatorCommand.STOP:
                    raise Stopped
                case OperatorCommand():
                    self._skipped += 1
                    return
                case math.inf:
                    self.taken[one.state] = answer
                    text = f"{self.plan.format_state(one.state)}: {OVERRANGE}"
                    at_s = self._clock.now_s()
                    yield (NoteMade(at_s=at_s, kind=NoteKind.NOT_MEASURED, text=text),)
                    return
                case _:
                    self.taken[one.state] = answer
                    yield (
                        Measured(
                            at_s=self._clock.now_s(),
                            state=one.state,
                            ohms=answer,
                            expected_ohms=one.expected_ohms,
                        ),
                    )
                    return

    def _summary(self, ending: Ending) -> RunSummary:
        relays = self._bench.link.relays
        measured = sum(math.isfinite(ohms) for ohms in self.taken.values())
        said = f"{measured} of {len(self._states)} states measured"
        return RunSummary(
            verdict=Verdict.UNDECIDED,
            ended=ending,
            passed=0,
            failed=0,
            undecided=0,
            unsettled=0,
            not_run=len(self._states) - len(self.taken) - self._skipped,
            relays=relays,
            sentence=f"{with_relays(said, relays)}.",
        )
