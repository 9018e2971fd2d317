"""A sweep whose readings come afterwards: each step stands for its time, and nothing is judged.

Knows: the order of things in a step without a reading, how long each stands.
Must not know: logs, how the readings come in, records.

The order of events is that of a sweep, with StepStood in place of readings and results.
"""

from __future__ import annotations

from controller.bench.opened import Bench
from controller.clock import Clock
from controller.measurement.model import Verdict
from controller.planning.model import ResolvedPlan
from controller.run.driver import Part
from controller.run.events import RelaysSet, StepStarted, StepStood
from controller.run.job import Job
from controller.run.model import Ending, RunSummary, StepResult
from controller.run.summary import with_relays

__all__ = ["LaterRun"]


class LaterRun(Job):
    """One run of a resolved plan that takes no reading. It can be paused and stopped."""

    results: tuple[StepResult, ...] = ()
    """Nothing is judged."""

    def __init__(self, plan: ResolvedPlan, bench: Bench, clock: Clock) -> None:
        super().__init__(plan, bench, clock)
        self._stood = 0

    def pause(self) -> None:
        """Hold the relays as they are, hold-off fed, until `resume`. Any thread may wish."""
        self._intents.pause()

    def resume(self) -> None:
        """Go on after a pause; a step under way has stood all the longer."""
        self._intents.resume()

    def _work(self) -> Part:
        for step in self.plan.steps:
            yield (StepStarted(at_s=self._clock.now_s(), step=step, attempt=1),)
            yield from self._driver.hold_still()
            yield from self._driver.travel(step.path)
            set_at_s = self._clock.now_s()
            yield (
                RelaysSet(
                    at_s=set_at_s,
                    step_index=step.index,
                    path=step.path,
                    achieved_ohms=step.achieved_ohms,
                ),
            )
            yield from self._driver.wait_until(set_at_s + step.dwell_s)
            now_s = self._clock.now_s()
            self._stood += 1
            yield (StepStood(at_s=now_s, step_index=step.index, stood_s=now_s - set_at_s),)
        yield from self._driver.travel(self.plan.closing_path)

    def _summary(self, ending: Ending) -> RunSummary:
        relays = self._bench.link.relays
        steps = len(self.plan.steps)
        how = {
            Ending.COMPLETE: f"All {steps} steps were set",
            Ending.STOPPED: f"Stopped after {self._stood} of {steps} steps",
            Ending.FAULT: f"Ended by a fault after {self._stood} of {steps} steps",
        }[ending]
        return RunSummary(
            verdict=Verdict.UNDECIDED,
            ended=ending,
            passed=0,
            failed=0,
            undecided=self._stood,
            unsettled=0,
            not_run=steps - self._stood,
            relays=relays,
            sentence=f"{with_relays(how, relays)}. Nothing is judged yet: the record waits for its"
            " readings.",
        )
