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

A plan for two inputs sets one ladder after the other, each by its own path, and reads both; the
step has one result, which holds the second input's. RelaysSet, PromptOpened and ReadingSeen come
for each. What settles counts from the later of the two latches.
"""

from __future__ import annotations

from collections.abc import Generator, Sequence
from dataclasses import dataclass

from controller.bench.opened import Bench
from controller.clock import Clock
from controller.errors import ReadbackError, worst_knowledge
from controller.ladder.model import PathStep
from controller.planning.model import ResolvedPlan, ResolvedStep
from controller.planning.single_value import Setting
from controller.readback.base import Answer, OperatorCommand, Prompt, Readback, Reading
from controller.run.beside import Beside
from controller.run.driver import Job, Part, Stopped
from controller.run.ends import End
from controller.run.events import (
    Event,
    PromptOpened,
    ReadingSeen,
    RelaysSet,
    StepFinished,
    StepStarted,
)
from controller.run.intents import Intent, Standing
from controller.run.judging import judge_step, paired, skipped
from controller.run.model import Ending, RunSummary, StepResult
from controller.run.pieces import reversed_path
from controller.run.settle import StepWatch
from controller.run.summary import prompt_text, summarize

__all__ = ["MOST_ANSWERS", "SILENT_STEPS", "SweepRun"]

MOST_ANSWERS = 100
"""The most answers taken from a readback before time passes and wishes are looked at again."""

SILENT_STEPS = 3
"""After this many steps in a row without any reading the readback counts as failed."""


class _Wished(Exception):  # noqa: N818 - a way out of a step, not an error
    """A person asked for something else than going on with this step."""

    def __init__(self, intent: Intent) -> None:
        self.intent = intent


@dataclass(frozen=True, kw_only=True)
class _Input:
    """One input of the run: what it gets, and where its readings come from."""

    end: End
    plan: ResolvedPlan

    @property
    def readback(self) -> Readback:
        """Where its readings come from."""
        return self.end.bench.readback


class _Watched:
    """An input whose readings stream, in one step."""

    def __init__(self, one: _Input, step: ResolvedStep, prompt: Prompt, watch: StepWatch) -> None:
        self.one, self.step, self.prompt, self.watch = one, step, prompt, watch
        self.number = one.end.number
        self.shown: Reading | None = None
        self.decided_s: float | None = None

    @property
    def news(self) -> Reading | None:
        """The newest reading, where it has not been shown."""
        return None if self.watch.last is self.shown else self.watch.last

    def seen(self, reading: Reading, attempt: int, *, final: bool) -> ReadingSeen:
        """Return the event of a reading."""
        return ReadingSeen.of(reading, self.step, attempt=attempt, final=final, number=self.number)


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
        self._inputs = tuple(
            _Input(end=end, plan=plan)
            for end, plan in zip(self._driver.ends, resolved.inputs, strict=True)
        )
        self._silent = dict.fromkeys(range(1, len(self._inputs) + 1), 0)
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
            except _Wished as wish:
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
        yield from self._obey()
        results: dict[int, StepResult] = {}
        streaming = [one for one in self._inputs if one.readback.continuous]
        watched: list[_Watched] = []
        if streaming:
            watched = yield from self._watch(streaming, index, attempt, set_at_s, results)
        for one in self._inputs:
            if not one.readback.continuous:
                yield from self._ask(one, index, attempt, set_at_s, results)
        yield self._judged([results[one.end.number] for one in self._inputs])
        self._heard_something(watched)

    def _watch(
        self,
        inputs: list[_Input],
        index: int,
        attempt: int,
        set_at_s: float,
        results: dict[int, StepResult],
    ) -> Generator[tuple[Event, ...], None, list[_Watched]]:
        """Take readings as they stream until those of each input have settled or time is up."""
        every = [
            _Watched(
                one,
                step,
                self._open_prompt(one, index),
                StepWatch(one.plan.settle, set_at_s=set_at_s, dwell_s=step.dwell_s),
            )
            for one in inputs
            for step in (one.plan.steps[index],)
        ]
        left = list(every)
        pauses = self._driver.pauses
        while left:
            yield self._driver.slice()
            yield from self._obey()
            yield from self._driver.hold_still()
            if pauses != self._driver.pauses:
                pauses = self._driver.pauses
                for one in left:
                    one.watch.restart(self._clock.now_s())
            for one in left:
                for reading in self._answers(one.one, one.prompt):
                    if one.news is not None:
                        yield (one.seen(one.news, attempt, final=False),)
                    one.shown = one.watch.last
                    one.watch.take(reading)
                now_s = self._clock.now_s()
                if one.watch.decided(now_s):
                    one.decided_s = now_s
                elif one.news is not None:
                    yield (one.seen(one.news, attempt, final=False),)
                    one.shown = one.watch.last
            left = [one for one in left if one.decided_s is None]
        for one in every:
            yield from self._settled(one, attempt, results)
        return every

    def _settled(self, one: _Watched, attempt: int, results: dict[int, StepResult]) -> Part:
        """Judge what an input's readings have come to."""
        watch, decided_s = one.watch, one.decided_s
        assert decided_s is not None  # noqa: S101 - it is no longer watched
        if watch.judged is not None:
            yield (one.seen(watch.judged, attempt, final=True),)
        elif one.news is not None:
            yield (one.seen(one.news, attempt, final=False),)
        results[one.number] = judge_step(
            one.step,
            self.plan.decision_rule,
            watch.judged,
            attempt=attempt,
            settled=watch.settled(decided_s),
            settle_s=watch.settle_s(decided_s),
        )

    def _ask(
        self,
        one: _Input,
        index: int,
        attempt: int,
        set_at_s: float,
        results: dict[int, StepResult],
    ) -> Part:
        """Ask a person once, who has waited for the reading to settle."""
        step = one.plan.steps[index]
        yield from self._driver.wait_until(set_at_s + step.dwell_s)
        yield from self._obey()
        prompt = self._open_prompt(one, index)
        yield (PromptOpened(at_s=self._clock.now_s(), prompt=prompt),)
        while True:
            yield self._driver.slice()
            yield from self._obey()
            yield from self._driver.hold_still()
            if readings := self._answers(one, prompt, most=1):
                break
        [answer] = readings
        yield (ReadingSeen.of(answer, step, attempt=attempt, final=True, number=one.end.number),)
        results[one.end.number] = judge_step(
            step,
            self.plan.decision_rule,
            answer,
            attempt=attempt,
            settled=True,
            settle_s=self._clock.now_s() - set_at_s,
        )

    # Small things the script is made of.

    def _open_prompt(self, one: _Input, index: int) -> Prompt:
        self._token += 1
        text = prompt_text(one.plan.steps[index], len(self.plan.steps), one.end.name)
        prompt = Prompt(token=self._token, step_index=index, text=text)
        one.readback.ask(prompt)
        return prompt

    def _answers(self, one: _Input, prompt: Prompt, *, most: int = MOST_ANSWERS) -> list[Reading]:
        """Return what has been reported for a prompt; obey what was typed in its place."""
        readings = []
        for _ in range(most):
            answer: Answer | None = one.readback.poll()
            if answer is None:
                break
            if isinstance(answer, OperatorCommand):
                self._command(answer)
            elif answer.token == prompt.token:
                readings.append(answer)
        return readings

    def _judged(self, results: Sequence[StepResult]) -> tuple[Event, ...]:
        """Keep a step's result; that of a second input is held against the first one's."""
        result = results[0]
        for other in results[1:]:
            result = paired(
                result, other, self.plan.decision_rule, self.plan.largest_difference_celsius
            )
        self._results[result.step.index] = result
        return (StepFinished(at_s=self._clock.now_s(), result=result),)

    def _heard_something(self, watched: Sequence[_Watched]) -> None:
        """Give up a readback that has said nothing for some steps in a row."""
        for one in watched:
            number, readback = one.number, one.one.readback
            self._silent[number] = 0 if one.watch.last is not None else self._silent[number] + 1
            if self._silent[number] >= SILENT_STEPS:
                raise ReadbackError(
                    f"no reading came for {SILENT_STEPS} steps in a row",
                    source=readback.name,
                    hint="is it still connected, and is the module awake?",
                )

    def _obey(self) -> Part:
        self._driver.check_stop()
        assert self._under_way is not None  # noqa: S101 - wishes are looked at within steps
        intent = yield from self._driver.wished(self._under_way)
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
