"""An old calibration is said to be old where hardware is driven, and `set` says what it assumes."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from controller.bench.calibration_age import USUAL_INTERVAL_DAYS, calibration_age_warnings
from controller.bench.files import load_bench
from controller.bench.model import LinkKind
from controller.cli.main import main

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
    assert "calibrate again" in sentence


def test_a_calibration_still_to_come_is_doubted(driven):
    (sentence,) = calibration_age_warnings(dated(driven, "2062-04-30"), NOW)
    assert "2062-04-30" in sentence


def test_no_age_without_hardware_or_calibration(driven):
    old = dated(driven, "1999-12-31")
    assert calibration_age_warnings(old, NOW)
    assert calibration_age_warnings(replace(old, link=LinkKind.SIMULATED), NOW) == ()
    assert calibration_age_warnings(replace(driven, calibration=None), NOW) == ()


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
