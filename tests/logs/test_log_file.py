"""The file a tool writes: what is found in it, and what is said of lines that are wrong."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from controller.errors import InputError
from controller.logs.file import LogColumns, read_log
from controller.logs.model import ReadingsLog

Reading = Callable[..., ReadingsLog]


@pytest.fixture
def read(tmp_path: Path) -> Reading:
    def read_text(text: str, **columns: object) -> ReadingsLog:
        path = tmp_path / "log.csv"
        path.write_text(text, encoding="utf-8")
        return read_log(path, LogColumns(**columns))  # type: ignore[arg-type]

    return read_text


def values(log: ReadingsLog) -> list[tuple[float, float]]:
    return [(row.at_s, round(row.celsius, 3)) for row in log.rows]


def refused(read: Reading, text: str, **columns: object) -> InputError:
    with pytest.raises(InputError) as caught:
        read(text, **columns)
    return caught.value


def test_columns_are_found_by_their_headings(read: Reading) -> None:
    log = read("time_s,rpm,coolant_temperature (degC)\n0,0,20\n1.5,0,-40\n")
    assert values(log) == [(0.0, 20.0), (1.5, -40.0)]
    assert (log.time_column, log.value_column, log.unit) == (
        "time_s",
        "coolant_temperature (degC)",
        "C",
    )


def test_fahrenheit_by_the_heading_or_by_option(read: Reading) -> None:
    assert values(read("time,temp degF\n0,212\n")) == [(0.0, 100.0)]
    assert values(read("time;temp\n0;-40\n", unit="F")) == [(0.0, -40.0)]
    assert values(read("time,temp degF\n0,20\n", unit="C")) == [(0.0, 20.0)]


def test_lines_before_the_headings_and_units_below_are_passed_over(read: Reading) -> None:
    text = "Session 7\nmade by hand\n\nTime\tCoolant temperature\ns\tdegC\n10\t20\n11\t21\n"
    assert values(read(text)) == [(10.0, 20.0), (11.0, 21.0)]


def test_columns_may_be_told_by_heading_or_number(read: Reading) -> None:
    text = "t,temp inlet,temp outlet\n1,20,30\n"
    assert values(read(text, value="Temp outlet")) == [(1.0, 30.0)]
    assert values(read(text, value="2")) == [(1.0, 20.0)]
    assert values(read("7,1,20\n8,2,30\n", time="2", value="3")) == [(1.0, 20.0), (2.0, 30.0)]


def test_times_of_day_go_past_midnight(read: Reading) -> None:
    log = read("time,temp\n23:59:59.5,20\n00:00:00.5,21\n")
    assert [row.at_s for row in log.rows] == [86_399.5, 86_400.5]
    assert log.starts_at == "23:59:59.5"


def test_dates_and_milliseconds(read: Reading) -> None:
    log = read("timestamp,temp\n2026-03-01T10:20:30,20\n2026-03-01 10:20:31.25,21\n")
    assert log.rows[1].at_s - log.rows[0].at_s == pytest.approx(1.25)
    assert values(read("time (ms),temp\n500,20\n")) == [(0.5, 20.0)]


def test_gaps_are_counted(read: Reading) -> None:
    log = read("time,temp\n0,20\n1,\n2,--\n3,n/a\n4,21\n")
    assert values(log) == [(0.0, 20.0), (4.0, 21.0)]
    assert log.empty == 3


def test_a_decimal_comma_has_to_be_asked_for(read: Reading) -> None:
    text = "time;temp\n0,5;20,25\n"
    assert values(read(text, decimal_comma=True)) == [(0.5, 20.25)]
    assert "--decimal-comma" in str(refused(read, text))
    assert "separated by commas" in str(refused(read, "time,temp\n0,20\n", decimal_comma=True))


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("time,temp\n0,20\n1,warm\n", "log.csv:3: 'warm' is not a number"),
        ("time,temp\n0,20\nlater,20\n", "log.csv:3: 'later' is not a time"),
        ("time,temp\n5,20\n4,20\n", "log.csv:3: the time '4' is before that of the row above"),
        ("time,temp\n0,20\n1\n", "log.csv:3: has 1 fields, the headings name 2"),
        ("time,temp\n0,-300\n", "log.csv:2: '-300' is below absolute zero"),
        ("time,temp\n0,nan\n", "there are no values in this log"),
        ("time,temp inlet,temp outlet\n0,20,30\n", "headings: 'time', 'temp inlet'"),
        ("1,20\n2,30\n", "cannot be told (headings: none)"),
        ("", "cannot be told (headings: none)"),
        ("time,temp\n0,1e999\n", "is not a number"),
        ("time,temp\n2026-13-01T00:00:00,20\n2026-13-01T00:00:00,20\n", "is not a time"),
    ],
)
def test_what_is_wrong_is_said_with_its_line(read: Reading, text: str, said: str) -> None:
    assert said in str(refused(read, text))
