"""A profile: temperatures set at their times, and readings judged where there is time for it.

The order of events is that of a sweep, with StepTimed after each RelaysSet. The profile's time
begins when its first temperature has stood for the lead time. A way begins so early that its last
relay has settled when the step is due. Time stands still while the run is paused.
"""

from __future__ import annotations

from dataclasses import replace

from controller.bench.opened import Bench
from controller.clock import Clock
from controller.planning.model import ResolvedPlan, ResolvedStep
from controller.planning.pacing import judged_steps
from controller.planning.profile import Profile
from controller.readback.base import Prompt, Reading
from controller.run.asking import Asker, answers
from controller.run.driver import POLL_S, Part
from controller.run.events import ReadingSeen, RelaysSet, StepFinished, StepStarted, StepTimed
from controller.run.job import Job
from controller.run.judging import judge_step
from controller.run.model import Ending, RunSummary, StepResult
from controller.run.settle import StepWatch
from controller.run.summary import prompt_text, summarize

__all__ = ["ProfileRun"]

_ROUNDING_S = 1e-6
"""Less than this is no time left: a wait so short may be lost in the clock's own rounding."""


class ProfileRun(Job):
    """One run of a resolved profile. Readings that a person types are not asked for."""

    def __init__(self, plan: ResolvedPlan, profile: Profile, bench: Bench, clock: Clock) -> None:
        super().__init__(plan, bench, clock)
        self._profile = profile
        self._asker = Asker()
        self._judged = {step.index for step in judged_steps(plan)} if self._streams else set()
        self._results: list[StepResult] = []
        self._timed: list[StepTimed] = []
        self._began_s = 0.0

    @property
    def results(self) -> tuple[StepResult, ...]:
        """The result of each step judged so far."""
        return tuple(self._results)

    @property
    def timed(self) -> tuple[StepTimed, ...]:
        """When each step was due, and when it was set."""
        return tuple(self._timed)

    def pause(self) -> None:
        """Hold the relays and the profile's time as they are, until `resume`."""
        self._intents.pause()

    def resume(self) -> None:
        """Go on after a pause."""
        self._intents.resume()

    @property
    def _streams(self) -> bool:
        return self._bench.readback.continuous

    def _work(self) -> Part:
        for step in self.plan.steps:
            yield (StepStarted(at_s=self._clock.now_s(), step=step, attempt=1),)
            yield from self._driver.hold_still()
            yield from self._driver.travel(step.path)
            set_at_s = self._clock.now_s()
            if step.index == 0:
                self._began_s = self._time_s() + self._profile.lead_s
            yield (
                RelaysSet(
                    at_s=set_at_s,
                    step_index=step.index,
                    path=step.path,
                    achieved_ohms=step.achieved_ohms,
                ),
            )
            if step.index == 0:
                while (left_s := -self._profile_s()) > _ROUNDING_S:
                    yield from self._driver.wait_until(self._clock.now_s() + left_s)
                set_at_s = self._clock.now_s()
            yield self._time(step)
            yield from self._stand(step, set_at_s)
        yield from self._driver.travel(self.plan.closing_path)

    def _time_s(self) -> float:
        """Return a time that stands still during pauses."""
        return self._clock.now_s() - self._driver.paused_s

    def _profile_s(self) -> float:
        return self._time_s() - self._began_s

    def _time(self, step: ResolvedStep) -> tuple[StepTimed, ...]:
        planned_s, set_s = step.planned_s or 0.0, self._profile_s()
        timed = StepTimed(
            at_s=self._clock.now_s(),
            step_index=step.index,
            planned_s=planned_s,
            set_s=set_s,
            late=set_s - planned_s > self._profile.late_after_s,
        )
        self._timed.append(timed)
        return (timed,)

    def _stand(self, step: ResolvedStep, set_at_s: float) -> Part:
        """Let a step stand until the next one has to begin; the last until it is judged."""
        watch = StepWatch(self.plan.settle, set_at_s=set_at_s, dwell_s=step.dwell_s)
        prompt = (
            self._asker.ask(self._bench.readback, step.index, self._text(step))
            if self._streams
            else None
        )
        decided = step.index not in self._judged
        last = step.index + 1 == len(self.plan.steps)
        while (left_s := self._left_s(step)) > _ROUNDING_S or (last and not decided):
            yield self._driver.slice(min(POLL_S, left_s) if left_s > _ROUNDING_S else POLL_S)
            pauses = self._driver.pauses
            yield from self._driver.hold_still()
            if pauses != self._driver.pauses:
                watch.restart(self._clock.now_s())
            for reading in self._readings(prompt):
                watch.take(reading)
                yield (ReadingSeen.of(reading, step, attempt=1, final=False),)
            if not decided and watch.decided(self._clock.now_s()):
                decided = True
                yield from self._judge(step, watch)
        if not decided:
            yield from self._judge(step, watch)

    def _judge(self, step: ResolvedStep, watch: StepWatch) -> Part:
        now_s = self._clock.now_s()
        if watch.judged is not None:
            yield (ReadingSeen.of(watch.judged, step, attempt=1, final=True),)
        result = judge_step(
            step,
            self.plan.decision_rule,
            watch.judged,
            attempt=1,
            settled=watch.settled(now_s),
            settle_s=watch.settle_s(now_s),
        )
        self._results.append(result)
        yield (StepFinished(at_s=now_s, result=result),)

    def _left_s(self, step: ResolvedStep) -> float:
        """Return how long until the way to the next step begins; for the last, until the end."""
        steps = self.plan.steps
        if step.index + 1 < len(steps):
            after = steps[step.index + 1]
            due_s = (after.planned_s or 0.0) - after.path_s
        else:
            due_s = self._profile.points[-1][0]
        return due_s - self._profile_s()

    def _readings(self, prompt: Prompt | None) -> list[Reading]:
        return [] if prompt is None else answers(self._bench.readback, prompt).readings

    def _text(self, step: ResolvedStep) -> str:
        return prompt_text(step, len(self.plan.steps))

    def _summary(self, ending: Ending) -> RunSummary:
        """Return the end of the run; steps too brief to be judged are not missing."""
        judged = tuple(step for step in self.plan.steps if step.index in self._judged)
        of_judged = replace(self.plan, steps=judged, first_step=0)
        relays = self._bench.link.relays
        summary = summarize(of_judged, self._results, ended=ending, relays=relays)
        sentence = summary.sentence.rstrip(".")
        brief = len(self.plan.steps) - len(judged)
        if not self._streams:
            sentence += "; typed readings cannot follow a profile"
        elif brief:
            sentence += f"; {brief} steps were too short to be judged"
        return replace(summary, sentence=f"{sentence}; {self._timing()}.")

    def _timing(self) -> str:
        late = [one for one in self._timed if one.late]
        if not late:
            return f"{len(self._timed)} of {len(self.plan.steps)} steps set, none of them late"
        worst = max(late, key=lambda one: one.set_s - one.planned_s)
        return (
            f"{len(late)} of {len(self.plan.steps)} steps late, most at step"
            f" {worst.step_index + 1}: due at {worst.planned_s:.2f} s, set at {worst.set_s:.2f} s"
        )
