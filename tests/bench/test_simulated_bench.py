"""Whole runs through link, frames, device, relays and module, on the virtual clock."""

from __future__ import annotations

import itertools
from contextlib import closing
from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest

from controller.bench.default import default_bench
from controller.bench.files import load_bench
from controller.bench.model import LinkKind, ReadbackKind
from controller.bench.simulation import Simulation
from controller.bench.wiring import open_bench
from controller.clock import RealClock, VirtualClock
from controller.errors import RelayKnowledge
from controller.ladder.electrical import state_ohms
from controller.links.simulated import Direction as Way
from controller.links.simulated import Fault, FaultKind, scripted_faults, seeded_faults
from controller.measurement.model import Verdict
from controller.module.faults import SeriesResistance
from controller.planning.files import load_plan
from controller.planning.model import StepKind
from controller.planning.plan import Direction
from controller.planning.resolve import resolve
from controller.run.events import (
    FaultRaised,
    LinkReported,
    Parked,
    PromptOpened,
    RelaysSet,
    RunFinished,
    RunStarted,
    StepFinished,
)
from controller.run.job import run_events
from controller.run.model import Ending
from controller.run.sweep import SweepRun

SWEEPS = Path(__file__).parents[2] / "sweeps"


@pytest.fixture
def latched(monkeypatch) -> list[tuple[float, int]]:
    """Every state the simulated device has latched, with its time."""
    seen: list[tuple[float, int]] = []
    told = Simulation.latched

    def noting(self, at_s, state):
        seen.append((at_s, state))
        told(self, at_s, state)

    monkeypatch.setattr(Simulation, "latched", noting)
    return seen


_RESOLVED: dict[tuple[int, int], tuple] = {}


def resolved_once(plan, bench_file):
    """Resolve a plan on a bench, or return what the very same two came to before."""
    key = (id(plan), id(bench_file))
    if key not in _RESOLVED:  # plan and bench are kept too, so that no other gets their ids
        found = resolve(plan, bench_file.ladder, bench_file.module)
        _RESOLVED[key] = (found, plan, bench_file)
    return _RESOLVED[key][0]


class Ran:
    """A run on a simulated bench, carried out to its end. `at` calls something in mid-run."""

    def __init__(self, plan, bench_file, *, line_faults=None, at=None, **opened) -> None:
        self.clock = VirtualClock()
        self.resolved = resolved_once(plan, bench_file)

        def keep(channel, device) -> None:
            self.channel, self.device = channel, device

        self.bench = open_bench(
            bench_file, self.clock, line_faults=line_faults, on_channel=keep, **opened
        )
        self.run = SweepRun(self.resolved, self.bench, self.clock)
        self.events = []
        for event in run_events(self.run):
            self.events.append(event)
            if at is not None:
                at(self, event)
        self.summary = self.events[-1].summary

    def of(self, kind):
        return [event for event in self.events if isinstance(event, kind)]

    def reported(self):
        return [(r.step.index, r.reported_celsius) for r in self.run.results]


@cache
def check(name: str = "coolant-check"):
    return load_plan(SWEEPS / f"{name}.toml")


@cache
def healthy():
    return load_bench(SWEEPS / "benches" / "simulated.toml")


@pytest.fixture(scope="module")
def short_sweep():
    """Return the first steps of the demo sweep, so that a fault at any point is quickly tried."""
    plan = load_plan(SWEEPS / "coolant-sweep.toml")
    [block] = plan.blocks
    few = replace(block, targets=block.targets[::10])
    return replace(plan, blocks=(few,))


def test_the_demo_sweep_passes_and_sets_no_code(latched):
    ran = Ran(load_plan(SWEEPS / "coolant-sweep.toml"), healthy())
    assert (ran.summary.verdict, ran.summary.passed) == (Verdict.PASS, 61)
    assert all(result.settled and result.codes == () for result in ran.run.results)
    assert ran.device.state == healthy().ladder.park_state
    # What the device latched is the plan, state for state: the start, the paths, the parking.
    wanted = [s.state for step in ran.resolved.steps for s in step.path]
    wanted += [s.state for s in ran.resolved.closing_path]
    park = ran.resolved.park_state
    states = [state for state, _ in itertools.groupby(state for _, state in latched)]
    assert states == [park, *wanted, park]


