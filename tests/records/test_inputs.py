"""The files of a run: collected while they are read, and read again from a record."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from controller.cli.main import main
from controller.clock import VirtualClock
from controller.documents import collecting_files, read_text, supplied_files
from controller.errors import InputError
from controller.measurement.budget import Surroundings
from controller.records.inputs import inputs_of, load_inputs
from controller.records.reader import load_record
from controller.records.writer import RecordWriter
from controller.session.prepared import prepare
from controller.session.recording import opening_of

SWEEPS = Path(__file__).resolve().parents[2] / "sweeps"

PLAN = f"""\
format = "rungwise-plan/1"
kind = "sweep"
sensor = "{SWEEPS}/sensors/tern-coolant.toml"
tolerance_celsius = 3
[settle]
within_celsius = 0.5
for_s = 1
at_most_s = 10
[[targets]]
celsius = [20, 40]
"""


def test_every_file_of_a_run_is_collected() -> None:
    inputs = load_inputs(SWEEPS / "coolant-sweep.toml")
    assert {path.name for path in inputs.files} == {
        "coolant-sweep.toml",
        "tern-coolant.toml",
        "tern-aux-diesel.toml",
        "simulated.toml",
        "bench-16.toml",
    }
    for path, text in inputs.files.items():
        assert path.is_absolute()
        assert text == path.read_text(encoding="utf-8")


def test_supplied_files_are_the_only_ones(tmp_path: Path) -> None:
    path = tmp_path / "a"
    path.write_text("on disk", encoding="utf-8")
    with supplied_files({tmp_path / "b": "supplied"}):
        assert read_text(tmp_path / "folder" / ".." / "b") == "supplied"
        with pytest.raises(InputError, match="not in the record"):
            read_text(path)
    with collecting_files() as files:
        assert read_text(path) == "on disk"
    assert files == {path: "on disk"}
    read_text(path)
    assert len(files) == 1


def test_files_named_by_absolute_paths_are_replayed_from_the_record(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("plan.toml").write_text(PLAN, encoding="utf-8")
    assert main(["sweep", "plan.toml", "--record", "r.jsonl"]) == 0
    Path("plan.toml").unlink()
    told = Path("r.jsonl").read_text("utf-8")
    assert str(SWEEPS) not in told
    assert str(tmp_path) not in told
    inputs = inputs_of(load_record(Path("r.jsonl")))
    assert inputs.plan.sensor.name == "Tern coolant sensor"
    assert main(["replay", "r.jsonl"]) == 0


def test_each_ladder_drifts_as_on_the_day_of_the_run(tmp_path: Path) -> None:
    """A real ladder drifts with the years of its calibration (bench/calibration_age.py)."""
    prepared = prepare(SWEEPS / "coolant-and-air.toml", SWEEPS / "benches" / "simulated-pair.toml")
    first, second = prepared.inputs.bench, prepared.inputs.bench.second
    assert second is not None
    aged = replace(
        first,
        surroundings=Surroundings(rung_drift_ppm=200.0),
        second=replace(second, surroundings=Surroundings(rung_drift_ppm=300.0)),
    )
    inputs = replace(prepared.inputs, bench=aged)
    opening = opening_of(inputs, prepared.resolved, verb="sweep", pace="fast")
    path = tmp_path / "run.jsonl"
    RecordWriter.create(path, opening, clock=VirtualClock()).close()
    again = inputs_of(load_record(path)).bench
    assert [
        None if one.surroundings is None else one.surroundings.rung_drift_ppm
        for one in again.inputs
    ] == [200.0, 300.0]
