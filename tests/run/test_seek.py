"""Searches and profiles on small stand-ins: a person's keys, pauses, stops, silence."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from dataclasses import replace as changed
from typing import Any

from controller.clock import VirtualClock
from controller.measurement.model import Verdict
from controller.planning.profile import Profile, TimedStep
from controller.planning.search import Search, Watch
from controller.readback.base import Answer, OperatorCommand, Prompt, Reading
from controller.readback.typed import TypedReadback
from controller.run.events import (
    FaultRaised,
    Looked,
    Parked,
    PointFound,
    ReadingSeen,
    RunFinished,
    StepStarted,
    StepTimed,
)
from controller.run.job import run_events
from controller.run.model import Ending, Reason
from controller.run.profile import ProfileRun
from controller.run.seek import SeekRun

SEARCH = Search(
    watch=Watch.FAN,
    from_celsius=10.0,
    to_celsius=50.0,
    step_celsius=20.0,
    within_celsius=10.0,
    wait_s=2.0,
)


@dataclass
class Person:
    """Types what a fan does: asked at a level, a line so many seconds later."""

    clock: VirtualClock
    fan: Callable[[int], bool]
    after_s: float = 3.0
    level: int = 0
    asked_s: float | None = None

    def __call__(self) -> str | None:
        if self.asked_s is None or self.clock.now_s() < self.asked_s + self.after_s:
            return None
        self.asked_s = None
        return "y" if self.fan(self.level) else "n"


@dataclass
class Watched:
    """The typed readback, with the person told which level it is."""

    inner: TypedReadback
    person: Person
    name: str = "typed"
    continuous: bool = False

    def open(self) -> None:
        return None

    def codes(self) -> None:
        return None

    def ask(self, prompt: Prompt) -> None:
        self.person.level, self.person.asked_s = prompt.step_index, None
        self.inner.ask(prompt)
        self.person.asked_s = self.person.clock.now_s()

    def poll(self) -> Answer | None:
        return self.inner.poll()

    def close(self) -> None:
        return None


def search_with(fakes: Any, clock: VirtualClock, readback: object) -> SeekRun:
    plan = fakes.plain_plan(5)
    return SeekRun(plan, SEARCH, fakes.bench(fakes.FakeLink(clock), readback), clock)


def test_a_person_presses_a_key_when_the_fan_starts(fakes: Any, clock: VirtualClock) -> None:
    state = {"on": False}

    def fan(level: int) -> bool:  # on from level 3, off again below level 2
        state["on"] = level >= 3 or (state["on"] and level >= 2)
        return state["on"]

    person = Person(clock, fan)
    asked: list[str] = []
    typed = TypedReadback(person, asked.append, clock)
    run = search_with(fakes, clock, Watched(typed, person))
    events = list(run_events(run))
    points = [event.point for event in events if isinstance(event, PointFound)]
    assert [(point.low_celsius, point.high_celsius) for point in points] == [
        (30.0, 40.0),
        (20.0, 30.0),
        (0.0, 20.0),
    ]
    assert "type y as soon as the fan runs" in asked[0]
    assert isinstance(events[-1], RunFinished)
    assert events[-1].summary.ended is Ending.COMPLETE


def test_a_no_before_the_waiting_time_is_over_is_asked_again(
    fakes: Any, clock: VirtualClock
) -> None:
    person = Person(clock, lambda _level: False, after_s=0.5)
    asked: list[str] = []
    run = search_with(fakes, clock, Watched(TypedReadback(person, asked.append, clock), person))
    looks = [event for event in run_events(run) if isinstance(event, Looked)]
    assert [look.step_index for look in looks] == [0, 2, 4]
    assert len(asked) >= 4 * len(looks)  # each half second, until two seconds are over


def test_more_than_one_change_is_said(fakes: Any, clock: VirtualClock) -> None:
    """On at level 4 when first seen, off there the next time: no point without a word of it."""
    for changes, said in ((False, False), (True, True)):
        looks: list[int] = []

        def fan(level: int, looks: list[int] = looks, changes: bool = changes) -> bool:
            looks.append(level)
            return level == 4 and (not changes or looks.count(4) == 1)

        person = Person(clock, fan)
        typed = TypedReadback(person, lambda _text: None, clock)
        run = search_with(fakes, clock, Watched(typed, person))
        finished = list(run_events(run))[-1]
        assert isinstance(finished, RunFinished)
        assert ("more than one change was seen" in finished.summary.sentence) is said


def test_stop_parks_and_keeps_what_is_known(fakes: Any, clock: VirtualClock) -> None:
    run = search_with(fakes, clock, fakes.ScriptedReadback(clock, [OperatorCommand.STOP]))
    events = list(run_events(run))
    assert any(isinstance(event, Parked) for event in events)
    summary = events[-1].summary  # type: ignore[union-attr]
    assert (summary.ended, summary.verdict) == (Ending.STOPPED, Verdict.UNDECIDED)


def test_a_readback_that_cannot_tell_is_a_fault(fakes: Any, clock: VirtualClock) -> None:
    for says in (fakes.never, fakes.right):
        run = search_with(fakes, clock, fakes.StreamingReadback(clock, says))
        [fault] = [event for event in run_events(run) if isinstance(event, FaultRaised)]
        assert "do not say whether the fan" in fault.message


def test_the_hold_off_is_fed_all_the_time(fakes: Any, clock: VirtualClock) -> None:
    link = fakes.FakeLink(clock)
    person = Person(clock, lambda level: level >= 3, after_s=30.0)
    readback = Watched(TypedReadback(person, lambda _: None, clock), person)
    run = SeekRun(fakes.plain_plan(5), SEARCH, fakes.bench(link, readback), clock)
    list(run_events(run))
    assert link.longest_silence_s <= 0.7
    assert link.state == 0


def timed_plan(fakes: Any, seconds: float) -> tuple[Any, Profile]:
    plan = fakes.plain_plan(4)
    steps = tuple(changed(step, planned_s=seconds * step.index) for step in plan.steps)
    profile = Profile(
        points=((0.0, 10.0), (4 * seconds, 40.0)),
        steps=tuple(TimedStep(at_s=step.planned_s, celsius=step.target_celsius) for step in steps),
        step_celsius=10.0,
        lead_s=5.0,
    )
    return changed(plan, steps=steps), profile


def test_a_pause_moves_the_times_of_a_profile(fakes: Any, clock: VirtualClock) -> None:
    plan, profile = timed_plan(fakes, 10.0)
    bench = fakes.bench(fakes.FakeLink(clock), fakes.StreamingReadback(clock, fakes.right))
    run = ProfileRun(plan, profile, bench, clock)
    paused_s = None
    while not run.finished:
        for event in run.step():
            if isinstance(event, StepTimed) and event.step_index == 1:
                run.pause()
                paused_s = clock.now_s()
            if isinstance(event, StepStarted) and event.step.index == 3:
                run.pause()  # just before the relays move
                paused_s = clock.now_s()
        if paused_s is not None and clock.now_s() > paused_s + 7.0:
            run.resume()
    assert [round(one.set_s, 2) for one in run.timed] == [0.0, 10.0, 20.0, 30.0]
    assert not any(one.late for one in run.timed)
    assert clock.now_s() >= 5.0 + 40.0 + 2 * 6.8
    assert len(run.results) == 4


def test_ways_that_take_too_long_make_steps_late(fakes: Any, clock: VirtualClock) -> None:
    plan, profile = timed_plan(fakes, 0.5)
    slow = tuple(
        changed(step, path=tuple(changed(one, hold_ms=800) for one in step.path))
        for step in plan.steps
    )
    bench = fakes.bench(fakes.FakeLink(clock), fakes.StreamingReadback(clock, fakes.right))
    run = ProfileRun(changed(plan, steps=slow), profile, bench, clock)
    summary = list(run_events(run))[-1].summary  # type: ignore[union-attr]
    assert [one.late for one in run.timed] == [False, True, True, True]
    assert [round(one.set_s, 3) for one in run.timed] == [0.0, 0.8, 1.6, 2.4]
    assert "3 of 4 steps late, most at step 4: due at 1.50 s, set at 2.40 s" in summary.sentence


def test_a_profile_judges_no_reading_that_may_be_of_the_step_before(
    fakes: Any, clock: VirtualClock
) -> None:
    """The module falls silent a second after each change, and its lag is three seconds."""
    plan, profile = timed_plan(fakes, 10.0)
    plan = changed(plan, settle=changed(plan.settle, lag_s=3.0))
    readback = fakes.StreamingReadback(
        clock, lambda prompt, since_s: 10.0 * prompt.step_index if since_s < 1.0 else None
    )
    readback.poll = only_told(readback.poll)
    run = ProfileRun(plan, profile, fakes.bench(fakes.FakeLink(clock), readback), clock)
    events = list(run_events(run))
    assert [result.reported_celsius for result in run.results] == [None] * 4
    assert {result.reason for result in run.results} == {Reason.NO_READING}
    seen = [event for event in events if isinstance(event, ReadingSeen)]
    assert seen, "they are shown"
    assert not any(event.final for event in seen)


def only_told(poll: Callable[[], Answer | None]) -> Callable[[], Answer | None]:
    """Return a source that says nothing where there is nothing to say."""

    def told() -> Answer | None:
        answer = poll()
        return None if isinstance(answer, Reading) and answer.celsius is None else answer

    return told


def test_readings_that_are_typed_cannot_follow(fakes: Any, clock: VirtualClock) -> None:
    plan, profile = timed_plan(fakes, 10.0)
    readback = fakes.ScriptedReadback(clock, [])
    run = ProfileRun(plan, profile, fakes.bench(fakes.FakeLink(clock), readback), clock)
    summary = list(run_events(run))[-1].summary  # type: ignore[union-attr]
    assert readback.prompts == []
    assert summary.verdict is Verdict.UNDECIDED
    assert "typed" in summary.sentence
    assert len(run.timed) == 4
