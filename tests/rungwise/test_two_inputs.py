"""A plan with two inputs through the public door."""

from __future__ import annotations

from pathlib import Path

import pytest

import rungwise

SWEEPS = Path(__file__).parents[2] / "sweeps"
PLAN = SWEEPS / "coolant-and-air.toml"


def test_a_step_does_not_pass_when_its_second_input_does_not(tmp_path):
    text = (SWEEPS / "benches/simulated-pair.toml").read_text().replace('"../', f'"{SWEEPS}/')
    bench = tmp_path / "bench.toml"
    bench.write_text(f'{text}\n[[second.fault]]\nkind = "series-resistance"\nohms = 900\n')
    result = rungwise.run(PLAN, bench=bench)
    assert result.verdict.value == "fail"
    assert result.not_passed
    assert all(step.verdict.value == "pass" for step in result.steps)
    said = rungwise.describe(result.not_passed[0])
    assert ": pass, " in said
    assert "; second input, step" in said
    assert ": fail, " in said


def test_a_function_does_not_say_of_which_input_its_readings_are():
    with pytest.raises(rungwise.InputError, match="of which input"):
        rungwise.run(PLAN, readback=lambda *_: 20.0)


def test_readings_taken_elsewhere_are_judged_for_one_input_at_a_time():
    with pytest.raises(rungwise.InputError, match="of which input"):
        rungwise.judge(PLAN, [10, 20, 30, 40])


def test_without_a_bench_both_ladders_are_simulated(tmp_path):
    text = PLAN.read_text().replace('bench = "benches/simulated-pair.toml"\n', "")
    for folder in ("sensors", "modules"):
        text = text.replace(f'"{folder}/', f'"{SWEEPS}/{folder}/')
    (tmp_path / "plan.toml").write_text(text)
    result = rungwise.run(rungwise.load_plan(tmp_path / "plan.toml"))
    assert result.verdict.value == "pass"
    assert all(step.second is not None for step in result.steps)
