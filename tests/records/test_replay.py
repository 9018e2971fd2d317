"""Recorded runs, judged and run again; and records that were made up, which are found out."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import pytest

from controller.cli.main import main
from controller.clock import VirtualClock
from controller.measurement.model import Verdict
from controller.records.lines import FIRST_PREVIOUS, digest, encode_line
from controller.records.reader import load_record
from controller.records.replay import replay
from controller.run.events import StepFinished
from controller.run.sweep import SweepRun
from controller.session.jobs import sweeping
from controller.session.prepared import prepare
from controller.session.session import Session

SWEEPS = Path(__file__).resolve().parents[2] / "sweeps"
RECORDED = SWEEPS / "recorded"
EARLIER_FORM = Path(__file__).parent / "earlier"
NOT_CONTENT = ("seq", "utc", "elapsed_s", "type", "previous", "check")


def _forged(source: Path, target: Path, change: Callable[[dict[str, Any]], None]) -> Path:
    """Write a record with other numbers and a sound chain."""
    previous, data = FIRST_PREVIOUS, b""
    for seq, line in enumerate(load_record(source).lines):
        change(line)
        raw = encode_line(
            line["type"],
            {key: value for key, value in line.items() if key not in NOT_CONTENT},
            seq=seq,
            utc=datetime.fromisoformat(line["utc"]),
            elapsed_s=line["elapsed_s"],
            previous=previous,
        )
        previous = digest(raw)
        data += raw
    target.write_bytes(data)
    return target


@pytest.mark.parametrize(
    ("name", "verdict"),
    [
        ("coolant-healthy", Verdict.PASS),
        ("coolant-corroded", Verdict.FAIL),
        ("coolant-wrong-sensor", Verdict.FAIL),
        ("coolant-check", Verdict.PASS),
    ],
)
def test_the_recorded_runs_come_out_the_same(name: str, verdict: Verdict) -> None:
    outcome = replay(load_record(RECORDED / f"{name}.jsonl"))
    assert [str(difference) for difference in outcome.differences] == []
    assert outcome.verdict is verdict
    assert len(outcome.replayed) == len(outcome.recorded) == len(outcome.plan.steps)


EARLIER = Path(__file__).parent / "earlier-budget.jsonl"
"""Made when the settle band counted beside the rounding, and open and short had a U."""


def test_a_record_with_an_earlier_uncertainty_budget_is_judged_by_its_own(
    capsys: pytest.CaptureFixture[str],
) -> None:
    record = load_record(EARLIER)
    assert "uncertainty_budget" not in record.opening
    outcome = replay(record)
    assert [str(difference) for difference in outcome.differences] == []
    assert outcome.plan.steps[0].uncertainty_celsius > 0.6  # as it was, not as it would be
    assert "uncertainties are those of an earlier version" in outcome.why
    assert main(["replay", str(EARLIER)]) == 0
    assert "uncertainties are those of an earlier version" in capsys.readouterr().out


@pytest.mark.parametrize(
    "change", [{"state": "0x1fc80"}, {"achieved_ohms": 1500.0}, {"achieved_celsius": 41.0}]
)
def test_an_earlier_budget_does_not_hide_another_plan(
    tmp_path: Path, change: dict[str, Any]
) -> None:
    def plan(line: dict[str, Any]) -> None:
        if line["type"] == "opening":
            line["plan"]["steps"][1].update(change)

    outcome = replay(load_record(_forged(EARLIER, tmp_path / "forged.jsonl", plan)))
    assert {difference.field for difference in outcome.differences} & {"state", *change}


def test_every_recorded_run_is_named_above() -> None:
    assert {path.stem for path in RECORDED.glob("*.jsonl")} == {
        "coolant-healthy",
        "coolant-corroded",
        "coolant-wrong-sensor",
        "coolant-check",
    }


def test_the_records_say_nothing_of_the_machine_they_were_made_on() -> None:
    for path in RECORDED.glob("*.jsonl"):
        text = path.read_text(encoding="utf-8")
        for folder in ("/home/", "/root/", "/work/", "/tmp/"):
            assert folder not in text


def _steps(change: Callable[[dict[str, Any]], None]) -> Callable[[dict[str, Any]], None]:
    """Change the second step's result only."""

    def apply(line: dict[str, Any]) -> None:
        if line["type"] == "step" and line["index"] == 1:
            change(line)

    return apply


