"""Runs that look at one input: its circuit, its timing, its contacts."""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pytest

from controller.bench.files import load_bench
from controller.bench.model import BenchFile, ReadbackKind
from controller.bench.opened import Bench
from controller.clock import VirtualClock
from controller.errors import InputError
from controller.ladder.electrical import Output, output_of, state_ohms
from controller.links.base import SenseReading
from controller.measurement.input_circuit import Tap
from controller.measurement.model import Verdict
from controller.planning.files import load_plan
from controller.planning.model import ResolvedPlan
from controller.planning.resolve import resolve_on
from controller.planning.single_value import Finder, router_by_ohms
from controller.readback.base import Reading
from controller.records.reader import load_record
from controller.records.replay import replay
from controller.reports.text import report_text
from controller.run.events import (
    FaultRaised,
    Jumped,
    NoteKind,
    NoteMade,
    RunFinished,
    Sensed,
    StepStarted,
)
from controller.run.hold import plan_by_hand
from controller.run.input_check import Expected, InputCheckRun
from controller.run.job import Job, run_events
from controller.run.looked_check import LookedCheckRun
from controller.run.model import Ending
from controller.run.module_timing import beat_s
from controller.run.wiggle import LEARN_S, JumpCounter, WiggleRun
from controller.session.jobs import sweeping
from controller.session.looks import checking_input, timing_module, wiggling
from controller.session.prepared import prepare
from controller.session.session import Session

SWEEPS = Path(__file__).parents[2] / "sweeps"
TAP = Tap(volts_per_volt=3.0, load_ohms=10e6)
HEALTHY = Expected(reference_volts=5.0, pullup_ohms=2490.0)


@pytest.fixture
def bench() -> BenchFile:
    return replace(load_bench(SWEEPS / "benches" / "simulated.toml"), tap=TAP)


@dataclass
class Wire:
    """What is really behind the input: a source and its resistance, to be solved by Ohm's law."""

    volts: float
    ohms: float
    hum_volts: float = 0.0

    def at(self, ladder_ohms: float, at_s: float) -> float:
        load = 1 / (1 / TAP.load_ohms + (0 if math.isinf(ladder_ohms) else 1 / ladder_ohms))
        source = self.volts + self.hum_volts * math.sin(2 * math.pi * 50 * at_s)
        return source * load / (load + self.ohms)


def checked(
    fakes: Any,
    bench: BenchFile,
    wire: Wire,
    expected: Expected | None,
    check: ResolvedPlan | None = None,
) -> tuple[Any, list[Any], Any]:
    """Look at an input by itself, or before the steps of a check."""
    clock = VirtualClock()
    ladder = bench.ladder

    class SensingLink(fakes.FakeLink):
        def open(self, *, hold_off_ms: int = 2000) -> Any:
            return replace(super().open(hold_off_ms=hold_off_ms), relay_count=ladder.relay_count)

        def sense(self, channel: int = 0) -> SenseReading:
            volts = wire.at(state_ohms(ladder, self.state), self.clock.now_s())
            raw = max(0, min(1023, int(volts / TAP.volts_per_volt / 5.0 * 1024)))
            return SenseReading(
                volts=5.0 * raw / 1024, raw=raw, full_scale=1024, full_scale_volts=5.0
            )

    link = SensingLink(clock)
    opened = Bench(
        name="b",
        ladder=ladder,
        link=link,
        readback=fakes.ScriptedReadback(clock, []),
        hold_off_ms=2000,
        drives_hardware=False,
    )
    plan = plan_by_hand(park_state=ladder.park_state, state_digits=ladder.state_digits)
    router = router_by_ohms(bench)
    run: Job = (
        InputCheckRun(plan, router, TAP, expected, opened, clock)
        if check is None
        else LookedCheckRun(check, router, TAP, expected, opened, clock)
    )
    events = []
    for event in run_events(run):
        events.append(event)
        if isinstance(event, StepStarted):  # nobody reads anything here
            run.stop()
    return run, events, link


def connected(bench: BenchFile, link: Any) -> list[float]:
    """The resistances that were ever put at the input."""
    states = [step.state for step in link.applied]
    return [
        state_ohms(bench.ladder, state)
        for state in states
        if output_of(bench.ladder, state) is not Output.OPEN
    ]


