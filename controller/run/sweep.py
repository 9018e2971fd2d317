"""The run itself: carries out a resolved plan on a bench, one small step at a time.

Knows: the order of things in a run, when the hold-off needs feeding, and that a run ends parked.
Must not know: plan files, how states were found, who listens to the events, terminals.

`SweepRun.step` does a bounded amount of work and returns what happened. Wishes of a person come in
from any thread. The order of events is:

    RunStarted (StepStarted RelaysSet [PromptOpened] ReadingSeen* StepFinished)* Parked RunFinished

with LinkReported and NoteMade anywhere between. A fault cuts this short with FaultRaised, then
Parked if the ladder still acknowledges, then RunFinished. A redo begins its step again with
StepStarted and the next attempt number, and the last result of a step is the one that counts.
"""

from __future__ import annotations

from collections.abc import Generator, Iterator

from controller.bench.opened import Bench
from controller.clock import Clock
from controller.ladder.model import PathStep
from controller.planning.model import ResolvedPlan, ResolvedStep
from controller.readback.base import OperatorCommand, Prompt, Reading
from controller.run.ending import Script, park_at_the_end
from controller.run.events import (
    Event,
    LinkReported,
    NoteMade,
    PromptOpened,
    ReadingSeen,
    RelaysSet,
    RunFinished,
    RunStarted,
    StepFinished,
    StepStarted,
)
from controller.run.health import require_health, require_ladder
from controller.run.intents import Intent, Intents
from controller.run.judging import judge_step, skipped
from controller.run.model import StepResult
from controller.run.pieces import in_pieces, reversed_path
from controller.run.settle import StepWatch
from controller.run.summary import prompt_text, summarize

__all__ = ["POLL_S", "SweepRun", "run_events"]

POLL_S = 0.1
"""The longest a run looks away from the readback and from a person's wishes."""

_LONGEST_PIECE_S = 0.5
_Part = Generator[tuple[Event, ...], None, None]


class _Stopped(Exception):  # noqa: N818 - a way out of the script, not an error
    """A person asked for the end."""


class _Wished(Exception):  # noqa: N818 - a way out of a step, not an error
    """A person asked for something else than going on with this step."""

    def __init__(self, intent: Intent) -> None:
        self.intent = intent


