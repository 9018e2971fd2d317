"""`import rungwise`: the documented names are the exported ones, and they do what they say."""

from __future__ import annotations

import json
import math
import re
import shutil
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

import rungwise
from controller.bench.self_tests import SelfTested, keep_self_test

ROOT = Path(__file__).resolve().parents[2]


# The surface


def _documented() -> set[str]:
    """Names that the package's own page lists: four spaces, the name, what it is."""
    return set(re.findall(r"^    (\w+) {2,}\S", rungwise.__doc__ or "", re.MULTILINE))


def test_the_names_documented_are_the_names_exported() -> None:
    assert _documented() == set(rungwise.__all__) - {"__version__"}
    lazy = [name for names in rungwise._HOMES.values() for name in names]
    assert sorted(lazy) == sorted(rungwise.__all__)


@pytest.mark.parametrize("name", rungwise.__all__)
def test_every_name_is_there_and_says_what_it_is(name: str) -> None:
    found = getattr(rungwise, name)
    assert name in dir(rungwise)
    if callable(found) and name != "ReadbackFunction":
        assert found.__doc__


def test_a_name_that_is_not_there_is_missed_as_usual() -> None:
    assert not hasattr(rungwise, "frobnicate")
    with pytest.raises(ImportError, match="frobnicate"):
        exec("from rungwise import frobnicate", {})


def test_importing_loads_nothing_until_a_name_is_used() -> None:
    code = (
        "import sys, rungwise, rungwise.pytest_plugin\n"
        "heavy = {'controller', 'numpy', 'scipy', 'textual', 'serial'}\n"
        "assert not heavy & set(sys.modules), heavy & set(sys.modules)\n"
        "assert rungwise.InputError and 'controller' in sys.modules\n"
        "assert not {'numpy', 'textual', 'serial'} & set(sys.modules)\n"
    )
    subprocess.run([sys.executable, "-c", code], check=True, timeout=60)


def test_the_programs_that_the_documents_show_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    shutil.copytree(ROOT / "sweeps", tmp_path / "sweeps")
    monkeypatch.chdir(tmp_path)
    readme = (ROOT / "README.md").read_text("utf-8")
    blocks = re.findall(r"^```python\n(.*?)^```$", readme, re.MULTILINE | re.DOTALL)
    assert 'rungwise.run("sweeps/coolant-sweep.toml"' in blocks[0]
    exec(compile(blocks[0], "README.md", "exec"), {})
    assert [path.name for path in tmp_path.iterdir()] == ["sweeps"]  # nothing is left


# Running

_COMPARED = ("target_celsius", "reported_celsius", "error_celsius", "verdict", "settled")