@pytest.mark.parametrize("pullup", [330.0, 2490.0, 10_000.0, 47_000.0])
@pytest.mark.parametrize("known", [True, False])
def test_the_pullup_comes_out_whether_or_not_it_is_known(
    fakes: Any, bench: BenchFile, pullup: float, known: bool
) -> None:
    expected = Expected(reference_volts=5.0, pullup_ohms=pullup) if known else None
    run, events, link = checked(fakes, bench, Wire(5.0, pullup), expected)
    finding = run.finding
    assert finding.trouble is None
    assert finding.circuit is not None
    assert abs(finding.circuit.pullup_ohms - pullup) <= finding.circuit.pullup_uncertainty_ohms
    assert finding.circuit.pullup_uncertainty_ohms < 0.06 * pullup
    assert finding.circuit.reference_volts == pytest.approx(5.0, abs=0.02)
    # No short on the way, and no more than the first look may put into the ladder.
    assert min(connected(bench, link)) > 50
    assert link.state == bench.ladder.park_state
    assert isinstance(events[-1], RunFinished)
    assert events[-1].summary.verdict is Verdict.PASS


@pytest.mark.parametrize(
    ("wire", "expected", "words"),
    [
        (Wire(13.8, 50.0), HEALTHY, "foreign voltage"),
        (Wire(24.0, 50.0), HEALTHY, "does not reach far enough"),
        (Wire(8.0, 2490.0), HEALTHY, "foreign voltage"),
        (Wire(24.0, 2490.0), None, "does not reach far enough"),
        (Wire(0.0, 2490.0), HEALTHY, "no voltage"),
        (Wire(0.0, 1.0), None, "no voltage"),
        (Wire(2.5, 2490.0), HEALTHY, "too little voltage"),
        (Wire(5.0, 2490.0, hum_volts=1.0), HEALTHY, "moves by"),
    ],
)
def test_nothing_is_connected_to_what_is_not_the_reference(
    fakes: Any, bench: BenchFile, wire: Wire, expected: Expected | None, words: str
) -> None:
    run, events, link = checked(fakes, bench, wire, expected)
    assert run.finding.trouble is not None
    assert words in run.finding.trouble
    assert "othing was connected" in run.finding.trouble
    assert connected(bench, link) == []
    assert len([e for e in events if isinstance(e, Sensed)]) == 1
    assert events[-1].summary.verdict is Verdict.FAIL


def test_a_stiff_supply_is_met_with_a_resistance_that_it_cannot_heat(
    fakes: Any, bench: BenchFile
) -> None:
    run, _, link = checked(fakes, bench, Wire(12.0, 20.0), None)
    assert max(12.0**2 / ohms for ohms in connected(bench, link)[:1]) <= 0.026
    assert max(12.0**2 / ohms for ohms in connected(bench, link)) <= 0.11
    assert run.finding.circuit is not None


def test_a_pullup_unlike_the_file_is_said(fakes: Any, bench: BenchFile) -> None:
    run, events, _ = checked(fakes, bench, Wire(5.0, 3300.0), HEALTHY)
    assert run.finding.circuit is not None
    assert run.finding.circuit.pullup_ohms == pytest.approx(3300, rel=0.03)
    assert "file says 2490 ohm" in events[-1].summary.sentence


def test_the_simulated_bench_is_seen_through_its_tap(bench: BenchFile) -> None:
    loaded = replace(bench, tap=replace(TAP, load_ohms=2e5))
    setup = checking_input(loaded, module=bench.module, record=None, files={})
    with Session(setup, write=lambda _: None) as session:
        list(session.events())
        finding = session.job.finding
    # The tap takes the open circuit down by Rp/(Rp + RL): 1.2 % here.
    assert finding.isolated_volts == pytest.approx(5.0 * 2e5 / (2e5 + 2490), abs=0.02)
    assert finding.circuit.pullup_ohms == pytest.approx(2490, rel=0.03)


