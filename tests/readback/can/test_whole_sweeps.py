"""Sweeps read over CAN give the results of the same sweep read in memory, whatever goes wrong."""

from __future__ import annotations

import random
from contextlib import suppress
from dataclasses import replace
from functools import cache
from itertools import pairwise
from pathlib import Path

import pytest

from controller.bench.files import load_bench
from controller.bench.opened import Bench
from controller.bench.simulation import Simulation
from controller.clock import RealClock, VirtualClock
from controller.errors import RelayKnowledge
from controller.links.session_link import SessionLink
from controller.links.simulated import SimulatedChannel, SimulatedDevice
from controller.planning.files import load_plan
from controller.planning.resolve import resolve_on
from controller.readback.can import port as port_module
from controller.readback.can.services import Quantity
from controller.readback.can.services_readback import ServiceReadback
from controller.records.reader import load_record
from controller.reports.text import report_text
from controller.run.events import (
    CodesRead,
    FaultRaised,
    Looked,
    Parked,
    PointFound,
    RunFinished,
    StepFinished,
)
from controller.run.job import run_events
from controller.run.model import Ending
from controller.run.seek import SeekRun
from controller.run.sweep import SweepRun
from controller.session.handover import page_of
from controller.session.jobs import sweeping
from controller.session.prepared import prepare
from controller.session.session import Session
from controller.stand_in.bus_pty import Traffic
from controller.stand_in.module import DiagnosedModule, Trouble
from controller.stand_in.workshop import standing_in

SWEEPS = Path(__file__).resolve().parents[3] / "sweeps"


@cache
def bench_and_plan(name):
    file = load_bench(SWEEPS / "benches" / f"{name}.toml")
    return file, resolve_on(load_plan(SWEEPS / "coolant-quick.toml"), file)


def swept(clock, bus, *, bench_name="simulated-corroded", trouble=None, queues=True, per_s=100.0):
    """Run the quick plan, the module behind a bus in memory; return its results and the rest."""
    file, plan = bench_and_plan(bench_name)
    assert file.module is not None
    simulation = Simulation(file.ladder, file.module, clock, faults=file.faults, seed=file.seed)
    device = SimulatedDevice(
        relay_count=file.ladder.relay_count,
        park_state=file.ladder.park_state,
        clock=clock,
        on_latch=simulation.latched,
    )
    simulation.before_sampling = device.catch_up
    module = DiagnosedModule(simulation.report, clear=simulation.clear_codes, queues=queues)
    port = bus(clock, [module, Traffic(per_s)])
    readback = ServiceReadback(port, clock, quantity=Quantity.COOLANT, interval_s=0.2)
    bench = Bench(
        name="in memory",
        ladder=file.ladder,
        link=SessionLink(SimulatedChannel(device), clock),
        readback=readback,
        hold_off_ms=2000,
        drives_hardware=False,
    )
    run = SweepRun(plan, bench, clock)
    events = []
    for event in run_events(run):
        events.append(event)
        if trouble is not None and isinstance(event, StepFinished | CodesRead):
            module.trouble = trouble
    bench.close()
    return events, module, device


def some(share, trouble, seed=1):
    chance = random.Random(seed)
    return lambda _number, _request: trouble if chance.random() < share else Trouble()


def sought(clock, bus, *, trouble=None, refuses=None):
    """Search for the open-circuit code, the module behind a bus; return events and the module."""
    file = load_bench(SWEEPS / "benches" / "simulated-fan.toml")
    plan = load_plan(SWEEPS / "code-seek.toml")
    search = replace(plan.search, clear_codes=False)
    resolved = resolve_on(plan, file)
    simulation = Simulation(file.ladder, file.module, clock, faults=file.faults, seed=file.seed)
    device = SimulatedDevice(
        relay_count=file.ladder.relay_count,
        park_state=file.ladder.park_state,
        clock=clock,
        on_latch=simulation.latched,
    )
    simulation.before_sampling = device.catch_up
    module = DiagnosedModule(simulation.report, refuses=refuses or {})
    port = bus(clock, [module, Traffic(100.0)])
    bench = Bench(
        name="in memory",
        ladder=file.ladder,
        link=SessionLink(SimulatedChannel(device), clock),
        readback=ServiceReadback(port, clock, quantity=Quantity.COOLANT, codes_interval_s=1.0),
        # On this clock the bus has no thread of its own: waiting for lost codes holds all else up.
        hold_off_ms=20_000,
        drives_hardware=False,
    )
    run = SeekRun(resolved, search, bench, clock, module=file.module)
    events = []
    for event in run_events(run):
        events.append(event)
        if isinstance(event, Looked):
            module.trouble = trouble or module.trouble
    bench.close()
    return events, module, run


@pytest.mark.parametrize(
    "trouble",
    [None, some(0.1, Trouble(copies=0)), some(0.1, Trouble(late_s=1.0))],
    ids=["fine", "lost", "late"],
)
def test_a_search_for_a_code_reads_codes_at_every_level(clock, fakes, trouble):
    """The point lies where the divider crosses the module's limit of 4.80 V, by Ohm's law."""
    events, module, run = sought(clock, fakes.MemoryBus, trouble=trouble)
    assert events[-1].summary.ended is Ending.COMPLETE
    [point] = [event.point for event in events if isinstance(event, PointFound)]
    assert point.found
    pullup, reference, limit = 2490.0, 5.0, 4.80
    file = load_bench(SWEEPS / "benches" / "simulated-fan.toml")
    true = file.module.sensor.curve.celsius(pullup * limit / (reference - limit))
    assert point.low_celsius - 0.3 <= true <= point.high_celsius + 0.3
    looks = [event for event in events if isinstance(event, Looked)]
    assert [look.seen for look in looks] == [
        any(code.startswith("P0118") for code in look.codes) for look in looks
    ]
    asked_s = [at_s for at_s, request in module.asked if request == b"\x03"]
    assert len(asked_s) >= len(looks)
    if trouble is None:
        assert min(b - a for a, b in pairwise(asked_s[1:-1])) >= 1.0
    assert all(request[0] != 0x04 for _, request in module.asked)
    assert run.known.levels