FORGERIES: dict[str, tuple[Callable[[dict[str, Any]], None], str]] = {
    "another reading": (_steps(lambda s: s.update(reported_celsius=47.0)), "reported_celsius"),
    "another verdict": (_steps(lambda s: s.update(verdict="fail")), "verdict"),
    "another error": (_steps(lambda s: s.update(error_celsius=0.5)), "error_celsius"),
    "not settled": (_steps(lambda s: s.update(settled=False)), "settled"),
    "no codes": (_steps(lambda s: s.update(codes=[])), "codes"),
    "another settle time": (_steps(lambda s: s.update(settle_s=1.0)), "settle_s"),
    "another state in the plan": (
        lambda line: line["type"] == "opening" and line["plan"]["steps"][1].update(state="0x00001"),
        "state",
    ),
    "another resistance in the plan": (
        lambda line: (
            line["type"] == "opening" and line["plan"]["steps"][1].update(achieved_ohms=1500.0)
        ),
        "achieved_ohms",
    ),
    "another verdict of the run": (
        lambda line: line["type"] == "closing" and line.update(verdict="fail"),
        "verdict",
    ),
}


@pytest.mark.parametrize("name", FORGERIES)
def test_a_number_that_is_not_what_came_out_is_a_difference(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], name: str
) -> None:
    change, field = FORGERIES[name]
    path = _forged(RECORDED / "coolant-check.jsonl", tmp_path / "forged.jsonl", change)
    junit = tmp_path / "junit.xml"
    assert main(["replay", str(path), "--junit", str(junit)]) == 1
    assert "Difference in" in capsys.readouterr().out
    suite = ET.fromstring(junit.read_bytes())
    assert int(suite.attrib["failures"]) >= 1
    messages = [failure.text or "" for failure in suite.iter("failure")]
    assert any(field in message for message in messages)


def test_an_unchanged_copy_has_no_difference(tmp_path: Path) -> None:
    earlier = EARLIER_FORM / "check-a-line-each.jsonl"
    path = _forged(earlier, tmp_path / "copy.jsonl", lambda line: None)
    assert path.read_bytes() == earlier.read_bytes()
    assert main(["replay", str(path)]) == 0


def test_a_record_with_another_file_text_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    def change(line: dict[str, Any]) -> None:
        if line["type"] == "opening":
            line["files"][0]["text"] += "# more\n"

    path = _forged(RECORDED / "coolant-check.jsonl", tmp_path / "forged.jsonl", change)
    assert main(["replay", str(path)]) == 2
    assert "hash" in capsys.readouterr().err


def test_a_record_from_real_equipment_is_held_to_tolerance_and_uncertainty(tmp_path: Path) -> None:
    def of_equipment(line: dict[str, Any]) -> None:
        if line["type"] == "opening":
            line["simulated"] = False
        if line["type"] == "step" and line["index"] == 1:
            line.update(reported_celsius=42.0, settle_s=7.0)
            line["error_celsius"] = 42.0 - line["expected_celsius"]

    path = _forged(RECORDED / "coolant-check.jsonl", tmp_path / "real.jsonl", of_equipment)
    outcome = replay(load_record(path))
    assert outcome.differences == ()
    assert "real equipment" in outcome.why


def test_replaying_needs_no_file_but_the_record(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    copy = tmp_path / "only.jsonl"
    copy.write_bytes((RECORDED / "coolant-corroded.jsonl").read_bytes())
    monkeypatch.chdir(tmp_path)
    assert main(["replay", "only.jsonl", "--json"]) == 0


def test_a_run_that_was_paused_replays_as_closely_as_any_other(tmp_path: Path) -> None:
    prepared = prepare(SWEEPS / "coolant-sweep.toml", SWEEPS / "benches" / "simulated.toml")
    path, clock = tmp_path / "paused.jsonl", VirtualClock()
    setup = sweeping(prepared, record=path, pace="fast", clock=clock)
    with Session(setup) as session:
        run = session.job
        assert isinstance(run, SweepRun)
        paused_at_s: float | None = None
        for batch in session.batches():
            if paused_at_s is None and any(isinstance(e, StepFinished) for e in batch):
                run.pause()
                paused_at_s = clock.now_s()
            elif paused_at_s is not None and clock.now_s() > paused_at_s + 30.0:
                run.resume()
    record = load_record(path)
    assert [line["kind"] for line in record.lines if line.get("text") in ("paused", "resumed")] == [
        "paused",
        "resumed",
    ]
    outcome = replay(record)
    assert outcome.differences == ()
    assert outcome.tolerances.reported_celsius == 1e-6