def test_a_bench_without_a_tap_is_told_what_to_add(bench: BenchFile) -> None:
    with pytest.raises(InputError, match=r"sense.*load_ohms"):
        checking_input(replace(bench, tap=None), module=None, record=None, files={})


# Before the steps of a check


def check_plan(bench: BenchFile) -> ResolvedPlan:
    return resolve_on(load_plan(SWEEPS / "coolant-check.toml"), bench)


@pytest.mark.parametrize(
    ("wire", "words"),
    [
        (Wire(13.8, 50.0), "foreign voltage"),
        (Wire(24.0, 50.0), "does not reach far enough"),
        (Wire(0.0, 2490.0), "no voltage"),
        (Wire(5.0, 2490.0, hum_volts=1.0), "moves by"),
    ],
)
def test_a_check_sets_no_step_on_what_is_not_the_reference(
    fakes: Any, bench: BenchFile, wire: Wire, words: str
) -> None:
    _, events, link = checked(fakes, bench, wire, HEALTHY, check_plan(bench))
    [fault] = [event for event in events if isinstance(event, FaultRaised)]
    assert fault.message.startswith("the module's input: ")
    assert words in fault.message
    assert "no step was set" in fault.message
    assert connected(bench, link) == []
    assert not [event for event in events if isinstance(event, StepStarted)]
    assert link.state == bench.ladder.park_state
    assert events[-1].summary.ended is Ending.FAULT


def test_a_check_is_held_against_the_ratings_by_what_was_measured(
    fakes: Any, bench: BenchFile
) -> None:
    """The file says 2490 ohm, which the ladder may short; 470 ohm draw 10.6 mA by Ohm's law."""
    ladder = replace(bench.ladder, max_current_amperes=0.008)
    weak = replace(bench, ladder=ladder)
    plan = check_plan(weak)
    _, events, link = checked(fakes, weak, Wire(5.0, 470.0), HEALTHY, plan)
    [fault] = [event for event in events if isinstance(event, FaultRaised)]
    assert "mA through the leads exceeds the ladder's 8 mA" in fault.message
    assert "as measured" in fault.message
    assert not [event for event in events if isinstance(event, StepStarted)]
    assert min(connected(weak, link)) > 50
    # What is let through goes on to the steps.
    _, events, _ = checked(fakes, weak, Wire(5.0, 2490.0), HEALTHY, plan)
    [note] = [e for e in events if isinstance(e, NoteMade) and e.kind is NoteKind.INPUT]
    assert "a short would draw 2" in note.text
    assert [event for event in events if isinstance(event, StepStarted)]


def test_a_check_looks_first_where_the_bench_says_how_and_replays(tmp_path: Path) -> None:
    plan, metered = SWEEPS / "coolant-check.toml", SWEEPS / "benches" / "simulated-metered.toml"
    assert not prepare(plan, SWEEPS / "benches" / "simulated.toml").resolved.looks_first
    assert not prepare(plan, metered, input_check=False).resolved.looks_first
    assert not prepare(SWEEPS / "coolant-quick.toml", metered).resolved.looks_first
    with pytest.raises(InputError, match=r"sense.*load_ohms"):
        prepare(plan, SWEEPS / "benches" / "simulated.toml", input_check=True)
    path = tmp_path / "check.jsonl"
    setup = sweeping(prepare(plan, metered), record=path, pace="fast", clock=VirtualClock())
    with Session(setup) as session:
        list(session.events())
    assert session.summary is not None
    assert session.summary.verdict is Verdict.PASS
    record = load_record(path)
    assert [line["type"] for line in record.lines].count("sensed") == 2
    assert "behind 24" in report_text(record)
    again = replay(record)
    assert again.differences == ()
    assert again.verdict is Verdict.PASS


# Timing


@pytest.mark.parametrize(
    ("refresh_s", "tau_s", "interval_s"), [(2.0, 0.15, 0.25), (1.0, 0.15, 0.25), (4.7, 0.5, 0.5)]
)
def test_the_refresh_of_a_module_is_measured(
    bench: BenchFile, refresh_s: float, tau_s: float, interval_s: float
) -> None:
    assert bench.module is not None
    module = replace(bench.module, refresh_s=refresh_s, filter_time_constant_s=tau_s)
    slow = replace(bench, module=module, reading_interval_s=interval_s)
    setup = timing_module(slow, module=module, record=None, files={})
    with Session(setup, write=lambda _: None) as session:
        list(session.events())
        timing = session.job.timing
    assert timing.refresh_s == pytest.approx(refresh_s, rel=0.05)
    # No step shows later than its filter and one renewal; some shows after most of a renewal.
    assert 0.6 * refresh_s < timing.complete_s <= refresh_s + 6 * tau_s + 2 * interval_s


