"""Operations of real relays: counted as they move, kept across runs, warned of in time."""

from __future__ import annotations

import json
import multiprocessing
import os
from contextlib import closing
from pathlib import Path

import pytest

from controller.bench.files import load_bench
from controller.bench.wear import bench_wear_warnings, wear_file
from controller.bench.wiring import open_bench
from controller.cli.main import main
from controller.clock import RealClock, VirtualClock
from controller.errors import LinkError, RelayKnowledge
from controller.ladder.files import load_ladder
from controller.ladder.model import PathStep
from controller.ladder.wear import add_operations, load_operations
from controller.links.counted import CountedLink
from controller.links.pty_device import PtyDevice
from controller.links.simulated import SimulatedDevice
from controller.planning.files import load_plan
from controller.planning.operations import plan_operations, step_operations
from controller.planning.resolve import resolve_on
from controller.records.reader import load_record
from controller.run.job import run_events
from controller.run.sweep import SweepRun
from tests.quick_module import write_quick_module

SWEEPS = Path(__file__).parents[2] / "sweeps"
LADDER = SWEEPS / "ladders" / "bench-16.toml"

BENCH = f"""\
format = "rungwise-bench/1"
ladder = "{LADDER}"
[link]
kind = "serial"
url = "PORT"
[readback]
kind = "simulated"
[simulation]
module = "module.toml"
reading_interval_s = 0.1
"""

PLAN = f"""\
format = "rungwise-plan/1"
kind = "sweep"
sensor = "{SWEEPS}/sensors/tern-coolant.toml"
tolerance_celsius = 3
[settle]
within_celsius = 0.5
for_s = 0.2
at_most_s = 10
[[targets]]
celsius = [20, 60]
"""


class Told:
    """A link that does nothing, and fails where it is told to."""

    port, relays = "told", RelayKnowledge.KNOWN
    failing = False

    def open(self, *, hold_off_ms=2000):
        return None

    def apply(self, path):
        self._fail()

    def park(self):
        self._fail()

    def feed(self):
        self._fail()

    def close(self):
        return None

    def _fail(self):
        if self.failing:
            raise LinkError("gone", port="told", relays=RelayKnowledge.UNKNOWN)


def path(*states):
    return [PathStep(state=state, hold_ms=1) for state in states]


def test_each_change_of_a_relay_counts_once():
    link = CountedLink(Told(), relay_count=4, park_state=0b1000)
    link.open()
    link.apply(path(0b1001, 0b1011, 0b0011))
    assert link.counts == [1, 1, 0, 1]
    link.feed()
    link.park()
    link.park()
    link.close()
    assert link.counts == [2, 2, 0, 2]


def test_after_a_failure_the_ladder_counts_as_parked():
    told = Told()
    link = CountedLink(told, relay_count=3, park_state=0)
    link.close()  # never opened: nothing is known to have moved
    assert link.counts == [0, 0, 0]
    link.open()
    link.apply(path(0b001))
    told.failing = True
    with pytest.raises(LinkError):
        link.apply(path(0b011))
    assert link.counts == [2, 2, 0]
    with pytest.raises(LinkError):
        link.feed()
    link.close()
    assert link.counts == [2, 2, 0]


def test_a_plans_operations_add_up_on_either_way_of_counting():
    for name in ("coolant-sweep", "coolant-check", "carry-sweep"):
        plan = load_plan(SWEEPS / f"{name}.toml")
        bench = load_bench(plan.bench_path)
        for first in (0, 2):
            resolved = resolve_on(plan, bench, first_step=first)
            counts = plan_operations(resolved, bench.ladder.relay_count)
            assert sum(counts) == resolved.relay_operations
            assert sum(step_operations(resolved)[first:]) == resolved.relay_operations


def test_the_file_is_where_the_environment_says(tmp_path):
    home = Path.home() / ".local" / "share" / "rungwise" / "wear.json"
    assert wear_file({}) == home
    assert wear_file({"XDG_DATA_HOME": "relative/is/ignored"}) == home
    assert wear_file({"XDG_DATA_HOME": "/x"}) == Path("/x/rungwise/wear.json")
    own = {"XDG_DATA_HOME": "/x", "RUNGWISE_DATA": str(tmp_path)}
    assert wear_file(own) == tmp_path / "wear.json"


