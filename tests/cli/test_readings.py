"""A sweep whose readings come from a log: set, recorded, laid against the log, judged, replayed."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from controller.logs.file import LogColumns
from controller.records import awaited
from controller.records.reader import load_record

sys.path.insert(0, str(Path(__file__).parents[1] / "logs"))
import beside

Run = Callable[..., Any]
SWEEPS = beside.SWEEPS
PLAN, CORRODED = SWEEPS / "coolant-sweep.toml", SWEEPS / "benches/simulated-corroded.toml"

SHORT = f"""
format = "rungwise-plan/1"
kind = "sweep"
sensor = "{SWEEPS}/sensors/tern-coolant.toml"
module = "{SWEEPS}/modules/tern-aux-diesel.toml"
bench = "{SWEEPS}/benches/simulated.toml"
tolerance_celsius = 3
TOP
[settle]
within_celsius = 0.5
for_s = 3
[[targets]]
from_celsius = 0
to_celsius = 90
step_celsius = 10
direction = "ORDER"
"""


def plan_text(order: str, top: str = "") -> str:
    return SHORT.replace("ORDER", order).replace("TOP", top)


@pytest.fixture
def short(tmp_path: Path) -> Callable[..., Path]:
    def write(order: str = "up-then-down", top: str = "") -> Path:
        path = tmp_path / f"{order}.toml"
        path.write_text(plan_text(order, top), encoding="utf-8")
        return path

    return write


def waiting(rungwise: Run, plan: Path, *words: object) -> Any:
    return rungwise("sweep", plan, "--readings", "later", "--record", "a.jsonl", *words)


def test_the_demonstration_log_is_what_a_tool_beside_the_run_writes() -> None:
    assert beside.DEMO.read_text("utf-8") == beside.log_beside(PLAN, CORRODED)


def test_readings_from_a_log_come_to_the_verdicts_of_readings_that_came_at_once(
    rungwise: Run,
) -> None:
    at_once = rungwise("sweep", PLAN, "--bench", CORRODED, "--json").document
    waited = waiting(rungwise, PLAN, "--bench", CORRODED, "--json")
    assert waited.status == 4
    assert waited.document["verdict"] == "undecided"
    assert waited.document["steps"] == []
    assert "waits for its readings" in waited.document["sentence"]
    before = Path("a.jsonl").read_bytes()
    taken = rungwise("readings", "a.jsonl", beside.DEMO, "--json")
    assert taken.status == 1
    for field in ("reported_celsius", "verdict", "settled", "reason", "state"):
        assert [step[field] for step in taken.document["steps"]] == [
            step[field] for step in at_once["steps"]
        ]
    assert taken.document["log"]["offset_s"] == pytest.approx(20.0, abs=1.0)
    assert Path("a.jsonl").read_bytes() == before
    assert taken.document["record"] == "a-read.jsonl"


def test_the_new_record_is_replayed_and_its_log_laid_against_it_again(
    rungwise: Run,
    short: Callable[..., Path],
    write: Callable[[str, str], Path],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    plan = short()
    waiting(rungwise, plan)
    rungwise("readings", "a.jsonl", write("log.csv", beside.log_beside(plan)))
    replayed = rungwise("replay", "a-read.jsonl", "--json")
    assert (replayed.status, replayed.document["differences"]) == (0, [])
    assert replayed.document["verdict"] == "pass"
    # The planted fault: rows are taken from as late as the next step.
    monkeypatch.setattr(awaited, "MARGIN_S", -4.0)
    moved = rungwise("replay", "a-read.jsonl", "--json")
    assert moved.status == 1
    assert moved.document["differences"]


def test_a_record_that_waits_is_not_judged(rungwise: Run, short: Callable[..., Path]) -> None:
    ended = waiting(rungwise, short())
    assert "rungwise readings a.jsonl LOG.csv" in ended.out
    assert "Nothing is read: the run takes" in ended.err
    replayed = rungwise("replay", "a.jsonl")
    assert replayed.status == 2
    assert "waits for its readings" in replayed.err
    assert "none yet; they come from a log" in rungwise("report", "a.jsonl").out
    resumed = rungwise("sweep", short(), "--record", "a.jsonl", "--resume")
    assert resumed.status == 2
    assert "not the one this record was begun with" in resumed.err


def test_the_record_holds_how_long_each_step_stood(
    rungwise: Run, short: Callable[..., Path]
) -> None:
    waiting(rungwise, short())
    stood = [line for line in load_record(Path("a.jsonl")).lines if line["type"] == "stood"]
    assert len(stood) == 19
    # Of the module's lag, twice for_s, and three seconds for the tool.
    assert {round(line["stood_s"], 2) for line in stood} == {9.45}


def test_what_is_refused_before_anything_is_driven(
    rungwise: Run, short: Callable[..., Path]
) -> None:
    for words, said in (
        ((SWEEPS / "warm-up.toml",), "a profile cannot be read later"),
        ((short("down", "dwell_s = 4"),), "write 6.45 or more"),
        ((short(), "--resume"), "the readings come only later"),
        ((short(), "--junit", "x.xml"), "the readings come only later"),
    ):
        ended = waiting(rungwise, *words)
        assert (ended.status, Path("a.jsonl").exists()) == (2, False)
        assert said in ended.err


def test_a_staircase_is_named_when_it_is_planned_and_refused_when_it_comes_back(
    rungwise: Run, short: Callable[..., Path], write: Callable[[str, str], Path]
) -> None:
    stairs = short("up")
    planned = rungwise("plan", stairs, "--readings", "later", "--json")
    [warning] = planned.document["log_warnings"]
    assert "will probably not align" in warning
    assert "will probably not align" in waiting(rungwise, stairs).err
    log = write("log.csv", beside.log_beside(stairs))
    ended = rungwise("readings", "a.jsonl", log)
    assert ended.status == 2
    assert "refused: the run fits this log in more than one place" in ended.err
    assert "marker = true" in ended.err
    assert not Path("a-read.jsonl").exists()


@pytest.mark.parametrize("order", ["up", "down"])
def test_a_marker_makes_a_staircase_one_that_aligns(
    rungwise: Run, short: Callable[..., Path], write: Callable[[str, str], Path], order: str
) -> None:
    marked = short(order, "marker = true")
    planned = rungwise("plan", marked, "--readings", "later", "--json").document
    assert planned["log_warnings"] == []
    near, far = (0.0, 90.0) if order == "up" else (90.0, 0.0)
    begun = [step["target_celsius"] for step in planned["steps"][:6]]
    assert begun == [far, near, far, 40.0, far, near]
    waiting(rungwise, marked)
    ended = rungwise("readings", "a.jsonl", write("log.csv", beside.log_beside(marked)))
    assert ended.status == 0, ended.err
    assert "PASS: All 15 steps passed" in ended.out


def test_a_marker_belongs_to_a_sweep(rungwise: Run, write: Callable[[str, str], Path]) -> None:
    text = (SWEEPS / "warm-up.toml").read_text("utf-8").replace('"sensors/', f'"{SWEEPS}/sensors/')
    text = text.replace('"modules/', f'"{SWEEPS}/modules/').replace(
        '"benches/', f'"{SWEEPS}/benches/'
    )
    ended = rungwise("plan", write("p.toml", f"marker = true\n{text}"))
    assert ended.status == 2
    assert "marker: has no use in a plan of kind 'profile'" in ended.err


def test_a_log_of_another_unit_and_pace(
    rungwise: Run, short: Callable[..., Path], write: Callable[[str, str], Path]
) -> None:
    plan = short()
    waiting(rungwise, plan)
    rows = [line.split(",") for line in beside.log_beside(plan).splitlines()[1:]]
    text = "clock;inlet;outlet\n" + "".join(
        f"10:{float(at) // 60:02.0f}:{float(at) % 60:04.1f};7;{float(celsius) * 1.8 + 32:.1f}\n"
        for at, celsius in rows
    ).replace(".", ",")
    log = write("log.csv", text)
    told = ("--time", "clock", "--value", "outlet", "--unit", "F", "--decimal-comma")
    ended = rungwise("readings", "a.jsonl", log, *told, "--record", "b.jsonl")
    assert ended.status == 0, ended.err
    assert "'outlet' in degF" in ended.err
    assert Path("b.jsonl").exists()
    asked = rungwise("readings", "a.jsonl", log)
    assert asked.status == 2
    assert "--time HEADING --value HEADING" in asked.err


def test_gaps_leave_steps_undecided_and_say_why(
    rungwise: Run, short: Callable[..., Path], write: Callable[[str, str], Path]
) -> None:
    plan = short()
    waiting(rungwise, plan)
    lines = beside.log_beside(plan).splitlines()
    lines[70:80] = [line.split(",")[0] + "," for line in lines[70:80]]
    ended = rungwise("readings", "a.jsonl", write("log.csv", "\n".join(lines)), "--json")
    assert ended.status == 4
    assert ended.document["log"]["empty"] == 10
    reasons = {step["reason"] for step in ended.document["steps"]} - {None}
    assert reasons <= {"no reading", "did not settle"}
    assert reasons
    assert json.dumps(ended.document)


def test_a_row_that_may_be_of_the_step_before_is_not_judged(
    rungwise: Run, short: Callable[..., Path], write: Callable[[str, str], Path]
) -> None:
    """The log breaks off for the rest of a step while the module may still be showing the last."""
    plan = short()
    waiting(rungwise, plan)
    lines = beside.log_beside(plan, every_s=0.1).splitlines()
    whole = rungwise("readings", "a.jsonl", write("whole.csv", "\n".join(lines)), "--json")
    offset_s = whole.document["log"]["offset_s"]
    stood = [line for line in load_record(Path("a.jsonl")).lines if line["type"] == "stood"]
    at_step = stood[6]
    to_s = at_step["elapsed_s"]
    from_s = to_s - at_step["stood_s"]
    lag_s = load_record(Path("a.jsonl")).opening["plan"]["settle"]["lag_s"]
    left = [
        line
        for line in lines[1:]
        if not from_s + lag_s <= float(line.split(",")[0]) - offset_s < to_s
    ]
    inside = [row for row in left if from_s <= float(row.split(",")[0]) - offset_s < to_s]
    assert inside, "rows from within the lag are left"
    log = write("gap.csv", "\n".join([lines[0], *left]))
    ended = rungwise("readings", "a.jsonl", log, "--record", "b.jsonl", "--json")
    step = ended.document["steps"][6]
    assert (step["verdict"], step["reason"]) == ("undecided", "no reading")
    seen = [line for line in load_record(Path("b.jsonl")).lines if line["type"] == "reading"]
    assert len([line for line in seen if line["final"]]) == len(stood) - 1


def test_each_reading_stands_at_its_own_time_also_where_a_remark_fell_into_its_step(
    rungwise: Run, short: Callable[..., Path], write: Callable[[str, str], Path]
) -> None:
    """Rows come a second apart, and so do the lines that they become."""
    plan = short()
    waiting(rungwise, plan)
    log = write("log.csv", beside.log_beside(plan))
    record = load_record(Path("a.jsonl"))
    at = next(i for i, line in enumerate(record.lines) if line["type"] == "stood")
    stood = record.lines[at]
    remark = {
        "type": "note",
        "text": "the fan came on",
        "kind": "remark",
        "elapsed_s": stood["elapsed_s"] - 2.0,
    }
    record = replace(record, lines=(*record.lines[:at], remark, *record.lines[at:]))
    made = awaited.from_log(record, log, LogColumns())
    awaited.record_from_log(
        record, made, log, LogColumns(), Path("b.jsonl"), log_text=log.read_text("utf-8")
    )
    of_step = [
        line
        for line in load_record(Path("b.jsonl")).lines
        if line["type"] == "reading" and line["step"] == stood["step"]
    ]
    times = [line["elapsed_s"] for line in of_step]
    assert len(times) > 5
    assert times == pytest.approx([times[0] + second for second in range(len(times))], abs=0.01)


def test_a_run_that_was_stopped_is_judged_as_far_as_it_went(
    rungwise: Run, short: Callable[..., Path], write: Callable[[str, str], Path]
) -> None:
    plan = short()
    waiting(rungwise, plan)
    lines = Path("a.jsonl").read_text("utf-8").splitlines(keepends=True)
    stood = [index for index, line in enumerate(lines) if '"type":"stood"' in line]
    Path("cut.jsonl").write_text("".join(lines[: stood[14] + 1]), encoding="utf-8")
    log = write("log.csv", beside.log_beside(plan))
    ended = rungwise("readings", "cut.jsonl", log, "--json")
    assert ended.status == 130
    assert ended.document["verdict"] == "undecided"
    assert len(ended.document["steps"]) == 15
    assert "the relay state is unknown" in ended.document["sentence"]


def test_what_is_no_such_record_is_refused(rungwise: Run) -> None:
    recorded = SWEEPS / "recorded/coolant-healthy.jsonl"
    ended = rungwise("readings", recorded, beside.DEMO, "--record", "b.jsonl")
    assert ended.status == 2
    assert "does not wait for readings" in ended.err
    assert not Path("b.jsonl").exists()
