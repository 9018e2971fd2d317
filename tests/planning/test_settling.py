"""A settle rule is refused where a bench could fool it, and lengthened where a module is slow."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from controller.bench.files import load_bench
from controller.bench.model import ReadbackKind
from controller.clock import VirtualClock
from controller.errors import InputError
from controller.measurement.model import SettleRule, Verdict
from controller.module.simulate import SimulatedModule
from controller.planning.files import load_plan
from controller.planning.settling import LEAST_READINGS, believable, settle_problems
from controller.session.jobs import sweeping
from controller.session.prepared import prepare
from controller.session.session import Session

SWEEPS = Path(__file__).parents[2] / "sweeps"


def plan_and_bench(**settle: float):
    plan = load_plan(SWEEPS / "coolant-sweep.toml")
    bench = load_bench(SWEEPS / "benches" / "simulated.toml")
    rule = replace(plan.settle, **settle)
    return replace(plan, settle=rule), bench


@pytest.mark.parametrize(
    ("settle", "key"),
    [({"for_s": 0.2}, "settle.for_s"), ({"at_most_s": 3.2}, "settle.at_most_s"), ({}, None)],
)
def test_a_rule_that_readings_cannot_meet_is_refused_with_what_would_do(settle, key):
    plan, bench = plan_and_bench(**settle)
    problems = list(settle_problems(plan, bench, bench.module))
    assert [p.key for p in problems] == ([] if key is None else [key])
    if key == "settle.for_s":
        assert "every 0.25 s" in problems[0].message
        assert "0.5" in (problems[0].hint or "")
    typed = replace(bench, readback=ReadbackKind.TYPED)
    assert not list(settle_problems(plan, typed, bench.module))


def test_refused_before_anything_is_driven(tmp_path):
    text = (SWEEPS / "coolant-sweep.toml").read_text("utf-8").replace("for_s = 3", "for_s = 0.2")
    for name in ("sensors/tern-coolant", "modules/tern-aux-diesel", "benches/simulated"):
        text = text.replace(f'"{name}.toml"', f'"{SWEEPS / name}.toml"')
    path = tmp_path / "plan.toml"
    path.write_text(text, "utf-8")
    with pytest.raises(InputError, match="cannot hold the 3 readings"):
        prepare(path)


def test_a_module_is_given_the_time_its_filter_and_its_report_take():
    rule = SettleRule(within_celsius=0.5, for_s=2.0, at_most_s=30.0)
    module = load_bench(SWEEPS / "benches" / "simulated.toml").module
    assert module is not None
    slow = replace(module, refresh_s=2.0, filter_time_constant_s=0.5)
    found = believable(rule, slow)
    assert (found.lag_s, found.readings, found.gap_s) == (3.5, LEAST_READINGS, 1.5)
    assert believable(rule, None).lag_s == 0.0


def test_a_report_that_is_renewed_now_and_then_says_what_it_did_at_the_last_renewal():
    module = load_bench(SWEEPS / "benches" / "simulated.toml").module
    assert module is not None
    ohms = float(module.sensor.curve.ohms(20.0)), float(module.sensor.curve.ohms(80.0))
    slow = SimulatedModule(replace(module, refresh_s=2.0), start_ohms=ohms[0])
    quick = SimulatedModule(module, start_ohms=ohms[0])
    for one in (slow, quick):
        one.expose(2.5, ohms[1])
    assert [slow.report(t).celsius for t in (3.9, 4.1, 5.9)] == [20.0, 80.0, 80.0]
    assert [quick.report(t).celsius for t in (3.9, 4.1)] == [80.0, 80.0]


def run_on(tmp_path, refresh_s: float, *, told: bool):
    """Run a sweep whose settle time is shorter than the module's refresh."""
    prepared = prepare(SWEEPS / "coolant-sweep.toml", SWEEPS / "benches" / "simulated.toml")
    plan = replace(prepared.inputs.plan, settle=replace(prepared.inputs.plan.settle, for_s=0.5))
    assert plan.module is not None
    slow = replace(plan.module, refresh_s=refresh_s)
    bench = replace(prepared.inputs.bench, module=slow)
    rule = believable(plan.settle, slow) if told else plan.settle
    resolved = replace(prepared.resolved, settle=rule)
    prepared = replace(
        prepared, resolved=resolved, inputs=replace(prepared.inputs, plan=plan, bench=bench)
    )
    setup = sweeping(prepared, record=tmp_path / f"{told}.jsonl", pace="fast", clock=VirtualClock())
    with Session(setup) as session:
        for _ in session.events():
            pass
        return session.results


def test_a_slow_report_fools_a_short_settle_rule_and_not_the_believable_one(tmp_path):
    fooled = [r for r in run_on(tmp_path, 2.0, told=False) if r.verdict is Verdict.FAIL]
    assert len(fooled) > 30
    assert {r.verdict for r in run_on(tmp_path, 2.0, told=True)} == {Verdict.PASS}
