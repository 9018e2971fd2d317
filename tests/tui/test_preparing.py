"""What a finished run says to look at next, and which one could be gone on with."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from controller.records.decode import results_of
from controller.records.inputs import inputs_of
from controller.records.reader import load_record
from controller.session.findings import diagnosis_lines
from controller.session.prepared import unfinished_record
from controller.tui.preparing import ReadyRun, begin_run


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


def test_a_try_that_never_drove_anything_hides_no_unfinished_run(sweep: ReadyRun) -> None:
    engine = begin_run(sweep, pace="at once", changed=lambda: None)
    engine.start()
    assert engine.join(60)
    whole = sweep.record.read_bytes().splitlines(keepends=True)
    kinds = [json.loads(line)["type"] for line in whole]
    third = [number for number, kind in enumerate(kinds) if kind == "step"][2]
    sweep.record.write_bytes(b"".join(whole[: third + 1]))
    retry = sweep.record.with_name("sweep-99990101T000000Z.jsonl")  # the newest by its name
    retry.write_bytes(whole[0])
    found = unfinished_record(sweep.prepared, sweep.record.parent)
    assert found is not None
    assert found.path == sweep.record
    assert found.first_step == 3
    retry.write_bytes(b"".join(whole))  # one that is complete leaves nothing to go on with
    assert unfinished_record(sweep.prepared, sweep.record.parent) is None
