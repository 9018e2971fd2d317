"""The sweep: carries out a resolved plan step by step, and takes a reading for each.

Knows: the order of things in a step, what a person may wish for meanwhile.
Must not know: plan files, how states were found, how relays are moved, who listens, terminals.

`SweepRun.step` does a bounded amount of work and returns what happened. Wishes of a person come in
from any thread. The order of events is:

    RunStarted (StepStarted RelaysSet [PromptOpened] ReadingSeen* StepFinished)* Parked RunFinished

with LinkReported and NoteMade anywhere between, and the ends that every run has (`driver`). A redo
begins its step again with StepStarted and the next attempt number, and the last result of a step
is the one that counts. A nudge leaves the step for values beside it, each with a NoteMade and a
RelaysSet of no step; nothing is read there, and the step begins again afterwards.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Generator

from controller.bench.opened import Bench
from controller.clock import Clock
from controller.errors import ReadbackError
from controller.ladder.model import PathStep
from controller.planning.model import ResolvedPlan, ResolvedStep
from controller.planning.single_value import Setting
from controller.readback.base import Answer, OperatorCommand, Prompt, Reading
from controller.run.driver import Job, Part, Stopped
from controller.run.events import (
    Event,
    NoteKind,
    NoteMade,
    PromptOpened,
    ReadingSeen,
    RelaysSet,
    StepFinished,
    StepStarted,
)
from controller.run.intents import Intent
from controller.run.judging import judge_step, skipped
from controller.run.model import Ending, RunSummary, StepResult
from controller.run.pieces import reversed_path
from controller.run.settle import StepWatch
from controller.run.summary import nudge_text, prompt_text, summarize

__all__ = ["MOST_ANSWERS", "NUDGED_S", "SILENT_STEPS", "SweepRun"]

MOST_ANSWERS = 100
"""The most answers taken from a readback before time passes and wishes are looked at again."""

NUDGED_S = 60.0
"""So long after the last nudge the run goes back to its step by itself."""

SILENT_STEPS = 3
"""After this many steps in a row without any reading the readback counts as failed."""


class _Wished(Exception):  # noqa: N818 - a way out of a step, not an error
    """A person asked for something else than going on with this step."""

    def __init__(self, intent: Intent) -> None:
        self.intent = intent


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
        self._token = 0
        self._silent = 0
        # Appending to and taking from a deque are atomic.
        self._nudges: deque[Setting] = deque()

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

    def skip(self) -> None:
        """Leave the step under way without a reading."""
        self._intents.wish(Intent.SKIP)

    def redo(self) -> None:
        """Begin the step under way again."""
        self._intents.wish(Intent.REDO)

    def back(self) -> None:
        """Return to the step before, the way the ladder came, and take its reading again."""
        self._intents.wish(Intent.BACK)

    def nudge(self, beside: Setting) -> None:
        """Put a value beside the step's at the output; any other wish goes back to the step.

        It was found from the state that is latched then. No reading is taken there. A run that
        is paused goes on with it.
        """
        self._nudges.append(beside)
        self._intents.wish(Intent.NUDGE)
        self._intents.resume()

    # The script: what a run does, in order. Each yield hands the events so far to the caller.

    def _work(self) -> Part:
        yield from self._all_steps()
        yield from self._driver.travel(self.plan.closing_path)

    def _summary(self, ending: Ending) -> RunSummary:
        return summarize(
            self.plan,
            self.results,
            ended=ending,
            relays=self._bench.link.relays,
            new_codes=self.new_codes,
        )

    def _all_steps(self) -> Part:
        index = self.plan.first_step
        path = self.plan.steps[index].path
        while index < len(self.plan.steps):
            step = self.plan.steps[index]
            came_along = step.path
            try:
                yield from self._one_step(step, path)
            except _Wished as wish:
                if wish.intent is Intent.BACK and index > self.plan.first_step:
                    index -= 1
                    before = self.plan.steps[index].state
                    path = reversed_path(
                        came_along, before, self._bench.ladder, step_ms=self._bench.step_ms
                    )
                    continue
                if wish.intent is Intent.NUDGE:
                    path = yield from self._beside(step)
                    continue
                if wish.intent is not Intent.SKIP:
                    path = ()
                    continue
                yield self._judged(skipped(step, self._attempts[index]))
            index += 1
            if index < len(self.plan.steps):
                path = self.plan.steps[index].path

    def _one_step(self, step: ResolvedStep, path: tuple[PathStep, ...]) -> Part:
        attempt = self._attempts.get(step.index, 0) + 1
        self._attempts[step.index] = attempt
        self._intents.forget()
        self._nudges.clear()
        yield (StepStarted(at_s=self._clock.now_s(), step=step, attempt=attempt),)
        yield from self._driver.hold_still()
        yield from self._driver.travel(path)
        set_at_s = self._clock.now_s()
        yield (
            RelaysSet(
                at_s=set_at_s, step_index=step.index, path=path, achieved_ohms=step.achieved_ohms
            ),
        )
        self._obey()
        if self._bench.readback.continuous:
            yield from self._watch(step, attempt, set_at_s)
        else:
            yield from self._ask(step, attempt, set_at_s)

    def _beside(
        self, step: ResolvedStep
    ) -> Generator[tuple[Event, ...], None, tuple[PathStep, ...]]:
        """Hold values beside the step's until another wish or the end of patience.

        Return the way back to the step, which is the way the ladder came.
        """
        came: list[tuple[int, tuple[PathStep, ...]]] = []
        until_s = self._clock.now_s() + NUDGED_S
        while self._clock.now_s() < until_s:
            while self._nudges:
                beside = self._nudges.popleft()
                came_from = self._driver.state
                if beside.start != came_from:
                    text = "not nudged: it was worked out from another relay state"
                    yield (self._noted(NoteKind.REFUSED, text),)
                    continue
                came.append((came_from, beside.path))
                yield from self._driver.travel(beside.path)
                text = nudge_text(step, beside.ohms, beside.celsius)
                yield (
                    self._noted(NoteKind.BY_HAND, text),
                    RelaysSet(
                        at_s=self._clock.now_s(),
                        step_index=None,
                        path=beside.path,
                        achieved_ohms=beside.ohms,
                    ),
                )
                until_s = self._clock.now_s() + NUDGED_S
            yield self._driver.slice()
            yield from self._driver.hold_still()
            if self._intents.take() not in (None, Intent.NUDGE):
                break
        ladder, step_ms = self._bench.ladder, self._bench.step_ms
        return tuple(
            change
            for state, path in reversed(came)
            for change in reversed_path(path, state, ladder, step_ms=step_ms)
        )

    def _noted(self, kind: NoteKind, text: str) -> NoteMade:
        return NoteMade(at_s=self._clock.now_s(), kind=kind, text=text)

    def _watch(self, step: ResolvedStep, attempt: int, set_at_s: float) -> Part:
        """Take readings as they stream until they have settled or time is up."""
        prompt = self._open_prompt(step)
        watch = StepWatch(self.plan.settle, set_at_s=set_at_s, dwell_s=step.dwell_s)
        pauses = self._driver.pauses
        shown: Reading | None = None
        while True:
            yield self._driver.slice()
            self._obey()
            yield from self._driver.hold_still()
            if pauses != self._driver.pauses:
                pauses = self._driver.pauses
                watch.restart(self._clock.now_s())
            for reading in self._answers(prompt):
                if shown is not watch.last and watch.last is not None:
                    yield (ReadingSeen.of(watch.last, step, attempt=attempt, final=False),)
                shown = watch.last
                watch.take(reading)
            now_s = self._clock.now_s()
            if watch.decided(now_s):
                break
            if watch.last is not None and watch.last is not shown:
                yield (ReadingSeen.of(watch.last, step, attempt=attempt, final=False),)
                shown = watch.last
        if watch.judged is not None:
            yield (ReadingSeen.of(watch.judged, step, attempt=attempt, final=True),)
        elif watch.last is not None and watch.last is not shown:
            yield (ReadingSeen.of(watch.last, step, attempt=attempt, final=False),)
        result = self._judged(
            judge_step(
                step,
                self.plan.decision_rule,
                watch.judged,
                attempt=attempt,
                settled=watch.settled(now_s),
                settle_s=watch.settle_s(now_s),
            )
        )
        yield result
        self._heard_something(watch)

    def _ask(self, step: ResolvedStep, attempt: int, set_at_s: float) -> Part:
        """Ask a person once, who has waited for the reading to settle."""
        yield from self._driver.wait_until(set_at_s + step.dwell_s)
        self._obey()
        prompt = self._open_prompt(step)
        yield (PromptOpened(at_s=self._clock.now_s(), prompt=prompt),)
        while True:
            yield self._driver.slice()
            self._obey()
            yield from self._driver.hold_still()
            if readings := self._answers(prompt, most=1):
                break
        [answer] = readings
        yield (ReadingSeen.of(answer, step, attempt=attempt, final=True),)
        yield self._judged(
            judge_step(
                step,
                self.plan.decision_rule,
                answer,
                attempt=attempt,
                settled=True,
                settle_s=self._clock.now_s() - set_at_s,
            )
        )

    # Small things the script is made of.

    def _open_prompt(self, step: ResolvedStep) -> Prompt:
        self._token += 1
        text = prompt_text(step, len(self.plan.steps))
        prompt = Prompt(token=self._token, step_index=step.index, text=text)
        self._bench.readback.ask(prompt)
        return prompt

    def _answers(self, prompt: Prompt, *, most: int = MOST_ANSWERS) -> list[Reading]:
        """Return what has been reported for a prompt; obey what was typed in its place."""
        readings = []
        for _ in range(most):
            answer: Answer | None = self._bench.readback.poll()
            if answer is None:
                break
            if isinstance(answer, OperatorCommand):
                self._command(answer)
            elif answer.token == prompt.token:
                readings.append(answer)
        return readings

    def _judged(self, result: StepResult) -> tuple[Event, ...]:
        self._results[result.step.index] = result
        return (StepFinished(at_s=self._clock.now_s(), result=result),)

    def _heard_something(self, watch: StepWatch) -> None:
        """Give up a readback that has said nothing for some steps in a row."""
        self._silent = 0 if watch.last is not None else self._silent + 1
        if self._silent >= SILENT_STEPS:
            raise ReadbackError(
                f"no reading came for {SILENT_STEPS} steps in a row",
                source=self._bench.readback.name,
                hint="is it still connected, and is the module awake?",
            )

    def _obey(self) -> None:
        self._driver.check_stop()
        intent = self._intents.take()
        if intent is not None:
            raise _Wished(intent)

    def _command(self, command: OperatorCommand) -> None:
        """Obey what a person typed in place of a reading."""
        match command:
            case OperatorCommand.STOP:
                raise Stopped
            case OperatorCommand.SKIP:
                raise _Wished(Intent.SKIP)
            case OperatorCommand.REDO:
                raise _Wished(Intent.REDO)
