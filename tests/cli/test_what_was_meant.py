"""What the program says to words it does not know, and to files that are almost right."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from controller.cli.verbs import VERBS

Run = Callable[..., Any]
Write = Callable[[str, str], Path]


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("swep", "there is no verb 'swep', and no folder of that name here (did you mean sweep?)"),
        ("quux", "there is no verb 'quux', and no folder of that name here (rungwise --help"),
        ("ladder clibrate", "there is no verb 'ladder clibrate' (did you mean calibrate?)"),
        ("-v", "there is no option -v without a verb (did you mean --version?)"),
        ("sweep plan.toml --recrod x", "(did you mean --record?)"),
        ("new sensr x.toml", "(did you mean sensor?)"),
        ("set opne", "'opne' is no value that can be set (did you mean open?)"),
        ("set shrot", "(did you mean short?)"),
        ("set prak", "(did you mean park?)"),
        ("set relay", "(write relay and its number: relay 3)"),
        ("set 1e999ohm", "'1e999ohm' is too large a number"),
        ("ui --json", "no --json here (what this verb shows is no document)"),
    ],
)
def test_what_was_meant_is_said(rungwise: Run, line: str, said: str) -> None:
    ended = rungwise(*line.split())
    assert ended.status == 2
    assert said in ended.err
    assert "usage" not in ended.err


@pytest.mark.parametrize("verb", VERBS)
def test_every_help_has_an_example_fits_its_width_and_states_defaults_as_such(
    rungwise: Run, monkeypatch: pytest.MonkeyPatch, verb: str
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    ended = rungwise("help", *verb.split())
    assert ended.status == 0
    lines = ended.out.splitlines()
    examples = lines[lines.index("examples:") + 1 :]
    assert all(line.startswith(f"  rungwise {verb.split()[0]}") for line in examples[:1])
    assert not [line for line in lines if len(line) > 80 and not line.startswith("  rungwise")]
    assert "; else " not in ended.out


def test_a_backslash_that_toml_takes_for_a_tab_is_named(
    rungwise: Run, write: Write, sweeps: Path
) -> None:
    text = (sweeps / "coolant-sweep.toml").read_text("utf-8")
    plan = write("plan.toml", text.replace("sensors/tern", "sensors\\tern"))
    ended = rungwise("plan", plan)
    assert ended.status == 2
    assert "sensor: this path holds a control character" in ended.err
    assert "write / for \\ in a path" in ended.err
    assert "tern-coolant.toml: there is no such file" not in ended.err


def test_a_heading_that_differs_is_shown_beside_the_right_one(
    rungwise: Run, write: Write, sweeps: Path
) -> None:
    table = write("hand.csv", "Ohm,reported\n1000,20\n")
    ended = rungwise("diagnose", table, "--plan", sweeps / "coolant-sweep.toml")
    assert ended.status == 2
    assert "there is no column ohms; the first line names ohm, reported" in ended.err
    assert "must name the columns: ohms,reported_celsius" in ended.err


def test_several_records_are_diagnosed_each_by_itself(rungwise: Run, sweeps: Path) -> None:
    """The worst exit status counts; a record keeps its own plan beside a CSV file with another."""
    recorded = sweeps / "recorded"
    files = [recorded / "coolant-healthy.jsonl", sweeps / "by-hand.csv", "missing.jsonl"]
    ended = rungwise("diagnose", *files[:2], "--plan", sweeps / "coolant-sweep.toml", "--json")
    assert ended.status == 1
    kinds = [one["best"]["kind"] for one in ended.document["files"]]
    assert kinds == ["healthy", "series-resistance"]
    assert rungwise("diagnose", *files, "--plan", sweeps / "coolant-sweep.toml").status == 2