def test_the_corroded_connector_fails_where_series_resistance_shows(latched):
    bench = load_bench(SWEEPS / "benches" / "simulated-corroded.toml")
    assert bench.faults == (SeriesResistance(ohms=150.0),)
    ran = Ran(load_plan(SWEEPS / "coolant-sweep.toml"), bench)
    assert ran.summary.verdict is Verdict.FAIL
    curve = load_plan(SWEEPS / "coolant-sweep.toml").sensor.curve
    for result in ran.run.results:
        # The divider sees 150 ohm more (Ohm's law); half a degree is the rounding of the report.
        seen = float(curve.celsius(result.step.achieved_ohms + 150.0))
        assert result.reported_celsius == pytest.approx(seen, abs=0.6)


def test_the_check_reads_the_end_readings_and_leaves_both_codes():
    # Common practice, no source: a short reads 130, an open -40, and they leave a low- and a
    # high-circuit code.
    ran = Ran(check(), healthy())
    opened, warm, shorted = ran.run.results
    assert (opened.step.kind, shorted.step.kind) == (StepKind.OPEN, StepKind.SHORT)
    assert (opened.reported_celsius, shorted.reported_celsius) == (-40.0, 130.0)
    assert warm.reported_celsius == 40.0
    assert ["high" in code for code in opened.codes] == [True]
    assert sorted("low" in code for code in shorted.codes) == [False, True]
    assert ran.summary.verdict is Verdict.PASS


def test_three_hundred_ohm_on_the_two_point_chart_read_back_as_82(tmp_path):
    # Common practice, no source: on a coolant chart with 2.5 kohm at 20 degC and 0.32 kohm at
    # 80 degC, 0.30 kohm reads back as 82 degC; a short reads 130 and an open circuit -40.
    (tmp_path / "chart.toml").write_text(
        'format = "rungwise-sensor/1"\nkind = "table"\nname = "chart"\n'
        "points = [[-40, 50000.0], [20, 2500.0], [80, 320.0], [120, 110.0]]\n"
        "lowest_celsius = -40\nhighest_celsius = 120\n"
    )
    (tmp_path / "plan.toml").write_text(
        'format = "rungwise-plan/1"\nkind = "check"\nsensor = "chart.toml"\n'
        "tolerance_celsius = 1\n[settle]\nwithin_celsius = 0.5\nfor_s = 4\n"
        '[[targets]]\nohms = [300.0, "open", 2500.0, "short"]\n'
    )
    plan = load_plan(tmp_path / "plan.toml")
    ran = Ran(plan, default_bench(plan.sensor))
    assert [value for _, value in ran.reported()] == [82.0, -40.0, 20.0, 130.0]


def test_a_run_is_the_same_every_time():
    first = Ran(check(), healthy())
    second = Ran(check.__wrapped__(), healthy.__wrapped__())  # read and resolved anew
    assert second.resolved is not first.resolved
    assert first.events == second.events


def test_an_hour_of_waiting_keeps_the_ladder_driven():
    plan = replace(check(), dwell_s=1200.0)
    ran = Ran(plan, healthy())
    assert ran.summary.verdict is Verdict.PASS
    assert ran.clock.now_s() > 3600
    reports = [event.at_s for event in ran.of(LinkReported)]
    assert max(b - a for a, b in itertools.pairwise(reports)) <= 2.0 / 3 + 1e-9


# A line that goes wrong, and recovers


@pytest.mark.parametrize("kind", [k for k in FaultKind if k is not FaultKind.RESET])
@pytest.mark.parametrize("direction", Way)
def test_one_lost_spoilt_late_or_doubled_frame_changes_nothing(
    short_sweep, latched, kind, direction
):
    calm = Ran(short_sweep, healthy())
    expected = [state for _, state in latched]
    sendings = sum(calm.channel._sent.values()) // 2
    for index in range(0, sendings, 13):
        latched.clear()
        fault = Fault(kind=kind, delay_s=0.3, bit=13, keep=3)
        ran = Ran(short_sweep, healthy(), line_faults=scripted_faults({(direction, index): fault}))
        assert ran.summary.ended is Ending.COMPLETE
        assert ran.reported() == calm.reported()
        # No relay moved twice, and none other than those of the plan.
        assert [state for _, state in latched] == expected


