"""Two ladders in one run: whatever happens on either link, both are parked and told of truly.

The judge is each simulated board's own log of what it latched and when, not the program's word.
"""

from __future__ import annotations

from contextlib import closing
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from controller.bench.default import default_bench
from controller.bench.model import BenchFile
from controller.bench.pair import least_hold_off_ms
from controller.bench.wiring import open_bench
from controller.clock import VirtualClock
from controller.errors import RelayKnowledge
from controller.links.simulated import Direction, Fault, FaultKind
from controller.measurement.model import Verdict
from controller.planning.files import load_plan
from controller.planning.resolve import resolve_on
from controller.run import driver as driver_module
from controller.run.ends import Ends
from controller.run.events import (
    FaultRaised,
    Parked,
    ReadingSeen,
    RelaysSet,
    RunFinished,
    RunStarted,
    StepFinished,
)
from controller.run.job import run_events
from controller.run.model import Ending, Reason
from controller.run.sweep import SweepRun

SWEEPS = Path(__file__).parents[2] / "sweeps"
PLAN = load_plan(SWEEPS / "coolant-and-air.toml")
HOLD_OFF_S = 2.0


def pair_bench() -> BenchFile:
    first = default_bench(PLAN.sensor, PLAN.module)
    return replace(first, second=default_bench(PLAN.second.sensor, PLAN.second.module))


RESOLVED = resolve_on(PLAN, pair_bench())
PARK = RESOLVED.park_state


class Board:
    """One simulated board and the line to it, with a log of its own."""

    def __init__(self, channel, device, clock):
        self.channel, self.device, self.clock = channel, device, clock
        self.log = [(clock.now_s(), device.state)]
        self.heard = []
        tell, hear = device._on_latch, device.receive

        def latched(at_s, state):
            self.log.append((at_s, state))
            tell(at_s, state)

        def received(data):
            self.heard.append(clock.now_s())
            return hear(data)

        device._on_latch, device.receive = latched, received

    @property
    def energised(self):
        return self.device.state != PARK

    @property
    def left_park(self):
        return any(state != PARK for _, state in self.log)

    def parked_s(self):
        """When it parked for the last time, by its own log."""
        assert self.log[-1][1] == PARK
        return self.log[-1][0]


class Pair:
    """A run on two boards that are simulated in memory."""

    def __init__(self, bench=None, plan=RESOLVED, faults=(None, None)):
        self.clock = VirtualClock()
        self.boards = []
        self.bench = open_bench(
            bench or pair_bench(),
            self.clock,
            on_channel=lambda c, d: self.boards.append(Board(c, d, self.clock)),
            line_faults=faults[0],
            second_line_faults=faults[1],
        )
        self.run = SweepRun(plan, self.bench, self.clock)

    def to_the_end(self, at_s=None, do=None):
        """Run on; do something once the clock has passed a time."""
        events = []
        with closing(self.bench):
            while not self.run.finished:
                events += self.run.step()
                if at_s is not None and self.clock.now_s() >= at_s:
                    do(self)
                    at_s = None
            self.ended_s = self.clock.now_s()
            self.clock.sleep_s(HOLD_OFF_S + 0.05)
            self.parked = [not board.energised for board in self.boards]
        return events


def summary_of(events):
    assert isinstance(events[-1], RunFinished)
    return events[-1].summary


def test_both_are_set_read_and_parked():
    pair = Pair()
    events = pair.to_the_end()
    summary = summary_of(events)
    assert (summary.ended, summary.verdict, summary.passed) == (Ending.COMPLETE, Verdict.PASS, 4)
    assert summary.relays_of == (RelayKnowledge.PARKED,) * 2
    assert [e.input for e in events if isinstance(e, Parked)] == [1, 2]
    for number in (1, 2):
        set_at = [e for e in events if isinstance(e, RelaysSet) and e.input == number]
        assert [e.step_index for e in set_at] == [0, 1, 2, 3]
        final = [e for e in events if isinstance(e, ReadingSeen) and e.input == number and e.final]
        assert [e.step_index for e in final] == [0, 1, 2, 3]
    for board, plan in zip(pair.boards, RESOLVED.inputs, strict=True):
        latched = [state for _, state in board.log]
        way = [hop.state for step in plan.steps for hop in step.path]
        begins = len(latched) - len(way) - len(plan.closing_path) - 1
        assert latched[begins : begins + len(way)] == way  # its own path, and nothing between


def test_settling_counts_from_the_later_of_the_two_latches():
    events = Pair().to_the_end()
    for index in range(4):
        later_s = max(e.at_s for e in events if isinstance(e, RelaysSet) and e.step_index == index)
        finals = [
            e for e in events if isinstance(e, ReadingSeen) and e.final and e.step_index == index
        ]
        assert all(e.at_s >= later_s + PLAN.settle.for_s for e in finals)