def test_a_module_that_renews_faster_than_it_is_read_is_said_to(bench: BenchFile) -> None:
    setup = timing_module(bench, module=bench.module, record=None, files={})
    with Session(setup, write=lambda _: None) as session:
        list(session.events())
        assert session.job.timing.refresh_s is None
        assert session.job.timing.complete_s < 2.0


def test_beats_are_found_among_times_seen_late(many: Callable[..., int]) -> None:
    chance = random.Random(7)
    wrong = 0
    trials = many(100, 2000)
    for _ in range(trials):
        beat, blur = chance.uniform(1.0, 5.0), 0.27
        times = [beat * chance.randrange(60) + chance.uniform(0, blur) for _ in range(14)]
        found = beat_s(times, blur_s=blur)
        wrong += found is None or abs(found - beat) > 0.05 * beat
    assert wrong <= 0.05 * trials


def test_times_without_a_beat_have_none() -> None:
    chance = random.Random(8)
    assert beat_s([chance.uniform(0, 90) for _ in range(14)], blur_s=0.27) is None
    assert beat_s([1.0, 2.0, 3.0], blur_s=0.1) is None


def test_typed_readings_are_too_slow(bench: BenchFile) -> None:
    with pytest.raises(InputError, match="too slow"):
        timing_module(
            replace(bench, readback=ReadbackKind.TYPED), module=None, record=None, files={}
        )


# Jumps


def fed(values: list[float | None], learnt: list[float], step: float = 1.0) -> JumpCounter:
    counter = JumpCounter(step)
    for index, value in enumerate(learnt):
        counter.learn(0.1 * index, value)
    assert counter.learnt()
    for index, value in enumerate(values):
        counter.take(10 + 0.1 * index, value)
    return counter


@pytest.mark.parametrize(
    ("values", "count"),
    [
        ([40, 41, 40, 39, 40], 0),
        ([40, 60, 40], 1),
        ([40, 60, 62, 65, 40], 1),
        ([40, 60, 40, 60, 40], 2),
        ([40, None, 40], 1),
        ([40, None, 60, 40], 1),
        ([40, 10, 40, None, 40], 2),
    ],
)
def test_jumps_are_counted_once_each(values: list[float | None], count: int) -> None:
    assert fed(values, [40.0] * 10).count == count


def test_a_level_that_stays_is_the_new_one() -> None:
    counter = fed([60.0] * 50, [40.0] * 10)
    assert (counter.count, counter.level) == (1, 60.0)
    assert counter.take(30.0, 40.0)


def test_what_the_reading_does_untouched_is_no_jump(many: Callable[..., int]) -> None:
    chance = random.Random(11)
    false = 0
    trials = many(50, 1000)
    for _ in range(trials):
        noise = lambda: round(chance.gauss(40.2, 0.4))  # noqa: E731
        false += fed([noise() for _ in range(240)], [noise() for _ in range(12)]).count
    assert false <= 0.1 * trials


def wiggled(fakes: Any, says: Callable[[float], Reading | None]) -> tuple[list[Any], Any]:
    clock = VirtualClock()
    bench = load_bench(SWEEPS / "benches" / "simulated.toml")

    class Readback(fakes.StreamingReadback):
        def poll(self) -> Reading | None:
            if self.prompt is None or self.clock.now_s() < self.next_s:
                return None
            self.next_s = self.clock.now_s() + 0.1
            return says(self.clock.now_s())

    class WideLink(fakes.FakeLink):
        def open(self, *, hold_off_ms: int = 2000) -> Any:
            opened = super().open(hold_off_ms=hold_off_ms)
            return replace(opened, relay_count=bench.ladder.relay_count)

    link = WideLink(clock)
    opened = Bench(
        name="b",
        ladder=bench.ladder,
        link=link,
        readback=Readback(clock, lambda _p, _s: None),
        hold_off_ms=2000,
        drives_hardware=False,
    )
    setting = Finder(bench, None).find("2k5", bench.ladder.park_state)
    plan = plan_by_hand(park_state=bench.ladder.park_state, state_digits=5)
    run = WiggleRun(plan, setting, opened, clock, for_s=30.0)
    return list(run_events(run)), link