def test_a_module_that_tells_no_codes_ends_the_search_parked(clock, fakes):
    refused = dict.fromkeys((3, 7, 10), 17)
    events, _, _ = sought(clock, fakes.MemoryBus, refuses=refused)
    [fault] = [event for event in events if isinstance(event, FaultRaised)]
    assert "it tells no fault codes: it refuses services 03, 07 and 0A" in fault.message
    assert events[-1].summary.relays is RelayKnowledge.PARKED


def results(events):
    return [
        (e.result.reported_celsius, e.result.verdict, e.result.settled)
        for e in events
        if isinstance(e, StepFinished)
    ]


@pytest.fixture(scope="module")
def in_memory():
    setup = sweeping(
        prepare(SWEEPS / "coolant-quick.toml", SWEEPS / "benches" / "simulated-corroded.toml"),
        record=None,
        pace="fast",
        clock=VirtualClock(),
    )
    with Session(setup) as session:
        return results(session.events())


@pytest.mark.parametrize(
    "trouble",
    [
        None,
        some(0.1, Trouble(late_s=1.0)),
        some(0.15, Trouble(copies=0)),
        some(0.2, Trouble(copies=2)),
        some(0.1, Trouble(wrong_parameter=True)),
        some(0.1, Trouble(pending=2, pending_s=0.1)),
    ],
    ids=["fine", "late", "lost", "repeated", "wrong parameter", "pending twice"],
)
@pytest.mark.parametrize("queues", [True, False], ids=["queueing", "dropping"])
def test_the_results_are_those_of_the_sweep_in_memory(clock, fakes, in_memory, trouble, queues):
    events, _, device = swept(clock, fakes.MemoryBus, trouble=trouble, queues=queues)
    assert results(events) == in_memory
    assert isinstance(events[-1], RunFinished)
    assert events[-1].summary.ended is Ending.COMPLETE
    assert device.state == device.config.park_state


def test_a_busy_bus_changes_nothing(clock, fakes, in_memory):
    events, _, _ = swept(clock, fakes.MemoryBus, per_s=3000.0)
    assert results(events) == in_memory


def test_a_module_that_dies_in_mid_run_ends_it_parked(clock, fakes):
    dead = []

    def dies(number, _request):
        dead.append(number)
        return Trouble(copies=0)

    events, _, device = swept(clock, fakes.MemoryBus, trouble=dies)
    [fault] = [event for event in events if isinstance(event, FaultRaised)]
    assert "does not answer when asked for its codes" in fault.message or (
        "it answered, and then said nothing for" in fault.message
    )
    assert dead
    assert any(isinstance(event, Parked) for event in events)
    assert events[-1].summary.ended is Ending.FAULT
    assert events[-1].summary.relays is RelayKnowledge.PARKED
    assert device.state == device.config.park_state


@pytest.mark.pty
def test_an_adapter_that_is_unplugged_ends_a_run_parked_and_its_record_closed(
    tmp_path, monkeypatch
):
    monkeypatch.setattr(port_module, "WAKE_UP_S", 0.0)
    simulated = load_bench(SWEEPS / "benches" / "simulated.toml")
    with standing_in(simulated, tmp_path / "stand-in") as ports:
        bench = tmp_path / "bench.toml"
        text = (SWEEPS / "benches" / "over-can.toml").read_text()
        text = text.replace("../ladders", str(SWEEPS / "ladders"))
        bench.write_text(text.replace("stand-in/", f"{tmp_path}/stand-in/"))
        setup = sweeping(
            prepare(SWEEPS / "coolant-quick.toml", bench),
            record=tmp_path / "run.jsonl",
            pace="real",
            clock=RealClock(),
        )
        events = []
        with Session(setup) as session:
            for event in session.events():
                events.append(event)
                if isinstance(event, StepFinished):
                    with suppress(OSError):
                        ports.adapter.unplug()
        assert ports.device.device.state == simulated.ladder.park_state
    [fault] = [event for event in events if isinstance(event, FaultRaised)]
    assert "the adapter does not answer any more" in fault.message
    assert session.summary is not None
    assert session.summary.ended is Ending.FAULT
    assert session.summary.relays is RelayKnowledge.PARKED
    record = load_record(tmp_path / "run.jsonl")
    assert record.closing is not None
    assert [line["moment"] for line in record.lines if line["type"] == "codes"] == ["before"]
    # What is handed over says so: the codes, the fault, the caution of a bus.
    report = report_text(record)
    assert "before the run: P0118" in report or "before the run: none" in report
    assert "the adapter does not answer any more" in report
    page = page_of([record])
    for said in (report, page):
        assert "disturbs" in " ".join(said.split())
    assert "Before the run" in page
    assert "not stated" in page  # nobody could ask afterwards
