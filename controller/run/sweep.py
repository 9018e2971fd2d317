"""The sweep: carries out a resolved plan step by step, and takes a reading for each.

Knows: the order of the steps, what a person may wish for meanwhile.
Must not know: plan files, how states were found, how relays are moved, how readings come in and
settle, who listens, terminals.

`SweepRun.step` does a bounded amount of work and returns what happened. Wishes of a person come in
from any thread. The order of events is:

    RunStarted (StepStarted RelaysSet [PromptOpened] ReadingSeen* StepFinished)* Parked RunFinished

with LinkReported and NoteMade anywhere between, and the ends that every run has (`driver`). A redo
begins its step again with StepStarted and the next attempt number, and the last result of a step
is the one that counts. A nudge leaves the step for values beside it, each with a NoteMade and a
RelaysSet of no step; nothing is read there, and the step begins again afterwards.

A plan for two inputs sets one ladder after the other, each by its own path, and reads both; the
step has one result, which holds the second input's. RelaysSet, PromptOpened and ReadingSeen come
for each. What settles counts from the later of the two latches.
"""

from __future__ import annotations

from collections.abc import Sequence

from controller.bench.opened import Bench
from controller.clock import Clock
from controller.errors import worst_knowledge
from controller.ladder.model import PathStep
from controller.planning.model import ResolvedPlan, ResolvedStep
from controller.planning.single_value import Setting
from controller.run.beside import Beside
from controller.run.driver import Part, Wished
from controller.run.events import (
    Event,
    RelaysSet,
    StepFinished,
    StepStarted,
)
from controller.run.intents import Intent, Standing
from controller.run.job import Job
from controller.run.judging import paired, skipped
from controller.run.model import Ending, RunSummary, StepResult
from controller.run.pieces import reversed_path
from controller.run.step_readings import RunInput, StepReadings
from controller.run.summary import summarize

__all__ = ["SweepRun"]


