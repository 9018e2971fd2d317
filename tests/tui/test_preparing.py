"""What a finished run says to look at next."""

from __future__ import annotations

from pathlib import Path

import pytest

from controller.records.decode import results_of
from controller.records.inputs import inputs_of
from controller.records.reader import load_record
from controller.session.findings import diagnosis_lines


@pytest.mark.parametrize(
    ("name", "first"),
    [
        ("coolant-check", "Nothing to look for: every step passed."),
        ("coolant-corroded", "Extra resistance in series"),
    ],
)
def test_a_recorded_run_says_what_to_look_at(
    pytestconfig: pytest.Config, name: str, first: str
) -> None:
    folder: Path = pytestconfig.rootpath / "sweeps" / "recorded"
    record = load_record(folder / f"{name}.jsonl")
    inputs = inputs_of(record)
    assert inputs.plan is not None
    lines = diagnosis_lines(tuple(results_of(record)), inputs.plan.sensor, inputs.plan.module)
    assert lines[0].startswith(first)
