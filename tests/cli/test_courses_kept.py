"""What is kept of profiles and searches: reports, tables, cases, archives; going on with them."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import pytest

from controller.cautions import SEARCH_CAUTION
from controller.records.reader import load_record

Run = Callable[..., Any]
Write = Callable[[str, str], Path]
SWEEPS = Path(__file__).resolve().parents[2] / "sweeps"
ON_AT, OFF_BELOW = 94.2, 88.7  # of sweeps/modules/tern-fan.toml


def changed(write: Write, plan: str, *changes: tuple[str, str]) -> Path:
    """Write a plan of the demonstration with other words in some places."""
    text = (SWEEPS / plan).read_text()
    for key in ("sensor", "module", "bench", "file"):
        text = text.replace(f'{key} = "', f'{key} = "{SWEEPS}/')
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    return write(plan, text)


def cut(source: Path, target: Path, lines: int) -> Path:
    """Write the first lines of a record: the run was cut off after them."""
    whole = source.read_bytes().splitlines(keepends=True)
    target.write_bytes(b"".join(whole[:lines]))
    return target


def place_of_looks(record: Path) -> list[int]:
    """Return how many lines of the file there are up to each look."""
    return [
        count
        for count, line in enumerate(record.read_bytes().splitlines(), start=1)
        if b'"type":"look"' in line
    ]


@pytest.fixture
def fan(rungwise: Run, tmp_path: Path) -> Path:
    record = tmp_path / "fan.jsonl"
    assert rungwise("seek", SWEEPS / "fan-seek.toml", "--record", record).status == 0
    return record


def test_the_report_of_a_search_says_its_points_and_verdict(rungwise: Run, fan: Path) -> None:
    text = rungwise("report", fan).out
    assert "Verdict: PASS" in text
    assert "have no result" not in text
    (row,) = [line for line in text.splitlines() if line.startswith("on ")]
    _, low, high, _, lowest, highest, verdict = row.split()
    assert float(low) < ON_AT < float(high)
    assert (lowest, highest, verdict) == ("92.00", "96.00", "pass")
    assert text.count(" yes") >= 3
    assert SEARCH_CAUTION in " ".join(text.split())
    warm = rungwise("report", fan, "--fahrenheit").out
    (row,) = [line for line in warm.splitlines() if line.startswith("on ")]
    assert float(row.split()[1]) == pytest.approx(float(low) * 1.8 + 32.0, abs=0.02)
    (width,) = [line for line in text.splitlines() if line.startswith("hysteresis")]
    (wide,) = [line for line in warm.splitlines() if line.startswith("hysteresis")]
    assert float(wide.split()[1]) == pytest.approx(float(width.split()[1]) * 1.8, abs=0.02)


def test_the_page_of_a_search_shows_the_same(rungwise: Run, fan: Path, tmp_path: Path) -> None:
    page = tmp_path / "fan.html"
    assert rungwise("report", fan, "--output", page).status == 0
    text = page.read_text("utf-8")
    assert "<strong>PASS</strong>" in text
    assert "Switching points" in text
    assert "Expected against reported" not in text


def test_a_search_without_limits_is_not_called_undecided(
    rungwise: Run, tmp_path: Path, write: Write
) -> None:
    record, cases = tmp_path / "code.jsonl", tmp_path / "cases.xml"
    ended = rungwise(
        "seek", SWEEPS / "code-seek.toml", "--record", record, "--junit", cases, "--json"
    )
    assert ended.status == 0
    assert "Verdict: NOT JUDGED" in rungwise("report", record).out
    suite = ET.parse(cases).getroot()
    assert (suite.get("tests"), suite.get("errors"), suite.get("failures")) == ("1", "0", "0")


def test_the_table_of_a_search_has_its_looks_and_points(rungwise: Run, fan: Path) -> None:
    rows = list(csv.DictReader(io.StringIO(rungwise("export", fan).out)))
    looks = [row for row in rows if row["row"] == "look"]
    lines = [line for line in load_record(fan).lines if line["type"] == "look"]
    assert [float(row["celsius"]) for row in looks] == [line["celsius"] for line in lines]
    assert [row["seen"] == "true" for row in looks] == [line["seen"] for line in lines]
    there, back, hysteresis = (row for row in rows if row["row"] == "point")
    assert float(there["low_celsius"]) < ON_AT < float(there["high_celsius"])
    assert float(back["low_celsius"]) < OFF_BELOW < float(back["high_celsius"])
    assert (hysteresis["way"], hysteresis["highest_limit"]) == ("hysteresis", "8.0")
    document = rungwise("export", fan, "--json").document
    assert len(document["rows"]) == len(rows)
    assert set(document["rows"][0]) == set(document["columns"])


@pytest.mark.parametrize(
    ("changes", "failures", "errors"),
    [
        ((), 0, 0),
        # It comes on at 94.2: limits that it fails, and a far end short of it.
        ((("lowest_celsius = 92", "lowest_celsius = 95"),), 2, 0),
        ((("to_celsius = 110", "to_celsius = 91"),), 0, 2),
    ],
)
def test_a_build_server_gets_a_case_for_each_point(
    rungwise: Run, write: Write, tmp_path: Path, changes: Any, failures: int, errors: int
) -> None:
    cases = tmp_path / "cases.xml"
    plan = changed(write, "fan-seek.toml", *changes)
    rungwise("seek", plan, "--record", tmp_path / "a.jsonl", "--junit", cases)
    suite = ET.parse(cases).getroot()
    assert len(suite.findall("*/failure")) == int(suite.get("failures") or -1) == failures
    assert len(suite.findall("*/error")) == int(suite.get("errors") or -1) == errors
    assert suite.find("testcase[@name='search']") is not None


def steep_profile(write: Write) -> Path:
    """Write a profile on a ladder of slow relays: some steps are late, some stand too briefly."""
    slow = (SWEEPS / "ladders" / "bench-16.toml").read_text("utf-8")
    ladder = write("slow.toml", slow.replace("operate_ms = 4.0", "operate_ms = 200.0"))
    bench = write(
        "bench.toml",
        (SWEEPS / "benches" / "simulated.toml")
        .read_text("utf-8")
        .replace("../ladders/bench-16.toml", str(ladder))
        .replace("../modules", f"{SWEEPS}/modules"),
    )
    return write(
        "profile.toml",
        f"""