def _count(file: Path, name: int, times: int) -> None:
    ladder = load_ladder(LADDER)
    for _ in range(times):
        add_operations(file, ladder, [name] * ladder.relay_count)


def test_two_processes_lose_no_counts(tmp_path):
    file = tmp_path / "wear.json"
    context = multiprocessing.get_context("spawn")
    both = [context.Process(target=_count, args=(file, 1, 40)) for _ in range(2)]
    for process in both:
        process.start()
    for process in both:
        process.join()
        assert process.exitcode == 0
    ladder = load_ladder(LADDER)
    assert load_operations(file, ladder) == (80,) * ladder.relay_count


@pytest.fixture
def served(tmp_path, monkeypatch):
    """A device at a port, its bench file and a plan; counts go to a folder of the test's own.

    Time is real: the module answers soon.
    """
    monkeypatch.setenv("RUNGWISE_DATA", str(tmp_path / "data"))
    monkeypatch.chdir(tmp_path)
    ladder = load_ladder(LADDER)
    device = SimulatedDevice(
        relay_count=ladder.relay_count, park_state=ladder.park_state, clock=RealClock()
    )
    write_quick_module(tmp_path / "module.toml")
    with PtyDevice(device) as port:
        (tmp_path / "bench.toml").write_text(BENCH.replace("PORT", port.path))
        (tmp_path / "plan.toml").write_text(PLAN)
        yield tmp_path


@pytest.mark.pty
def test_a_run_on_a_port_is_counted_and_a_worn_relay_is_warned_of(served, capsys):
    bench = load_bench(served / "bench.toml")
    plan = resolve_on(load_plan(served / "plan.toml"), bench)
    expected = plan_operations(plan, bench.ladder.relay_count)
    last = plan.steps[-1].state
    for state in (*(hop.state for hop in plan.closing_path), plan.park_state):
        for relay in range(bench.ladder.relay_count):
            expected[relay] += (last ^ state) >> relay & 1
        last = state
    file = wear_file(os.environ)
    words = ("sweep", "plan.toml", "--bench", "bench.toml", "--yes", "--record")
    assert main([*words, "one.jsonl"]) == 0
    assert list(load_operations(file, bench.ladder)) == expected
    assert "rated operations" not in capsys.readouterr().err
    # Four fifths of five million, as the ladder's file rates its relays.
    add_operations(file, bench.ladder, [0, 4_000_000] + [0] * 16)
    assert len(bench_wear_warnings(bench, file)) == 1
    assert main([*words, "two.jsonl"]) == 0
    assert "relay 1 has 40000" in capsys.readouterr().err
    notes = [
        line["text"] for line in load_record(Path("two.jsonl")).lines if line["type"] == "note"
    ]
    assert any(note.startswith("relay 1 has 40000") for note in notes)
    assert main(["plan", "plan.toml", "--bench", "bench.toml", "--json"]) == 0
    assert len(json.loads(capsys.readouterr().out)["wear_warnings"]) == 1
    before = sum(load_operations(file, bench.ladder))
    assert main(["set", "20degC", "--bench", "bench.toml", "--hold", "0", "--yes"]) == 0
    assert sum(load_operations(file, bench.ladder)) > before


def test_a_simulated_run_wears_nothing(tmp_path):
    plan = load_plan(SWEEPS / "coolant-check.toml")
    bench = load_bench(plan.bench_path)
    clock, file = VirtualClock(), tmp_path / "wear.json"
    with closing(open_bench(bench, clock, wear_path=file)) as opened:
        list(run_events(SweepRun(resolve_on(plan, bench), opened, clock)))
    assert not file.exists()
    add_operations(file, bench.ladder, [5_000_000] * bench.ladder.relay_count)
    assert bench_wear_warnings(bench, file) == ()
