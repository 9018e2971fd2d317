"""An old calibration is said to be old and drifts on where hardware is driven; `set` says what it
assumes.
"""

from __future__ import annotations

import json
import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from controller.bench.calibration_age import (
    USUAL_INTERVAL_DAYS,
    calibration_age_warnings,
    with_aged_drift,
)
from controller.bench.files import load_bench
from controller.bench.model import LinkKind
from controller.cli.main import main
from controller.clock import VirtualClock
from controller.planning.resolve import resolve_on
from controller.records.inputs import inputs_of
from controller.records.reader import read_record
from controller.records.writer import RecordWriter
from controller.session.prepared import prepare
from controller.session.recording import opening_of

SWEEPS = Path(__file__).resolve().parents[2] / "sweeps"


@pytest.fixture
def driven():
    """The calibrated bench, as if it drove a real ladder."""
    bench = load_bench(SWEEPS / "benches" / "calibrated.toml")
    return replace(bench, link=LinkKind.SERIAL)


def dated(bench, utc):
    return replace(bench, calibration=replace(bench.calibration, utc=utc))


NOW = datetime(2026, 5, 1, 12, tzinfo=UTC)


@pytest.mark.parametrize("utc", ["2026-04-30", "2025-05-01T12:00:00+00:00", "2026-05-02"])
def test_a_calibration_of_this_year_is_not_mentioned(driven, utc):
    assert calibration_age_warnings(dated(driven, utc), NOW) == ()


def test_an_old_calibration_says_its_age_and_what_to_do(driven):
    old = (NOW - timedelta(days=USUAL_INTERVAL_DAYS + 1)).isoformat()
    (sentence,) = calibration_age_warnings(dated(driven, old), NOW)
    assert f"{USUAL_INTERVAL_DAYS + 1} days old" in sentence
    assert "rung_drift_ppm = 100" in sentence
    assert "2 years, 200 ppm" in sentence
    assert "calibrate again" in sentence


def test_a_calibration_still_to_come_is_doubted(driven):
    (sentence,) = calibration_age_warnings(dated(driven, "2062-04-30"), NOW)
    assert "2062-04-30" in sentence


def test_no_age_without_hardware_or_calibration(driven):
    old = dated(driven, "1999-12-31")
    assert calibration_age_warnings(old, NOW)
    assert calibration_age_warnings(replace(old, link=LinkKind.SIMULATED), NOW) == ()
    assert calibration_age_warnings(replace(driven, calibration=None), NOW) == ()


@pytest.mark.parametrize(("days", "years"), [(0, 1), (366, 1), (367, 2), (732, 2), (1100, 4)])
def test_the_drift_of_every_year_begun_adds_up(driven, days, years):
    aged = with_aged_drift(dated(driven, (NOW - timedelta(days=days)).isoformat()), NOW)
    assert aged.surroundings.rung_drift_ppm == pytest.approx(100.0 * years)
    assert aged.surroundings.ambient_celsius == driven.surroundings.ambient_celsius


def test_no_drift_of_years_without_hardware(driven):
    old = replace(dated(driven, "1999-12-31"), link=LinkKind.SIMULATED)
    assert with_aged_drift(old, NOW) is old


@pytest.fixture
def old_bench(tmp_path):
    """A bench file with a real link and a calibration of the year 2020."""
    made = (SWEEPS / "ladders" / "calibrations" / "bench-16-2026-03.toml").read_text("utf-8")
    calibration = tmp_path / "calibration.toml"
    calibration.write_text(
        re.sub(r'(?m)^utc = ".*"', 'utc = "2020-03-01T00:00:00Z"', made), "utf-8"
    )
    text = (SWEEPS / "benches" / "calibrated.toml").read_text("utf-8")
    text = text.replace("../ladders/calibrations/bench-16-2026-03.toml", calibration.as_posix())
    text = text.replace("../", f"{SWEEPS.as_posix()}/")
    text = text.replace('kind = "simulated"', 'kind = "serial"\nurl = "/dev/none"', 1)
    file = tmp_path / "bench.toml"
    file.write_text(text, "utf-8")
    return file


def test_the_plan_document_keeps_age_and_wear_apart(old_bench, capsys):
    words = ["plan", str(SWEEPS / "coolant-sweep.toml"), "--bench", str(old_bench), "--json"]
    assert main(words) == 0
    found = json.loads(capsys.readouterr().out)
    (sentence,) = found["calibration_warnings"]
    assert "2020-03-01" in sentence
    assert found["wear_warnings"] == []


def test_an_aged_drift_is_in_the_budget_and_in_the_record(old_bench, tmp_path):
    """A record is judged again with the drift of its own day, which no file tells."""
    prepared = prepare(SWEEPS / "coolant-sweep.toml", old_bench)
    years = prepared.bench.surroundings.rung_drift_ppm / 100.0
    assert years >= 7

    def drift(plan):
        return next(part.celsius for part in plan.steps[0].budget if part.name == "drift")

    fresh = resolve_on(prepared.inputs.plan, load_bench(old_bench))
    assert drift(prepared.resolved) == pytest.approx(years * drift(fresh))
    opening = opening_of(prepared.inputs, prepared.resolved, verb="sweep", pace="real")
    path = tmp_path / "record.jsonl"
    RecordWriter.create(path, opening, clock=VirtualClock()).close()
    again = inputs_of(read_record(path))
    assert again.bench.surroundings == prepared.bench.surroundings


def test_a_value_by_hand_says_what_the_ladder_file_leaves_open(tmp_path, capsys):
    ladder = (SWEEPS / "ladders" / "bench-16.toml").read_text(encoding="utf-8")
    assert "\nlead_uncertainty_ohms" in ladder
    open_file = tmp_path / "ladder.toml"
    open_file.write_text(ladder.replace("\nlead_uncertainty_ohms", "\n# "), encoding="utf-8")
    bench = (SWEEPS / "benches" / "simulated.toml").read_text(encoding="utf-8")
    bench = bench.replace("../ladders/bench-16.toml", str(open_file))
    bench = bench.replace("../", f"{SWEEPS.as_posix()}/")
    file = tmp_path / "bench.toml"
    file.write_text(bench, encoding="utf-8")
    assert main(["set", "2.5k", "--bench", str(file)]) == 0
    assert "no lead_uncertainty_ohms" in capsys.readouterr().err
    assert main(["set", "2.5k", "--bench", str(SWEEPS / "benches" / "simulated.toml")]) == 0
    assert "lead_uncertainty_ohms" not in capsys.readouterr().err