class SweepRun(Job):
    """One run of a resolved plan.

    `first_step` must be the step the plan was resolved to start from. Raises ValueError when it
    is not, or when the plan has no such step.
    """

    def __init__(
        self, resolved: ResolvedPlan, bench: Bench, clock: Clock, *, first_step: int | None = None
    ) -> None:
        if first_step is None:
            first_step = resolved.first_step
        if first_step != resolved.first_step or not 0 <= first_step < len(resolved.steps):
            raise ValueError(
                f"the plan was resolved to start from step {resolved.first_step}, not {first_step}"
            )
        super().__init__(resolved, bench, clock)
        self._results: dict[int, StepResult] = {}
        self._attempts: dict[int, int] = {}
        self._inputs = tuple(
            RunInput(end=end, plan=plan)
            for end, plan in zip(self._driver.ends, resolved.inputs, strict=True)
        )
        self._readings = StepReadings(self._inputs, self._driver, clock)
        self._beside = Beside(self._driver, clock)
        self._under_way: Standing | None = None

    @property
    def results(self) -> tuple[StepResult, ...]:
        """The result that counts of each step judged so far, in the order of the plan."""
        return tuple(self._results[index] for index in sorted(self._results))

    def pause(self) -> None:
        """Hold the relays as they are, hold-off fed, until `resume`. Any thread may wish."""
        self._intents.pause()

    def resume(self) -> None:
        """Go on after a pause; settling begins anew."""
        self._intents.resume()

    def is_paused(self) -> bool:
        """Whether it has been asked to hold still; it may not do so yet."""
        return self._intents.is_paused()

    # A wish is about the step that whoever wishes has seen, else the one under way. Once that is
    # over, a note says that the wish came too late; False: it came even after the run.

    def skip(self, about: Standing | None = None) -> bool:
        """Leave the step under way without a reading."""
        return self._wish(Intent.SKIP, about)

    def redo(self, about: Standing | None = None) -> bool:
        """Begin the step under way again."""
        return self._wish(Intent.REDO, about)

    def back(self, about: Standing | None = None) -> bool:
        """Return to the step before, the way the ladder came, and take its reading again."""
        return self._wish(Intent.BACK, about)

    def _wish(self, intent: Intent, about: Standing | None) -> bool:
        return self._intents.wish(intent, about or self._under_way)

    def nudge(self, beside: Setting, about: Standing | None = None) -> bool:
        """Put a value beside the step's at the output; any other wish goes back to the step.

        It was found from the state that is latched then. No reading is taken there. A run that
        is paused goes on with it.
        """
        self._beside.want(beside)
        heard = self._wish(Intent.NUDGE, about)
        self._intents.resume()
        return heard

    # The script: what a run does, in order. Each yield hands the events so far to the caller.

    def _work(self) -> Part:
        yield from self._all_steps()
        for one in self._inputs:
            yield from self._driver.travel(one.plan.closing_path, one.end)

    def _summary(self, ending: Ending) -> RunSummary:
        relays = tuple(end.relays for end in self._driver.ends)
        return summarize(
            self.plan,
            self.results,
            ended=ending,
            relays=worst_knowledge(relays),
            new_codes=self.new_codes,
            relays_of=relays if len(relays) > 1 else (),
        )

    def _all_steps(self) -> Part:
        index = self.plan.first_step
        paths = self._paths(index)
        while index < len(self.plan.steps):
            try:
                yield from self._one_step(index, paths)
            except Wished as wish:
                if wish.intent is Intent.BACK and index > self.plan.first_step:
                    index -= 1
                    paths = self._paths_back(index)
                    continue
                if wish.intent is Intent.NUDGE:
                    back = yield from self._beside.hold(
                        self.plan.steps[index], (index, self._attempts[index])
                    )
                    paths = (back, *((),) * (len(self._inputs) - 1))
                    continue
                if wish.intent is not Intent.SKIP:
                    paths = ((),) * len(self._inputs)
                    continue
                attempt = self._attempts[index]
                yield self._judged([skipped(step, attempt) for step in self._at(index)])
            index += 1
            if index < len(self.plan.steps):
                paths = self._paths(index)

    def _at(self, index: int) -> tuple[ResolvedStep, ...]:
        """Return a step of each input."""
        return tuple(one.plan.steps[index] for one in self._inputs)

    def _paths(self, index: int) -> tuple[tuple[PathStep, ...], ...]:
        """Return each input's way to a step, from the step before."""
        return tuple(step.path for step in self._at(index))

    def _paths_back(self, index: int) -> tuple[tuple[PathStep, ...], ...]:
        """Return each input's way back to a step from the one after it."""
        return tuple(
            reversed_path(
                one.plan.steps[index + 1].path,
                one.plan.steps[index].state,
                one.end.bench.ladder,
                step_ms=one.end.bench.step_ms,
            )
            for one in self._inputs
        )

    def _one_step(self, index: int, paths: tuple[tuple[PathStep, ...], ...]) -> Part:
        steps = self._at(index)
        attempt = self._attempts.get(index, 0) + 1
        self._attempts[index] = attempt
        self._under_way = (index, attempt)
        self._beside.forget()
        yield (StepStarted(at_s=self._clock.now_s(), step=steps[0], attempt=attempt),)
        yield from self._driver.hold_still()
        for one, step, path in zip(self._inputs, steps, paths, strict=True):
            yield from self._driver.travel(path, one.end)
            yield (
                RelaysSet(
                    at_s=self._clock.now_s(),
                    step_index=index,
                    path=path,
                    achieved_ohms=step.achieved_ohms,
                    input=one.end.number,
                ),
            )
        set_at_s = self._clock.now_s()
        yield from self._driver.obey((index, attempt))
        results = yield from self._readings.taken(index, attempt, set_at_s)
        yield self._judged(results)
        self._readings.require_some()

    def _judged(self, results: Sequence[StepResult]) -> tuple[Event, ...]:
        """Keep a step's result; that of a second input is held against the first one's."""
        result = results[0]
        for other in results[1:]:
            result = paired(
                result, other, self.plan.decision_rule, self.plan.largest_difference_celsius
            )
        self._results[result.step.index] = result
        return (StepFinished(at_s=self._clock.now_s(), result=result),)