def test_a_bad_line_is_survived_as_long_as_a_try_gets_through(short_sweep, latched):
    calm = Ran(short_sweep, healthy())
    expected = [state for _, state in latched]
    retries = 0
    for seed in range(6):
        latched.clear()
        ran = Ran(short_sweep, healthy(), line_faults=seeded_faults(seed, 0.03))
        assert ran.summary.ended is Ending.COMPLETE
        assert ran.reported() == calm.reported()
        assert [state for _, state in latched] == expected
        retries += ran.of(LinkReported)[-1].status.retries
    assert retries > 10


# A line or a device that is gone


def when(count: int, act):
    """Do something once, at the n-th event of a run."""
    left = itertools.count(1)

    def at(ran, _event) -> None:
        if next(left) == count:
            act(ran)

    return at


POINTS = [1, 2, 4, 9, 20, 45]


def assert_true_statement(ran) -> None:
    """Hold what the run says of the relays against what the device really has latched."""
    assert ran.summary.ended is Ending.FAULT
    assert ran.summary.verdict is not Verdict.PASS
    parked = ran.device.state == ran.resolved.park_state
    if ran.summary.relays == RelayKnowledge.PARKED:
        assert parked
    else:
        assert ran.summary.relays == RelayKnowledge.UNKNOWN
    [fault] = ran.of(FaultRaised)
    assert isinstance(ran.events[-1], RunFinished)
    assert ran.summary.relays.value in ran.summary.sentence
    assert fault.message


@pytest.mark.parametrize("point", POINTS)
def test_a_device_that_falls_silent_ends_the_run_and_parks_by_itself(short_sweep, point):
    ran = Ran(short_sweep, healthy(), at=when(point, lambda r: setattr(r.channel, "muted", True)))
    assert_true_statement(ran)
    assert not ran.of(Parked)
    ran.clock.sleep_s(2.1)  # the hold-off
    assert ran.device.state == ran.resolved.park_state


@pytest.mark.parametrize("point", POINTS)
def test_a_pulled_plug_ends_the_run_and_the_device_parks_by_itself(short_sweep, point):
    ran = Ran(
        short_sweep, healthy(), at=when(point, lambda r: setattr(r.channel, "unplugged", True))
    )
    assert_true_statement(ran)
    ran.clock.sleep_s(2.1)
    assert ran.device.state == ran.resolved.park_state


@pytest.mark.parametrize("point", POINTS)
def test_a_device_that_restarts_ends_the_run_parked(short_sweep, point):
    ran = Ran(short_sweep, healthy(), at=when(point, lambda r: r.device.restart()))
    assert_true_statement(ran)
    assert ran.summary.relays == RelayKnowledge.PARKED


@pytest.mark.parametrize("point", POINTS)
def test_a_board_that_finds_a_fault_of_its_own_ends_the_run(short_sweep, point):
    ran = Ran(short_sweep, healthy(), at=when(point, lambda r: r.device.set_fault()))
    assert_true_statement(ran)


def test_a_host_that_was_away_too_long_finds_the_ladder_parked(short_sweep):
    ran = Ran(short_sweep, healthy(), at=when(20, lambda r: r.clock.sleep_s(5.0)))
    assert_true_statement(ran)
    assert ran.summary.relays == RelayKnowledge.PARKED


def test_a_plug_that_is_missing_from_the_start_drives_nothing(short_sweep):
    bench = healthy()
    clock = VirtualClock()
    opened = open_bench(
        bench, clock, on_channel=lambda channel, _device: setattr(channel, "unplugged", True)
    )
    events = list(run_events(SweepRun(resolve(short_sweep, bench.ladder), opened, clock)))
    assert [type(e) for e in events] == [FaultRaised, RunFinished]
    assert events[0].relays == RelayKnowledge.NOT_DRIVEN
    assert events[-1].summary.not_run == len(short_sweep.targets)


# Other ways to be wired


