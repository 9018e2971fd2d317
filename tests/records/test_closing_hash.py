"""The closing hash: said at the end of a run and in the report, and found by other tools."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import pytest

from controller.cli.main import main

PLAN = Path(__file__).resolve().parents[2] / "sweeps" / "coolant-check.toml"


def test_it_is_said_in_every_place_and_is_the_hash_of_the_last_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    record = tmp_path / "r.jsonl"
    assert main(["check", str(PLAN), "--record", str(record)]) == 0
    # FIPS 180-4 by the standard library: what `tail -n 1 r.jsonl | sha256sum` prints.
    last = record.read_bytes().splitlines(keepends=True)[-1]
    expected = hashlib.sha256(last).hexdigest()
    assert f"Closing hash: {expected}" in capsys.readouterr().out
    assert main(["report", str(record)]) == 0
    report = capsys.readouterr().out
    assert "closing hash" in report
    assert expected in report
    assert "Whoever can write the file can compute it anew" in " ".join(report.split())
    other = tmp_path / "other.jsonl"
    assert main(["check", str(PLAN), "--record", str(other), "--json"]) == 0
    assert len(json.loads(capsys.readouterr().out)["closing_hash"]) == 64
