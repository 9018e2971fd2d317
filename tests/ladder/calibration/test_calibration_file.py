"""Calibrations and measured states in files: the same back, and what is refused."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

from controller.errors import InputError
from controller.ladder.calibration import (
    calibration_text,
    load_calibration,
    measurements_from_csv,
    write_calibration,
)

sys.path.insert(0, str(Path(__file__).parent))
from measured_ladders import calibrated, make_ladder


def test_a_file_gives_the_same_calibration_back(tmp_path):
    _, calibration = calibrated(make_ladder())
    path = tmp_path / "calibration.toml"
    write_calibration(path, calibration)
    again = load_calibration(path)
    assert again.rung_ohms == calibration.rung_ohms
    assert np.array_equal(again.covariance_ohms2, calibration.covariance_ohms2)
    assert calibration_text(again) == calibration_text(calibration)
    with pytest.raises(InputError, match="already"):
        write_calibration(path, calibration)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (("relays = [0,", "relays = [1,"), "twice"),
        (("rung_ohms = [", "rung_ohms = [5.0, "), "values for"),
        (("utc = ", 'utc = "yesterday" #'), "not a date"),
        (("covariance_ohms2 = [\n  [", "covariance_ohms2 = [\n  [-"), "covariance"),
        (("measurements", "measurement"), "did you mean"),
        (("rungwise-calibration/1", "rungwise-ladder/1"), "format"),
    ],
)
def test_a_damaged_file_is_refused_with_the_place(tmp_path, change, message):
    _, calibration = calibrated(make_ladder())
    path = tmp_path / "calibration.toml"
    text = calibration_text(calibration)
    assert change[0] in text
    path.write_text(text.replace(*change, 1), encoding="utf-8")
    with pytest.raises(InputError, match=message):
        load_calibration(path)


def test_an_asymmetric_covariance_is_refused(tmp_path):
    _, calibration = calibrated(make_ladder())
    matrix = calibration.covariance_ohms2.copy()
    old = repr(float(matrix[0, 1]))
    text = calibration_text(calibration).replace(old, repr(float(matrix[0, 1]) * 2 + 1e-3), 1)
    path = tmp_path / "calibration.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match="symmetric"):
        load_calibration(path)


def test_measured_states_from_a_csv_file(tmp_path):
    path = tmp_path / "measured.csv"
    path.write_text(
        "# bench meter, four wires\nstate,ohms,uncertainty_ohms\nshort,0.17,0.01\n"
        "0x0f,47.2,0.02\n31,0.4,10m\n",
        encoding="utf-8",
    )
    first, second, third = measurements_from_csv(path, make_ladder())
    assert (first.state, first.ohms) == (0b100000, 0.17)
    assert (second.state, second.ohms, second.uncertainty_ohms) == (15, 47.2, 0.02)
    assert (third.state, third.uncertainty_ohms) == (31, 0.01)


def test_every_wrong_row_of_a_csv_file_is_named(tmp_path):
    path = tmp_path / "measured.csv"
    path.write_text(
        "state,ohms,uncertainty_ohms\nred,1,0.1\n0x01,-1,0.1\n0x01,1,0\n0xff,1,0.1\n",
        encoding="utf-8",
    )
    with pytest.raises(InputError) as refused:
        measurements_from_csv(path, make_ladder())
    assert [problem.line for problem in refused.value.problems] == [2, 3, 4, 5]
