"""Records that an earlier generation of the planner made: they still replay, and forgeries show."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from controller.cli.main import main
from controller.planning.model import PLANNER
from controller.records.decode import plan_of
from controller.records.lines import FIRST_PREVIOUS, digest, encode_line
from controller.records.reader import load_record
from controller.records.replay import replay

EARLIER = Path(__file__).parent / "earlier"
NAMES = ("coolant-check", "coolant-healthy", "coolant-healthy-second-planner")
NOT_CONTENT = ("seq", "utc", "elapsed_s", "type", "previous", "check")


def forged(source: Path, target: Path, change: Callable[[dict[str, Any]], None]) -> Path:
    """Write a record with another plan and a sound chain."""
    previous, data = FIRST_PREVIOUS, b""
    for seq, line in enumerate(load_record(source).lines):
        if line["type"] == "opening":
            change(line["plan"])
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


@pytest.mark.parametrize("name", NAMES)
def test_it_replays_with_its_own_states(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    path = EARLIER / f"{name}.jsonl"
    assert plan_of(load_record(path)).planner < PLANNER
    assert main(["replay", str(path), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["verdict"] == "pass"
    outcome = replay(load_record(path))
    assert outcome.differences == ()
    assert "earlier version" in outcome.why
    assert len(outcome.replayed) == len(outcome.plan.steps)


@pytest.mark.parametrize(
    ("change", "field"),
    [
        # Another state; a path that ends elsewhere; a relay that is not there; a wrong number.
        (lambda plan: plan["steps"][1].update(state="0x00001"), "state"),
        (lambda plan: plan["steps"][1]["path"].pop(), "path"),
        (lambda plan: plan["steps"][1]["path"][0].update(state="0xfffff"), "path"),
        (lambda plan: plan["steps"][1].update(excursion_celsius=3.0), "excursion_celsius"),
    ],
)
def test_what_does_not_hang_together_is_a_difference(
    tmp_path: Path, change: Callable[[dict[str, Any]], None], field: str
) -> None:
    path = forged(EARLIER / "coolant-check.jsonl", tmp_path / "forged.jsonl", change)
    outcome = replay(load_record(path))
    assert field in {difference.field for difference in outcome.differences}


def test_a_state_far_from_its_target_is_not_taken(tmp_path: Path) -> None:
    """The whole step of another target put in its place: sound in itself, but not what is asked."""

    def change(plan: dict[str, Any]) -> None:
        swapped = ("state", "path", "achieved_ohms", "achieved_celsius", "expected_celsius")
        plan["steps"][5].update({key: plan["steps"][6][key] for key in swapped})

    path = forged(EARLIER / "coolant-healthy.jsonl", tmp_path / "forged.jsonl", change)
    outcome = replay(load_record(path))
    assert any(d.step == 5 and d.field == "state" for d in outcome.differences)


def test_a_record_says_which_planner_made_it(tmp_path: Path) -> None:
    plan = Path(__file__).parents[2] / "sweeps" / "coolant-check.toml"
    record = tmp_path / "new.jsonl"
    assert main(["check", str(plan), "--record", str(record)]) == 0
    assert plan_of(load_record(record)).planner == PLANNER
    assert "earlier" not in replay(load_record(record)).why