def test_typed_readings_come_from_the_lines_given():
    bench = load_bench(SWEEPS / "benches" / "typed.toml")
    # At each prompt what waits is dropped, up to the first None; then the answer is typed.
    lines = iter([None, "-40", None, "104F", None, "130"])
    written: list[str] = []

    def next_line() -> str | None:
        return next(lines, None)

    ran = Ran(check(), bench, lines=next_line, write=written.append)
    assert [value for _, value in ran.reported()] == [-40.0, 40.0, 130.0]
    assert [e.prompt.step_index for e in ran.of(PromptOpened)] == [0, 1, 2]
    assert sum("what temperature does the module report?" in line for line in written) == 3


def test_what_a_module_sees_is_only_what_was_latched(latched, monkeypatch):
    from controller.module.simulate import SimulatedModule

    exposed: list[tuple[float, float]] = []
    told = SimulatedModule.expose

    def noting(self, at_s, ohms):
        exposed.append((at_s, ohms))
        told(self, at_s, ohms)

    monkeypatch.setattr(SimulatedModule, "expose", noting)
    ran = Ran(check(), healthy())
    ladder = healthy().ladder
    # Every step's resistance shows, and nothing shows before the latch that makes it.
    for set_event in ran.of(RelaysSet):
        state = ran.resolved.steps[set_event.step_index].state
        assert state_ohms(ladder, state) == set_event.achieved_ohms
        latch_s = next(at_s for at_s, latched_state in latched if latched_state == state)
        first_s = next(at_s for at_s, o in exposed if o == set_event.achieved_ohms)
        # At least the operate or release time of a relay later, less a quarter of spread.
        assert first_s >= latch_s + 0.001
    assert all(b >= a for (a, _), (b, _) in itertools.pairwise(exposed))


@pytest.mark.pty
def test_the_check_passes_over_a_real_pseudo_terminal():
    bench = load_bench(SWEEPS / "benches" / "simulated-pty.toml")
    assert (bench.link, bench.readback) == (LinkKind.SIMULATED_PTY, ReadbackKind.SIMULATED)
    plan = load_plan(SWEEPS / "coolant-check.toml")
    # Time is real: the module decides soon that its input is open or shorted, and tells it often.
    module = replace(bench.module, detection_s=0.1, filter_time_constant_s=0.02)
    bench = replace(bench, module=module, reading_interval_s=0.1)
    plan = replace(plan, settle=replace(plan.settle, for_s=0.4, at_most_s=30.0))
    clock = RealClock()
    resolved = resolve(plan, bench.ladder, bench.module)
    with closing(open_bench(bench, clock)) as opened:
        events = list(run_events(SweepRun(resolved, opened, clock)))
    assert isinstance(events[0], RunStarted)
    results = [e.result for e in events if isinstance(e, StepFinished)]
    assert [r.reported_celsius for r in results] == [-40.0, 40.0, 130.0]
    assert events[-1].summary.relays == RelayKnowledge.PARKED


@pytest.mark.pty
def test_a_module_simulated_behind_a_port_sees_what_the_device_says_it_has(short_sweep):
    from controller.links.pty_device import PtyDevice
    from controller.links.simulated import SimulatedDevice

    clock = RealClock()
    bench = healthy()
    device = SimulatedDevice(
        relay_count=bench.ladder.relay_count, park_state=bench.ladder.park_state, clock=clock
    )
    module = replace(bench.module, filter_time_constant_s=0.02)
    bench = replace(bench, module=module, reading_interval_s=0.1)
    plan = replace(short_sweep, settle=replace(short_sweep.settle, for_s=0.3, at_most_s=20.0))
    few = replace(plan.blocks[0], targets=plan.blocks[0].targets[1:3], repeat=1)
    plan = replace(plan, blocks=(replace(few, direction=Direction.UP),))
    resolved = resolve(plan, bench.ladder, bench.module)
    with PtyDevice(device) as served:
        bench = replace(bench, link=LinkKind.SERIAL, url=served.path)
        with closing(open_bench(bench, clock)) as opened:
            assert opened.drives_hardware
            events = list(run_events(SweepRun(resolved, opened, clock)))
    results = [e.result for e in events if isinstance(e, StepFinished)]
    assert [r.reported_celsius for r in results] == [20.0, 70.0]
    assert events[-1].summary.verdict is Verdict.PASS