def test_jumps_are_told_as_they_happen_and_end_in_a_sentence(fakes: Any) -> None:
    def says(now_s: float) -> Reading:
        bad = 10.0 < now_s < 10.5 or 20.0 < now_s < 20.3
        codes = ("P0118",) if now_s > 20.2 else ()
        return Reading(token=1, celsius=-40.0 if bad else 20.0, at_s=now_s, codes=codes)

    events, link = wiggled(fakes, says)
    jumps = [e for e in events if isinstance(e, Jumped)]
    assert [(e.count, e.value) for e in jumps if not e.codes] == [(1, -40.0), (2, -40.0)]
    assert [e.codes for e in jumps if e.codes] == [("P0118",)]
    summary = events[-1].summary
    assert summary.verdict is Verdict.FAIL
    assert "jumped 2 times in 30 s" in summary.sentence
    assert "most by 60 degC; new codes: P0118" in summary.sentence
    assert link.state == 0
    assert link.longest_silence_s < 2.0


def test_a_good_connector_passes(fakes: Any) -> None:
    events, _ = wiggled(fakes, lambda s: Reading(token=1, celsius=20.0 + int(s * 7) % 2, at_s=s))
    assert events[-1].summary.verdict is Verdict.PASS
    assert "No jump in 30 s" in events[-1].summary.sentence


def test_a_reading_that_never_rests_or_never_comes_is_a_fault(fakes: Any) -> None:
    events, _ = wiggled(fakes, lambda s: Reading(token=1, celsius=20.0 + 5 * s, at_s=s))
    assert "does not settle" in events[-1].summary.sentence or any(
        "does not settle" in getattr(e, "message", "") for e in events
    )
    events, link = wiggled(
        fakes, lambda s: Reading(token=1, celsius=20.0, at_s=s) if s < 9 else None
    )
    assert any("no reading for 10 s" in getattr(e, "message", "") for e in events)
    assert link.state == 0


def test_the_volts_are_watched_where_readings_are_typed(bench: BenchFile) -> None:
    typed = replace(bench, readback=ReadbackKind.TYPED)
    setup = wiggling(typed, "2k5", module=bench.module, for_s=15.0, record=None, files={})
    with Session(setup, write=lambda _: None) as session:
        events = list(session.events())
    assert events[-1].summary.verdict is Verdict.PASS
    assert " V" in events[-1].summary.sentence
    with pytest.raises(InputError, match="too slow"):
        wiggling(replace(typed, tap=None), "2k5", module=None, for_s=15.0, record=None, files={})


def test_what_is_seen_on_the_way_to_the_level_does_not_hide_jumps() -> None:
    """The first reading still shows the open circuit the ladder was parked at."""
    counter = JumpCounter(1.0)
    values = [-30.0, *[20.0] * 12]
    learnt = [counter.learn(index / 4, value) for index, value in enumerate(values)]
    assert False in learnt
    assert counter.learnt()
    assert counter.band < 2.0
    assert counter.take(4.0, 45.0)


def test_normal_noise_is_learnt_soon() -> None:
    """A few values may look wide apart by chance: then learning begins anew, and soon ends."""
    took_s = []
    for seed in range(200):
        chance = random.Random(seed)
        counter, since_s, now_s = JumpCounter(0.005), 0.0, 0.0
        while now_s - since_s < LEARN_S:
            now_s += 0.02
            if not counter.learn(now_s, chance.gauss(2.5, 0.02)):
                since_s = now_s
        assert counter.learnt()
        took_s.append(now_s)
    assert max(took_s) < 3 * LEARN_S
    assert sum(took_s) / len(took_s) < 1.1 * LEARN_S
