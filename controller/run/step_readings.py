"""The readings of one step: what each input reports until it has settled, and what is judged of it.

Knows: readbacks that stream and such that ask a person, settling, what is typed in place of a
reading.
Must not know: how relays are moved, which step comes next, what the verdict of a run is.
"""

from __future__ import annotations

from collections.abc import Generator, Sequence
from dataclasses import dataclass

from controller.clock import Clock
from controller.errors import ReadbackError
from controller.planning.model import ResolvedPlan, ResolvedStep
from controller.readback.base import OperatorCommand, Prompt, Readback, Reading
from controller.run.asking import Answers, Asker, answers
from controller.run.driver import Driver, Part, Wished
from controller.run.ends import End
from controller.run.events import Event, PromptOpened, ReadingSeen
from controller.run.intents import Intent
from controller.run.judging import judge_step
from controller.run.model import StepResult
from controller.run.settle import StepWatch
from controller.run.summary import prompt_text

__all__ = ["SILENT_STEPS", "RunInput", "StepReadings"]

SILENT_STEPS = 3
"""After this many steps in a row without any reading the readback counts as failed."""


_MEANT = {OperatorCommand.SKIP: Intent.SKIP, OperatorCommand.REDO: Intent.REDO}
"""What is wished of a step by what a person types; a stop comes as Stopped."""


@dataclass(frozen=True, kw_only=True)
class RunInput:
    """One input of the run: what it gets, and where its readings come from."""

    end: End
    plan: ResolvedPlan

    @property
    def readback(self) -> Readback:
        """Where its readings come from."""
        return self.end.bench.readback


class _Watched:
    """An input whose readings stream, in one step."""

    def __init__(self, one: RunInput, step: ResolvedStep, prompt: Prompt, watch: StepWatch) -> None:
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


class StepReadings:
    """Takes the readings of a run's steps; `inputs` are all those of the run, the first one first.

    The rule of decision is that of the first input's plan.
    """

    def __init__(self, inputs: Sequence[RunInput], driver: Driver, clock: Clock) -> None:
        self._inputs = tuple(inputs)
        self._driver = driver
        self._clock = clock
        self._rule = self._inputs[0].plan.decision_rule
        self._asker = Asker()
        self._silent = dict.fromkeys((one.end.number for one in self._inputs), 0)

    def taken(
        self, index: int, attempt: int, set_at_s: float
    ) -> Generator[tuple[Event, ...], None, list[StepResult]]:
        """Take the readings of a step; return the result of each input.

        Raises Wished and Stopped when a person wants something else meanwhile.
        """
        results: dict[int, StepResult] = {}
        streaming = [one for one in self._inputs if one.readback.continuous]
        if streaming:
            yield from self._watch(streaming, index, attempt, set_at_s, results)
        for one in self._inputs:
            if not one.readback.continuous:
                yield from self._ask(one, index, attempt, set_at_s, results)
        return [results[one.end.number] for one in self._inputs]

    def require_some(self) -> None:
        """Raise ReadbackError where an input has said nothing for some steps in a row."""
        for one in self._inputs:
            if self._silent[one.end.number] >= SILENT_STEPS:
                raise ReadbackError(
                    f"no reading came for {SILENT_STEPS} steps in a row",
                    source=one.readback.name,
                    hint="is it still connected, and is the module awake?",
                )

    def _watch(
        self,
        inputs: Sequence[RunInput],
        index: int,
        attempt: int,
        set_at_s: float,
        results: dict[int, StepResult],
    ) -> Part:
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
            yield from self._driver.obey((index, attempt))
            yield from self._driver.hold_still()
            if pauses != self._driver.pauses:
                pauses = self._driver.pauses
                for one in left:
                    one.watch.restart(self._clock.now_s())
            for one in left:
                for reading in _obeyed(answers(one.one.readback, one.prompt)):
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
            heard = one.watch.last is not None
            self._silent[one.number] = 0 if heard else self._silent[one.number] + 1

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
            self._rule,
            watch.judged,
            attempt=attempt,
            settled=watch.settled(decided_s),
            settle_s=watch.settle_s(decided_s),
        )

    def _ask(
        self,
        one: RunInput,
        index: int,
        attempt: int,
        set_at_s: float,
        results: dict[int, StepResult],
    ) -> Part:
        """Ask a person once, who has waited for the reading to settle."""
        step = one.plan.steps[index]
        yield from self._driver.wait_until(set_at_s + step.dwell_s)
        yield from self._driver.obey((index, attempt))
        prompt = self._open_prompt(one, index)
        yield (PromptOpened(at_s=self._clock.now_s(), prompt=prompt),)
        while True:
            yield self._driver.slice()
            yield from self._driver.obey((index, attempt))
            yield from self._driver.hold_still()
            if readings := _obeyed(answers(one.readback, prompt, most=1)):
                break
        [answer] = readings
        yield (ReadingSeen.of(answer, step, attempt=attempt, final=True, number=one.end.number),)
        results[one.end.number] = judge_step(
            step,
            self._rule,
            answer,
            attempt=attempt,
            settled=True,
            settle_s=self._clock.now_s() - set_at_s,
        )

    def _open_prompt(self, one: RunInput, index: int) -> Prompt:
        text = prompt_text(one.plan.steps[index], len(self._inputs[0].plan.steps), one.end.name)
        return self._asker.ask(one.readback, index, text)


def _obeyed(said: Answers) -> list[Reading]:
    """Return what has been reported; obey what was typed in place of a reading."""
    if said.command is not None:
        raise Wished(_MEANT[said.command])
    return said.readings