format = "rungwise-plan/1"
kind = "profile"
sensor = "{SWEEPS}/sensors/tern-coolant.toml"
module = "{SWEEPS}/modules/tern-aux-diesel.toml"
bench = "{bench}"
tolerance_celsius = 3
[settle]
within_celsius = 0.5
for_s = 1
at_most_s = 10
[profile]
points = [[0, 20], [20, 20], [25, 60], [45, 60]]
step_celsius = 4
""",
    )


def test_late_steps_are_in_the_report_and_the_table(
    rungwise: Run, write: Write, tmp_path: Path
) -> None:
    record, cases = tmp_path / "steep.jsonl", tmp_path / "cases.xml"
    plan = steep_profile(write)
    ended = rungwise("sweep", plan, "--record", record, "--junit", cases, "--json")
    late = [one for one in ended.document["timing"] if one["late"]]
    assert late
    text = rungwise("report", record).out
    assert f"Late steps: {len(late)} of {len(ended.document['timing'])}" in text
    assert "stand too briefly to be judged" in text
    assert "have no result" not in text
    rows = list(csv.DictReader(io.StringIO(rungwise("export", record).out)))
    # Every step that was set has a row, those too brief to be judged without a verdict.
    assert len(rows) == len(ended.document["timing"])
    assert sum(row["late"] == "true" for row in rows) == len(late)
    assert sum(row["verdict"] != "" for row in rows) == len(ended.document["steps"]) < len(rows)
    suite = ET.parse(cases).getroot()
    assert suite.get("tests") == str(len(ended.document["steps"]))
    assert suite.get("errors") == "0"
    page = tmp_path / "steep.html"
    rungwise("report", record, "--output", page)
    assert f"Late steps: {len(late)}" in page.read_text("utf-8")


def test_a_profile_in_time_has_no_late_steps_in_its_report(rungwise: Run, tmp_path: Path) -> None:
    record = tmp_path / "warm.jsonl"
    assert rungwise("sweep", SWEEPS / "warm-up.toml", "--record", record).status == 0
    text = rungwise("report", record).out
    assert "Late steps" not in text
    assert "Verdict: PASS" in text
    plan = load_record(record).opening["plan"]
    worst, bound = plan["worst_excursion_celsius"], plan["lower_bound_celsius"]
    strays = f"{worst:.2f} degC while relays switch, no order can do better than {bound:.2f}"
    assert bound <= worst
    assert strays in text


def test_a_profile_is_not_gone_on_with_and_says_why(rungwise: Run, tmp_path: Path) -> None:
    ended = rungwise(
        "sweep", SWEEPS / "warm-up.toml", "--record", tmp_path / "warm.jsonl", "--resume"
    )
    assert ended.status == 2
    assert "depends on all that came before" in " ".join(ended.err.split())


def test_a_search_that_was_cut_off_is_gone_on_with(
    rungwise: Run, fan: Path, tmp_path: Path
) -> None:
    """Whatever it knew is used, and its points hold the true ones of the simulated module."""
    places = place_of_looks(fan)
    whole = len(places)
    for look in (0, 5, 6, 8, whole - 1):
        record = cut(fan, tmp_path / f"cut-{look}.jsonl", places[look])
        ended = rungwise("seek", SWEEPS / "fan-seek.toml", "--record", record, "--resume", "--json")
        assert ended.status == 0, ended.err
        there, back, hysteresis = ended.document["points"]
        assert there["low_celsius"] - 0.4 <= ON_AT <= there["high_celsius"] + 0.4
        assert back["low_celsius"] - 0.4 <= OFF_BELOW <= back["high_celsius"] + 0.4
        assert hysteresis["verdict"] == "pass"
        # The first level is looked at again; the search does not begin all over.
        again = len(ended.document["looks"])
        assert ended.document["looks"][0]["step"] == 0
        assert look + 1 + again <= whole + 5
        replayed = rungwise("replay", record, "--json")
        assert (replayed.status, replayed.document["differences"]) == (0, [])
        assert "Verdict: PASS" in rungwise("report", record).out
    gone_on = tmp_path / "cut-6.jsonl"
    for number, records in enumerate((fan, gone_on)):  # two ways on from one opening: kept apart
        archive = tmp_path / f"archive-{number}"
        added = rungwise("archive", "add", "--archive", archive, records, "--json")
        assert added.status == 0, added.err


def test_a_search_that_came_to_its_end_is_not_gone_on_with(rungwise: Run, fan: Path) -> None:
    ended = rungwise("seek", SWEEPS / "fan-seek.toml", "--record", fan, "--resume")
    assert ended.status == 2
    assert "nothing to resume" in ended.err


def test_another_search_is_not_gone_on_with(
    rungwise: Run, fan: Path, tmp_path: Path, write: Write
) -> None:
    record = cut(fan, tmp_path / "cut.jsonl", place_of_looks(fan)[3])
    other = changed(write, "fan-seek.toml", ("from_celsius = 80", "from_celsius = 82"))
    ended = rungwise("seek", other, "--record", record, "--resume")
    assert ended.status == 2
    assert "plan is not the one" in ended.err


def test_a_code_that_stays_ends_what_can_be_gone_on_with(
    rungwise: Run, write: Write, tmp_path: Path
) -> None:
    plan = changed(write, "code-seek.toml", ("clear_codes = true ", "# "))
    record = tmp_path / "code.jsonl"
    assert rungwise("seek", plan, "--record", record).status == 0
    lines = load_record(record).lines
    looks = [line["seen"] for line in lines if line["type"] == "look"]
    first = cut(record, tmp_path / "cut.jsonl", place_of_looks(record)[looks.index(True)])
    ended = rungwise("seek", plan, "--record", first, "--resume")
    assert ended.status == 2
    assert "clear the codes" in ended.err or "nothing to resume" in ended.err