class SweepRun:
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
        self._plan = resolved
        self._bench = bench
        self._clock = clock
        self._intents = Intents()
        self._results: dict[int, StepResult] = {}
        self._attempts: dict[int, int] = {}
        self._token = 0
        # A third of the hold-off is the longest silence allowed; a slice never goes beyond it.
        self._feed_every_s = bench.hold_off_ms / 3000.0
        self._piece_s = min(_LONGEST_PIECE_S, self._feed_every_s)
        self._spoken_s = clock.now_s()
        self._state = resolved.park_state
        self._pauses = 0
        self._finished = False
        self._script = self._run()

    @property
    def finished(self) -> bool:
        """Whether the run is over: RunFinished has been returned, or `step` has raised."""
        return self._finished

    @property
    def results(self) -> tuple[StepResult, ...]:
        """The result that counts of each step judged so far, in the order of the plan."""
        return tuple(self._results[index] for index in sorted(self._results))

    def stop(self) -> None:
        """End the run: park at once. Any thread may call this and the other wishes."""
        self._intents.stop()

    def pause(self) -> None:
        """Hold the relays as they are, hold-off fed, until `resume`."""
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

    def step(self) -> tuple[Event, ...]:
        """Do a little, for at most about half a second of the clock; return what happened.

        Returns nothing once the run is finished. A KeyboardInterrupt inside is taken as `stop`.
        Any other error parks the ladder as far as possible before it goes on its way.
        """
        return next(self._script, ())

    # The script: what a run does, in order. Each yield hands the events so far to the caller.

    def _run(self) -> _Part:
        try:
            ended = yield from park_at_the_end(self._all(), self._bench, self._clock)
        finally:
            self._finished = True
        yield (self._finish(ended),)

    def _all(self) -> Script:
        try:
            yield from self._begin()
            yield from self._all_steps()
            yield from self._travel(self._plan.closing_path)
        except (_Stopped, KeyboardInterrupt):
            self._intents.stop()
            return "stopped"
        return "complete"

    def _begin(self) -> _Part:
        link = self._bench.link
        identity = link.open(hold_off_ms=self._bench.hold_off_ms)
        self._spoken_s = self._clock.now_s()
        require_ladder(identity, self._bench.ladder, port=link.port)
        yield (
            RunStarted(
                at_s=self._clock.now_s(),
                plan=self._plan,
                device_name=identity.name,
                first_step=self._plan.first_step,
            ),
        )

    def _all_steps(self) -> _Part:
        index = self._plan.first_step
        path = self._plan.steps[index].path
        while index < len(self._plan.steps):
            step = self._plan.steps[index]
            came_along = step.path
            try:
                yield from self._one_step(step, path)
            except _Wished as wish:
                if wish.intent is Intent.BACK and index > self._plan.first_step:
                    index -= 1
                    before = self._plan.steps[index].state
                    path = reversed_path(came_along, before, self._bench.ladder)
                    continue
                if wish.intent is not Intent.SKIP:
                    path = ()
                    continue
                yield self._judged(skipped(step, self._attempts[index]))
            index += 1
            if index < len(self._plan.steps):
                path = self._plan.steps[index].path

    def _one_step(self, step: ResolvedStep, path: tuple[PathStep, ...]) -> _Part:
        attempt = self._attempts.get(step.index, 0) + 1
        self._attempts[step.index] = attempt
        self._intents.forget()
        yield (StepStarted(at_s=self._clock.now_s(), step=step, attempt=attempt),)
        yield from self._hold_still()
        yield from self._travel(path)
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

    def _travel(self, path: tuple[PathStep, ...]) -> _Part:
        """Run a path in pieces short enough to stop between them.

        Wishes other than to stop or to pause wait until the path has been run: the next path
        starts from its end.
        """
        for piece, wait_s in in_pieces(path, self._piece_s):
            self._bench.link.apply(piece)
            self._state = piece[-1].state
            yield (self._feed(),)
            yield from self._hold_still()
            yield from self._wait_until(self._clock.now_s() + wait_s)

    def _watch(self, step: ResolvedStep, attempt: int, set_at_s: float) -> _Part:
        """Take readings as they stream until they have settled or time is up."""
        prompt = self._open_prompt(step)
        watch = StepWatch(self._plan.settle, set_at_s=set_at_s, dwell_s=step.dwell_s)
        pauses = self._pauses
        shown: Reading | None = None
        while True:
            yield self._slice(POLL_S)
            self._obey()
            yield from self._hold_still()
            if pauses != self._pauses:
                pauses = self._pauses
                watch.restart(self._clock.now_s())
            while (answer := self._bench.readback.poll()) is not None:
                if isinstance(answer, OperatorCommand):
                    self._command(answer)
                elif answer.token == prompt.token:
                    if shown is not watch.last and watch.last is not None:
                        yield (self._seen(step, attempt, watch.last, final=False),)
                    shown = watch.last
                    watch.take(answer)
            now_s = self._clock.now_s()
            if watch.decided(now_s):
                break
            if watch.last is not None and watch.last is not shown:
                yield (self._seen(step, attempt, watch.last, final=False),)
                shown = watch.last
        if watch.last is not None:
            yield (self._seen(step, attempt, watch.last, final=True),)
        yield self._judged(
            judge_step(
                step,
                self._plan.decision_rule,
                watch.last,
                attempt=attempt,
                settled=watch.settled(now_s),
                settle_s=watch.settle_s(now_s),
            )
        )

    def _ask(self, step: ResolvedStep, attempt: int, set_at_s: float) -> _Part:
        """Ask a person once, who has waited for the reading to settle."""
        yield from self._wait_until(set_at_s + step.dwell_s)
        self._obey()
        prompt = self._open_prompt(step)
        yield (PromptOpened(at_s=self._clock.now_s(), prompt=prompt),)
        while True:
            yield self._slice(POLL_S)
            self._obey()
            yield from self._hold_still()
            answer = self._bench.readback.poll()
            if isinstance(answer, OperatorCommand):
                self._command(answer)
            elif answer is not None and answer.token == prompt.token:
                break
        yield (self._seen(step, attempt, answer, final=True),)
        yield self._judged(
            judge_step(
                step,
                self._plan.decision_rule,
                answer,
                attempt=attempt,
                settled=True,
                settle_s=self._clock.now_s() - set_at_s,
            )
        )

    # Small things the script is made of.

    def _open_prompt(self, step: ResolvedStep) -> Prompt:
        self._token += 1
        text = prompt_text(step, len(self._plan.steps))
        prompt = Prompt(token=self._token, step_index=step.index, text=text)
        self._bench.readback.ask(prompt)
        return prompt

    def _seen(
        self, step: ResolvedStep, attempt: int, reading: Reading, *, final: bool
    ) -> ReadingSeen:
        return ReadingSeen(
            at_s=reading.at_s,
            step_index=step.index,
            attempt=attempt,
            celsius=reading.celsius,
            volts=reading.volts,
            codes=reading.codes,
            final=final,
        )

    def _judged(self, result: StepResult) -> tuple[Event, ...]:
        self._results[result.step.index] = result
        return (StepFinished(at_s=self._clock.now_s(), result=result),)

    def _slice(self, seconds: float) -> tuple[Event, ...]:
        """Let a little time pass, and feed the hold-off when it is due."""
        due_in_s = self._spoken_s + self._feed_every_s - self._clock.now_s()
        if due_in_s > seconds:
            self._clock.sleep_s(seconds)
            return ()
        self._clock.sleep_s(due_in_s)
        return (self._feed(),)

    def _feed(self) -> LinkReported:
        """Ask the device for its state, which feeds the hold-off; check that it is as meant."""
        link = self._bench.link
        self._spoken_s = self._clock.now_s()
        status = link.feed()
        require_health(status, self._state, self._bench.ladder, port=link.port)
        return LinkReported(at_s=self._clock.now_s(), status=status)

    def _wait_until(self, until_s: float) -> _Part:
        while (left_s := until_s - self._clock.now_s()) > 0:
            yield self._slice(min(POLL_S, left_s))
            yield from self._hold_still()

    def _hold_still(self) -> _Part:
        """Obey a wish to stop; wait as long as the run is paused."""
        self._check_stop()
        if not self._intents.is_paused():
            return
        yield (NoteMade(at_s=self._clock.now_s(), text="paused"),)
        while self._intents.is_paused():
            yield self._slice(POLL_S)
            self._check_stop()
        self._pauses += 1
        yield (NoteMade(at_s=self._clock.now_s(), text="resumed"),)

    def _obey(self) -> None:
        self._check_stop()
        intent = self._intents.take()
        if intent is not None:
            raise _Wished(intent)

    def _check_stop(self) -> None:
        if self._intents.is_stopped():
            raise _Stopped

    def _command(self, command: OperatorCommand) -> None:
        """Obey what a person typed in place of a reading."""
        match command:
            case OperatorCommand.STOP:
                self._intents.stop()
                raise _Stopped
            case OperatorCommand.SKIP:
                raise _Wished(Intent.SKIP)
            case OperatorCommand.REDO:
                raise _Wished(Intent.REDO)

    def _finish(self, ended: str) -> RunFinished:
        summary = summarize(
            self._plan, self.results, ended=ended, relays=self._bench.link.relays.value
        )
        return RunFinished(at_s=self._clock.now_s(), summary=summary)


def run_events(run: SweepRun) -> Iterator[Event]:
    """Return the events of a run one by one until it is finished.

    When the reader goes away early, the run is stopped and parks.
    """
    try:
        while not run.finished:
            yield from run.step()
    finally:
        _bring_to_end(run)


def _bring_to_end(run: SweepRun) -> None:
    run.stop()
    while not run.finished:
        run.step()
