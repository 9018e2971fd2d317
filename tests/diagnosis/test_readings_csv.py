"""Readings written by hand: what is understood, and what is refused with its line."""

from __future__ import annotations

import math

import pytest

from controller.diagnosis import readings_from_csv
from controller.errors import InputError


def written(tmp_path, text, encoding="utf-8"):
    path = tmp_path / "readings.csv"
    path.write_text(text, encoding=encoding)
    return path


def test_columns_remarks_and_the_ways_to_write_a_resistance(tmp_path):
    path = written(
        tmp_path,
        "# by hand, on the quay\nohms,reported_celsius\n2500,20\n"
        " 2.5k , 21 \n\nopen,-40\nshort,150\n",
    )
    readings = readings_from_csv(path)
    assert readings.ohms.tolist() == [2500.0, 2500.0, math.inf, 0.0]
    assert readings.reported_celsius.tolist() == [20.0, 21.0, -40.0, 150.0]


def test_columns_may_stand_in_any_order_among_others(tmp_path):
    path = written(tmp_path, "reported_celsius,note,ohms\n20,first,2500\n80,second,330\n")
    assert readings_from_csv(path).ohms.tolist() == [2500.0, 330.0]


def test_semicolons_allow_decimal_commas_and_a_byte_order_mark(tmp_path):
    path = written(tmp_path, "ohms;reported_celsius\n2,5k;20,5\n330,2;80\n", "utf-8-sig")
    readings = readings_from_csv(path)
    assert readings.ohms.tolist() == [2500.0, 330.2]
    assert readings.reported_celsius.tolist() == [20.5, 80.0]


def test_every_wrong_line_is_named(tmp_path):
    path = written(
        tmp_path, "ohms,reported_celsius\n-5,20\n2500,warm\n2500\n2500,20,5\n2500,68F\n1000,45\n"
    )
    with pytest.raises(InputError) as refused:
        readings_from_csv(path)
    assert [problem.line for problem in refused.value.problems] == [2, 3, 4, 5, 6]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "no values"),
        ("# only a remark\n", "no values"),
        ("ohms,reported_celsius\n", "no values"),
        ("2500,20\n330,80\n", "no column ohms"),
        ("kohm,reported_celsius\n2.5,20\n", "convert to ohm"),
        ("ohms,fahrenheit\n2500,68\n", "convert to degC"),
        ("ohms,ohms,reported_celsius\n1,2,3\n", "two columns"),
    ],
)
def test_a_file_without_readings_is_refused(tmp_path, text, message):
    with pytest.raises(InputError, match=message):
        readings_from_csv(written(tmp_path, text))