def test_a_run_on_the_simulated_bench_says_what_the_command_line_says(
    sweeps: Path, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    from controller.cli.main import main

    plan, bench = sweeps / "coolant-sweep.toml", sweeps / "benches/simulated-corroded.toml"
    result = rungwise.run(str(plan), bench)
    status = main(
        ["sweep", str(plan), "--bench", str(bench), "--record", str(tmp_path / "r"), "--json"]
    )
    document = json.loads(capsys.readouterr().out)
    assert status == 1
    assert result.verdict == document["verdict"] == "fail"
    assert result.sentence == document["sentence"]
    assert result.ended == document["ended"] == "complete"
    assert result.record is None
    assert result.fault is None
    assert [
        (s.step.target_celsius, s.reported_celsius, s.error_celsius, s.verdict, s.settled)
        for s in result.steps
    ] == [tuple(s[key] for key in _COMPARED) for s in document["steps"]]
    assert {s.verdict for s in result.not_passed} <= {"fail", "undecided"}
    assert len(result.not_passed) == sum(s["verdict"] != "pass" for s in document["steps"])


def test_a_module_of_ones_own_that_goes_by_the_published_table_passes(
    sweeps: Path, module_by_table: Callable[..., float]
) -> None:
    # Thermometrics Sensor Temperature Resistance Curves Reference Guide, Rev C: see the fixture.
    seen: dict[float, float | None] = {}

    def readback(ohms: float, celsius: float | None) -> float:
        seen[ohms] = celsius
        return module_by_table(ohms)

    result = rungwise.run(sweeps / "coolant-sweep.toml", readback=readback)
    assert result.verdict == "pass", result.sentence
    assert max(abs(s.error_celsius or 0.0) for s in result.steps) < 0.1
    steps = rungwise.resolve(sweeps / "coolant-sweep.toml").steps
    assert seen == {step.achieved_ohms: step.achieved_celsius for step in steps}


def test_a_corroded_module_of_ones_own_fails_and_is_diagnosed(
    sweeps: Path, module_by_table: Callable[..., float]
) -> None:
    result = rungwise.run(
        sweeps / "coolant-sweep.toml",
        readback=lambda ohms, celsius: round(module_by_table(ohms, series_ohms=150.0)),
    )
    assert result.verdict == "fail"
    diagnosis = rungwise.diagnose(result, candidates=[sweeps / "sensors"])
    assert diagnosis.best is not None
    assert diagnosis.best.kind == "series-resistance"
    [found] = diagnosis.best.parameters
    assert found.low is not None
    assert found.high is not None
    assert found.low <= 150.0 <= found.high
    assert "Extra resistance in series" in rungwise.explain(diagnosis).headline


def test_open_and_short_come_as_no_temperature(sweeps: Path) -> None:
    seen = []

    def readback(ohms: float, celsius: float | None) -> float | None:
        seen.append((ohms, celsius))
        return celsius

    result = rungwise.run(sweeps / "coolant-check.toml", readback=readback)
    assert (math.inf, None) in seen
    assert any(celsius is None and ohms < 1.0 for ohms, celsius in seen)
    assert [step.step.kind for step in result.steps] == ["open", "temperature", "short"]
    assert [step.verdict for step in result.steps] == ["undecided", "pass", "undecided"]
    assert "no reading" in result.sentence


def test_what_the_function_raises_comes_back_after_parking(sweeps: Path, tmp_path: Path) -> None:
    class BrokenError(Exception):
        pass

    asked = []

    def readback(ohms: float, celsius: float | None) -> float | None:
        asked.append(ohms)
        if len(set(asked)) == 3:
            raise BrokenError("channel closed")
        return celsius

    file = tmp_path / "broken.jsonl"
    with pytest.raises(BrokenError, match="channel closed"):
        rungwise.run(sweeps / "coolant-sweep.toml", readback=readback, record=file)
    kinds = [line["type"] for line in rungwise.read_record(file).lines]
    assert kinds[-3:] == ["fault", "set", "closing"]
    assert rungwise.read_record(file).lines[-2]["parked"] is True
    kept = rungwise.result_of(file)
    assert kept.ended == "fault"
    assert kept.fault is not None
    assert "BrokenError at step 3: channel closed" in kept.fault
    assert [step.verdict for step in kept.steps] == ["pass", "pass"]


def test_an_interrupt_parks_and_goes_on_its_way(sweeps: Path, tmp_path: Path) -> None:
    def readback(ohms: float, celsius: float | None) -> float:
        raise KeyboardInterrupt

    file = tmp_path / "interrupted.jsonl"
    with pytest.raises(KeyboardInterrupt):
        rungwise.run(sweeps / "coolant-check.toml", readback=readback, record=file)
    kept = rungwise.result_of(file)
    assert (kept.ended, kept.verdict) == ("stopped", "undecided")


def test_a_silent_readback_is_a_fault_that_the_result_tells_of(
    sweeps: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from controller.readback.called import CalledReadback

    monkeypatch.setattr(CalledReadback, "poll", lambda self: None)
    result = rungwise.run(sweeps / "coolant-sweep.toml", readback=lambda ohms, celsius: celsius)
    assert result.ended == "fault"
    assert result.verdict == "undecided"
    assert result.fault is not None
    assert "no reading came" in result.fault
    assert result.sentence.startswith(result.fault)


def test_real_equipment_waits_for_the_cautions(
    sweeps: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bench = sweeps / "benches/serial-example.toml"
    with pytest.raises(rungwise.InputError, match="cautions_read=True"):
        rungwise.run(sweeps / "coolant-check.toml", bench, readback=lambda ohms, celsius: 0.0)
    said = capsys.readouterr().err
    assert "Cooling fans can start without warning" in said
    assert "A short circuit draws" in said


def test_a_ladder_that_failed_its_last_self_test_is_refused(
    sweeps: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As on the command line; who knows better says so, and gets as far as the port."""
    monkeypatch.setenv("RUNGWISE_DATA", str(tmp_path))
    bench = rungwise.load_bench(sweeps / "benches/serial-example.toml")
    bad = SelfTested(utc="2026-03-01T10:00:00+00:00", sound=False, sentence="relay 3 stays.")
    keep_self_test(tmp_path / "self-tests.json", bench.ladder.name, bad)
    plan = sweeps / "coolant-sweep.toml"

    def reported(ohms: float, celsius: float | None) -> float:
        return 0.0 if celsius is None else celsius

    with pytest.raises(rungwise.InputError, match=r"relay 3 stays\..*despite_self_test=True"):
        rungwise.run(plan, bench, readback=reported, cautions_read=True)
    result = rungwise.run(
        plan, bench, readback=reported, cautions_read=True, despite_self_test=True
    )
    assert result.fault


def test_a_port_that_is_not_there_is_a_fault_and_nothing_was_driven(
    sweeps: Path, tmp_path: Path
) -> None:
    bench = replace(
        rungwise.load_bench(sweeps / "benches/serial-example.toml"), url=str(tmp_path / "no-port")
    )
    result = rungwise.run(
        sweeps / "coolant-check.toml",
        bench,
        readback=lambda ohms, celsius: 0.0,
        cautions_read=True,
    )
    assert result.ended == "fault"
    assert result.fault is not None
    assert "no-port" in result.fault
    assert "nothing was driven" in result.fault


def test_a_changed_plan_runs_but_leaves_no_record(sweeps: Path, tmp_path: Path) -> None:
    plan = rungwise.load_plan(sweeps / "coolant-sweep.toml")
    bench = rungwise.load_bench(sweeps / "benches/simulated.toml")
    short = replace(plan, blocks=(replace(plan.blocks[0], targets=plan.blocks[0].targets[:3]),))
    result = rungwise.run(short, bench)
    assert result.verdict == "pass"
    assert [s.step.target_celsius for s in result.steps] == [-30, -25, -20, -25, -30]
    assert rungwise.run(short, sweeps / "benches/simulated.toml").steps == result.steps
    assert rungwise.run(short).steps == result.steps
    with pytest.raises(rungwise.InputError, match="give plan and bench as paths"):
        rungwise.run(short, bench, record=tmp_path / "r.jsonl")
    assert not (tmp_path / "r.jsonl").exists()


def test_what_is_wrong_with_a_file_is_said_before_anything_runs(tmp_path: Path) -> None:
    (tmp_path / "plan.toml").write_text('format = "rungwise-plan/1"\nkind = "swep"\n')
    with pytest.raises(rungwise.InputError) as caught:
        rungwise.run(tmp_path / "plan.toml", readback=lambda ohms, celsius: celsius)
    assert len(caught.value.problems) > 1
    assert isinstance(caught.value, rungwise.RungwiseError)


# Judging, records


def test_readings_taken_elsewhere_are_judged_as_in_a_run(sweeps: Path) -> None:
    plan, bench = sweeps / "coolant-sweep.toml", sweeps / "benches/simulated-corroded.toml"
    ran = rungwise.run(plan, bench)
    judged = rungwise.judge(plan, [step.reported_celsius for step in ran.steps], bench)
    assert judged.sentence == ran.sentence
    assert [s.verdict for s in judged.steps] == [s.verdict for s in ran.steps]
    missing = rungwise.judge(plan, [None] * 61, bench)
    assert missing.verdict == "undecided"
    with pytest.raises(rungwise.InputError, match="60 readings for 61 steps"):
        rungwise.judge(plan, [20.0] * 60)
    with pytest.raises(rungwise.InputError, match=r"reported_celsius\[3\]: must be a number"):
        rungwise.judge(plan, [20.0] * 3 + [math.nan] + [20.0] * 57)


def test_a_record_gives_the_result_back_and_replays(sweeps: Path, tmp_path: Path) -> None:
    file = tmp_path / "runs" / "healthy.jsonl"
    result = rungwise.run(sweeps / "coolant-sweep.toml", record=file)
    assert result.record == file
    kept = rungwise.result_of(file)
    assert kept == replace(result, plan=kept.plan, bench=kept.bench)
    record = rungwise.read_record(file)
    assert rungwise.result_of(record) == kept
    for again in (rungwise.replay(file), rungwise.replay(record)):
        assert again.differences == ()
        assert again.verdict == "pass"
    with pytest.raises(rungwise.InputError, match="exists already"):
        rungwise.run(sweeps / "coolant-sweep.toml", record=file)


def test_a_record_made_with_a_function_is_met_by_the_same_function_only(
    sweeps: Path, tmp_path: Path
) -> None:
    file = tmp_path / "own.jsonl"
    plan = sweeps / "coolant-sweep.toml"
    rungwise.run(plan, readback=lambda ohms, celsius: celsius, record=file)
    same = rungwise.replay(file, readback=lambda ohms, celsius: celsius)
    assert same.differences == ()
    assert same.tolerances.reported_celsius == 1e-6

    def a_little_off(ohms: float, celsius: float | None) -> float | None:
        return None if celsius is None else celsius + 0.001

    moved = rungwise.replay(file, readback=a_little_off)
    assert {d.field for d in moved.differences} == {"reported_celsius", "error_celsius"}
    assert len(moved.differences) == 2 * 61
    healthy = rungwise.replay(file)  # the simulated module rounds to whole degrees
    assert healthy.differences == ()
    assert "program's function" in healthy.why
    assert rungwise.read_record(file).opening["simulated"] is False

    def broken(ohms: float, celsius: float | None) -> float:
        raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        rungwise.replay(file, readback=broken)


def test_a_record_that_was_cut_off_says_so(sweeps: Path, tmp_path: Path) -> None:
    whole = (sweeps / "recorded/coolant-corroded.jsonl").read_bytes().splitlines(keepends=True)
    cut = tmp_path / "cut.jsonl"
    cut.write_bytes(b"".join(whole[: len(whole) // 2]) + b'{"torn')
    result = rungwise.result_of(cut)
    assert result.ended is None
    assert result.verdict != "pass"
    assert result.sentence.startswith("The record was cut off.")


def test_diagnosis_of_what_lies_on_disk(sweeps: Path) -> None:
    record = sweeps / "recorded/coolant-corroded.jsonl"
    by_path = rungwise.diagnose(record)
    assert by_path.best is not None
    assert by_path.best.kind == "series-resistance"
    assert rungwise.diagnose(rungwise.read_record(record)) == by_path
    assert rungwise.diagnose(rungwise.result_of(record)) == by_path
    by_hand = sweeps / "by-hand.csv"
    plan = sweeps / "coolant-sweep.toml"
    found = rungwise.diagnose(by_hand, plan=plan)
    assert found.best is not None
    assert found.best.kind == "series-resistance"
    assert rungwise.diagnose(by_hand, plan=rungwise.load_plan(plan)) == found
    with pytest.raises(rungwise.InputError, match="needs the plan"):
        rungwise.diagnose(by_hand)


def test_the_other_files_load(
    sweeps: Path, reference_rows: Callable[[str], list[dict[str, str]]]
) -> None:
    ladder = rungwise.load_ladder(sweeps / "ladders/bench-16.toml")
    assert isinstance(ladder, rungwise.Ladder)
    sensor = rungwise.load_sensor(str(sweeps / "sensors/tern-coolant.toml"))
    # Published Type 1 ratio table, its source and tolerance (0.05 %) in its first line.
    [ratio] = [
        float(row["ratio_published"])
        for row in reference_rows("ntc_type1_ratio.csv")
        if row["t_degC"] == "100"
    ]
    assert float(sensor.curve.ohms(100.0)) == pytest.approx(2800.0 * ratio, rel=5e-4)
    module = rungwise.load_module(sweeps / "modules/tern-aux-diesel.toml")
    assert module.sensor == sensor
