"""The run under a person who does anything at any moment, on a link that may fail at any call."""

from __future__ import annotations

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, precondition, rule

from controller.clock import VirtualClock
from controller.errors import RelayKnowledge
from controller.readback.base import OperatorCommand, Reading
from controller.run.events import (
    FaultRaised,
    LinkReported,
    NoteMade,
    Parked,
    PromptOpened,
    ReadingSeen,
    RelaysSet,
    RunFinished,
    RunStarted,
    StepFinished,
    StepStarted,
)
from controller.run.model import Ending, StepResult
from controller.run.sweep import SweepRun

ANYWHERE = (LinkReported, NoteMade)

# What may follow what, notes and link reports left out. A wish can end a step at once.
FOLLOWS = {
    None: {RunStarted, FaultRaised, Parked},
    RunStarted: {StepStarted, FaultRaised, Parked},
    StepStarted: {RelaysSet, FaultRaised, Parked},
    RelaysSet: {PromptOpened, ReadingSeen, StepFinished, StepStarted, FaultRaised, Parked},
    PromptOpened: {ReadingSeen, StepFinished, StepStarted, FaultRaised, Parked},
    ReadingSeen: {ReadingSeen, StepFinished, StepStarted, FaultRaised, Parked},
    StepFinished: {StepStarted, FaultRaised, Parked},
    FaultRaised: {Parked, RunFinished},
    Parked: {RunFinished},
    RunFinished: set(),
}


def assert_well_ordered(events) -> None:
    """Hold a whole run's events to the order that is promised."""
    before, at_s = None, 0.0
    step, attempts = None, {}
    for event in events:
        if isinstance(event, (LinkReported, NoteMade, StepStarted, StepFinished, RunFinished)):
            assert event.at_s >= at_s
            at_s = event.at_s
        if isinstance(event, ANYWHERE):
            continue
        assert type(event) in FOLLOWS[before], (before, event)
        before = type(event)
        if isinstance(event, StepStarted):
            step = event
            index = event.step.index
            assert event.attempt == attempts.get(index, 0) + 1
            attempts[index] = event.attempt
        elif isinstance(event, RelaysSet | ReadingSeen):
            assert event.step_index == step.step.index
        elif isinstance(event, PromptOpened):
            assert event.prompt.step_index == step.step.index
        elif isinstance(event, StepFinished):
            assert event.result.step == step.step
            assert event.result.attempt == step.attempt
    assert before is RunFinished


class RunMachine(RuleBasedStateMachine):
    fakes = None

    @initialize(
        steps=st.integers(1, 5),
        typed=st.booleans(),
        hold_off_ms=st.sampled_from([200, 900, 2000]),
        hold_ms=st.sampled_from([5, 400, 3000]),
        stuck=st.booleans(),
        calm=st.sampled_from([0, 100, 400, 1000]),
    )
    def begin(self, steps, typed, hold_off_ms, hold_ms, stuck, calm):
        fakes = self.fakes
        self.clock = VirtualClock()
        self.link = fakes.FakeLink(self.clock)
        self.typed = typed
        if typed:
            self.readback = fakes.ScriptedReadback(self.clock, [])
        else:
            says = fakes.never if stuck else fakes.settling(1.0)
            self.readback = fakes.StreamingReadback(self.clock, says)
        bench = fakes.bench(self.link, self.readback, hold_off_ms=hold_off_ms)
        self.hold_off_ms = hold_off_ms
        self.plan = fakes.plain_plan(steps, hold_ms=hold_ms, hops=3)
        self.run = SweepRun(self.plan, bench, self.clock)
        self.events = []
        self.failed = False
        self.calm, self.taken = calm, 0

    def take(self, count: int) -> None:
        for _ in range(count):
            before_s = self.clock.now_s()
            self.events.extend(self.run.step())
            self.taken += 1
            assert self.clock.now_s() - before_s <= 0.51
            if self.run.finished:
                return

    @rule(count=st.integers(1, 150))
    def go_on(self, count):
        self.take(count)

    @rule()
    def pause(self):
        self.run.pause()

    @rule()
    def resume(self):
        self.run.resume()

    @rule()
    def skip(self):
        self.run.skip()

    @rule()
    def redo(self):
        self.run.redo()

    @rule()
    def back(self):
        self.run.back()

    @precondition(lambda self: self.typed)
    @rule(
        answer=st.one_of(
            st.floats(-40, 130),
            st.sampled_from([OperatorCommand.SKIP, OperatorCommand.REDO]),
            st.just("stale"),
        )
    )
    def answer(self, answer):
        if answer == "stale":
            answer = Reading(token=0, celsius=1.0, at_s=self.clock.now_s())
        self.readback.answers.append(answer)

    # What ends a run is kept away until it has got somewhere, or few would get far.

    @precondition(lambda self: self.taken >= self.calm)
    @rule(what=st.sampled_from(["stop", "fail", "fail deaf", "restart"]), calls=st.integers(1, 5))
    def end(self, what, calls):
        if what == "stop":
            self.run.stop()
            return
        self.failed = True
        if what == "restart":
            self.link.restart_in = self.link.restart_in or calls
        elif self.link.fail_in is None:
            self.link.fail_in, self.link.fail_also_parking = calls, what == "fail deaf"

    def teardown(self):
        if not hasattr(self, "run"):
            return
        self.run.resume()
        self.take(30)
        self.run.stop()
        self.take(10_000)
        assert self.run.finished
        assert self.run.step() == ()
        assert_well_ordered(self.events)

        summary = self.events[-1].summary
        # Parked, or it says that this is not known.
        if summary.relays == RelayKnowledge.PARKED:
            assert self.link.state == self.plan.park_state
        else:
            assert summary.ended is Ending.FAULT
            assert summary.relays in (
                RelayKnowledge.UNKNOWN,
                RelayKnowledge.NOT_DRIVEN,
            )
        assert (summary.ended is Ending.FAULT) == any(
            isinstance(e, FaultRaised) for e in self.events
        )
        if summary.ended is Ending.FAULT:
            assert self.failed

        # Every step is accounted for exactly once, and by its last result.
        counted = summary.passed + summary.failed + summary.undecided + summary.not_run
        assert counted == len(self.plan.steps)
        last: dict[int, StepResult] = {}
        for event in self.events:
            if isinstance(event, StepFinished):
                last[event.result.step.index] = event.result
        assert list(self.run.results) == [last[index] for index in sorted(last)]
        if summary.ended is Ending.COMPLETE:
            assert summary.not_run == 0

        # Relays moved one at a time, whatever happened, and the hold-off never ran out.
        state = self.plan.park_state
        for hop in self.link.applied:
            assert (state ^ hop.state).bit_count() == 1
            state = hop.state
        assert self.link.longest_silence_s <= self.hold_off_ms / 3000 + 1e-9


def test_whatever_happens_the_run_ends_parked_or_says_that_it_may_not_be(fakes):
    from hypothesis.stateful import run_state_machine_as_test

    machine = type("Machine", (RunMachine,), {"fakes": fakes})
    run_state_machine_as_test(machine, settings=settings(stateful_step_count=25))