def test_no_board_is_left_in_silence_for_long():
    pair = Pair()
    pair.to_the_end()
    for board in pair.boards:
        heard = [at_s for at_s in board.heard if at_s <= pair.ended_s]
        silences = [b - a for a, b in pairwise(heard)]
        assert max(silences) < HOLD_OFF_S * 2 / 3


# What may go wrong, on either link at any moment

TROUBLES = {
    "silent": lambda board: setattr(board.channel, "muted", True),
    "gone": lambda board: setattr(board.channel, "unplugged", True),
    "restart": lambda board: board.device.restart(),
    "fault": lambda board: board.device.set_fault(),
}
AT_S = st.floats(0.0, 21.0)
FEW = settings(max_examples=settings().max_examples // 4)  # each is a run of two boards


def assert_truly_ended(pair, events):
    """Hold what was said to what the boards themselves have logged."""
    summary = summary_of(events)
    assert all(pair.parked)
    for board in pair.boards:
        if board.left_park:
            assert board.parked_s() <= pair.ended_s + HOLD_OFF_S + 0.01
    told = {e.input for e in events if isinstance(e, Parked)}
    for number, board in enumerate(pair.boards, 1):
        at_end = [state for at_s, state in board.log if at_s <= pair.ended_s + 1e-6]
        known = summary.relays_of[number - 1]
        if known in (RelayKnowledge.PARKED, RelayKnowledge.NOT_DRIVEN):
            assert at_end[-1] == PARK
        if number in told:
            assert at_end[-1] == PARK
    for fault in (e for e in events if isinstance(e, FaultRaised)):
        assert "coolant: " in fault.message
        assert "air: " in fault.message
    if summary.ended is not Ending.COMPLETE:
        for name, known in zip(("coolant", "air"), summary.relays_of, strict=True):
            assert f"{name}: {known.value}" in summary.sentence


@FEW
@given(at_s=AT_S, which=st.integers(0, 1), trouble=st.sampled_from(sorted(TROUBLES)))
@example(at_s=0.0, which=1, trouble="silent")
@example(at_s=5.0, which=0, trouble="silent")
@example(at_s=5.0, which=1, trouble="gone")
def test_trouble_on_one_link_parks_both(at_s, which, trouble):
    pair = Pair()
    events = pair.to_the_end(at_s, lambda p: TROUBLES[trouble](p.boards[which]))
    assert_truly_ended(pair, events)
    other = 1 - which
    if summary_of(events).ended is Ending.FAULT:
        [fault] = [e for e in events if isinstance(e, FaultRaised)]
        assert fault.message.startswith(("coolant, ", "air, ")[which])
        # the sound one was parked by us, before its hold-off had to do it
        assert summary_of(events).relays_of[other] is RelayKnowledge.PARKED
        assert other + 1 in {e.input for e in events if isinstance(e, Parked)}
        if pair.boards[other].left_park:
            assert pair.boards[other].parked_s() <= fault.at_s + 0.01


@FEW
@given(
    which=st.integers(0, 1),
    script=st.dictionaries(
        st.tuples(st.sampled_from(Direction), st.integers(0, 200)),
        st.builds(
            Fault,
            kind=st.sampled_from([k for k in FaultKind if k is not FaultKind.RESET]),
            delay_s=st.floats(0, 0.6),
            bit=st.integers(0, 1000),
            keep=st.integers(0, 100),
        ),
        max_size=12,
    ),
)
def test_a_line_that_drops_and_garbles_never_makes_words_false(which, script):
    faults = [None, None]
    faults[which] = lambda direction, index, _data: script.get((direction, index))
    pair = Pair(faults=tuple(faults))
    assert_truly_ended(pair, pair.to_the_end())


@FEW
@given(at_s=AT_S)
def test_a_stop_parks_both_at_once(at_s):
    pair = Pair()
    events = pair.to_the_end(at_s, lambda p: p.run.stop())
    assert_truly_ended(pair, events)
    assert summary_of(events).ended in (Ending.STOPPED, Ending.COMPLETE)
    assert pair.ended_s <= max(at_s + 0.6, pair.ended_s if at_s > 20 else 0)


@FEW
@given(steps=st.integers(1, 120))
def test_a_reader_that_goes_away_leaves_both_parked(steps):
    pair = Pair()
    with closing(pair.bench):
        events = run_events(pair.run)
        for _, _event in zip(range(steps), events, strict=False):
            pass
        events.close()
        assert pair.run.finished
        assert [board.energised for board in pair.boards] == [False, False]


def quiet_for(board, *, answers_at_try, loses=Direction.TO_HOST):
    """Let every request to a board be answered at a later try only."""
    sent = board.channel._send
    count = {"tries": 0}

    def send(direction, data):
        if direction is loses:
            count["tries"] += 1
            if count["tries"] % answers_at_try:
                return
        sent(direction, data)

    board.channel._send = send


@pytest.mark.parametrize("which", [0, 1])
def test_while_one_link_waits_the_other_is_fed(which):
    pair = Pair()
    events = pair.to_the_end(3.0, lambda p: quiet_for(p.boards[which], answers_at_try=4))
    assert summary_of(events).ended is Ending.COMPLETE
    other = pair.boards[1 - which]
    heard = [at_s for at_s in other.heard if at_s <= pair.ended_s]
    assert max(b - a for a, b in pairwise(heard)) < HOLD_OFF_S / 3 + 0.25


@pytest.mark.parametrize("which", [0, 1])
def test_the_least_hold_off_that_is_let_in_lasts_while_the_other_link_retries(which):
    least_ms = least_hold_off_ms()
    bench = pair_bench()
    second = replace(bench.second, hold_off_ms=least_ms)
    pair = Pair(replace(bench, hold_off_ms=least_ms, second=second))

    def last_try_only(pair):
        quiet_for(pair.boards[which], answers_at_try=4, loses=Direction.TO_DEVICE)

    events = pair.to_the_end(3.0, last_try_only)
    assert summary_of(events).ended is Ending.COMPLETE


# Planted faults: these checks have to see them


def test_a_second_ladder_that_is_not_parked_is_seen(monkeypatch):
    monkeypatch.setattr(Ends, "parked_in_turn", lambda self: self.all[:1])
    with pytest.raises(AssertionError):
        test_trouble_on_one_link_parks_both.hypothesis.inner_test(
            at_s=5.0, which=0, trouble="fault"
        )


def test_a_second_ladder_that_is_not_fed_is_seen(monkeypatch):
    def only_the_first(self):
        first = self.all[0]
        return first.spoken_s + first.feed_every_s - self._clock.now_s(), first

    monkeypatch.setattr(Ends, "next_due", only_the_first)
    monkeypatch.setattr(driver_module.Driver, "_feed_for", lambda self, _end: iter(()))
    monkeypatch.setattr(Ends, "_feed_the_others", lambda self, _waiting: None)
    with pytest.raises(AssertionError):
        test_both_are_set_read_and_parked()


def test_a_ladder_that_is_not_fed_while_the_other_waits_is_seen(monkeypatch):
    monkeypatch.setattr(Ends, "_feed_the_others", lambda self, _waiting: None)
    for which in (0, 1):
        with pytest.raises(AssertionError):
            test_while_one_link_waits_the_other_is_fed(which)


def test_a_second_board_that_is_slow_to_wake_does_not_run_out_the_first_ones_hold_off():
    def asleep(direction, index, _data):  # ten tries of a quarter of a second
        late = direction is Direction.TO_DEVICE and index < 10
        return Fault(kind=FaultKind.DROP) if late else None

    pair = Pair(faults=(None, asleep))
    events = pair.to_the_end()
    assert pair.run.results
    [started] = [e for e in events if isinstance(e, RunStarted)]
    assert started.at_s > HOLD_OFF_S
    assert summary_of(events).ended is Ending.COMPLETE


# Verdicts


def with_limit(limit_celsius, **second):
    bench = pair_bench()
    bench = replace(bench, second=replace(bench.second, **second))
    return bench, replace(RESOLVED, largest_difference_celsius=limit_celsius)


def test_inputs_that_disagree_fail_though_each_passes_by_itself():
    events = Pair().to_the_end()
    results = [e.result for e in events if isinstance(e, StepFinished)]
    apart = [abs(r.second.difference_celsius) for r in results]
    assert all(r.whole_verdict is Verdict.PASS for r in results)
    events = Pair(plan=replace(RESOLVED, largest_difference_celsius=max(apart) / 2)).to_the_end()
    summary = summary_of(events)
    results = [e.result for e in events if isinstance(e, StepFinished)]
    assert summary.verdict is Verdict.FAIL
    assert {r.second.reason for r in results} == {None, Reason.DISAGREE}
    assert all(r.verdict is Verdict.PASS for r in results)
    assert "the inputs disagree at" in summary.sentence


def test_the_run_has_the_worse_verdict_and_the_sentence_names_the_input():
    wrong = default_bench(PLAN.sensor, PLAN.module).module  # reads air with the coolant's curve
    bench, plan = with_limit(None, module=wrong)
    summary = summary_of(Pair(bench, plan).to_the_end())
    assert (summary.verdict, summary.failed) == (Verdict.FAIL, 4)
    assert summary.sentence.startswith("air: 4 of 4 steps failed")
    assert "; coolant: all 4 steps passed" in summary.sentence


def test_a_fault_before_both_are_open_starts_nothing():
    pair = Pair()
    pair.boards[1].channel.muted = True
    events = pair.to_the_end()
    assert not any(isinstance(e, RunStarted) for e in events)
    assert_truly_ended(pair, events)
    assert not any(board.left_park for board in pair.boards)
