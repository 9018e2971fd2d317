"""`ladder calibrate` and `ladder check`: by a table, at a bench, and everything that goes wrong."""

from __future__ import annotations

import csv
import errno
import io
import os
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from controller.cli import measure_ladder
from controller.readback.lines import StdinLines
from controller.records.reader import load_record

Run = Callable[..., Any]
Write = Callable[[str, str], Path]

# Three rungs and a zero; nothing but sums, so that the results can be worked out by hand.
LADDER = """\
format = "rungwise-ladder/1"
name = "Three rungs"
relay_count = 5
lead_uncertainty_ohms = 0
[relays]
contact_uncertainty_ohms = 0
[output]
isolate_relay = 3
short_relay = 4
[[group]]
kind = "series"
rungs = [
  { relay = 0, ohms = 100, tolerance_percent = 1.0 },
  { relay = 1, ohms = 200, tolerance_percent = 1.0 },
  { relay = 2, ohms = 400, tolerance_percent = 1.0 },
]
"""
READINGS = """\
state,ohms,uncertainty_ohms
short,0.000,0.01
0x0e,100.50,0.01
0x0d,199.20,0.01
0x0b,402.00,0.01
0x08,701.70,0.01
"""
BENCH = """\
format = "rungwise-bench/1"
name = "b"
ladder = "ladder.toml"
[link]
kind = "simulated"
[readback]
kind = "typed"
[simulation]
module = "{module}"
"""


@pytest.fixture
def ladder(write: Write) -> Path:
    return write("ladder.toml", LADDER)


@pytest.fixture
def bench(write: Write, ladder: Path, sweeps: Path) -> Path:
    return write("bench.toml", BENCH.format(module=sweeps / "modules" / "tern-aux-diesel.toml"))


def test_the_rungs_come_out_as_numpys_least_squares_has_them(
    rungwise: Run, ladder: Path, write: Write
) -> None:
    ended = rungwise(
        *("ladder", "calibrate", ladder, "--readings", write("r.csv", READINGS)),
        *("--common-percent", "0", "--json"),
    )
    assert ended.status == 0
    design = [[1, 0, 0], [0, 1, 0], [0, 0, 1], [1, 1, 1]]
    expected, *_ = np.linalg.lstsq(np.array(design), np.array([100.5, 199.2, 402.0, 701.7]))
    values = ended.document["values"]
    assert [one["what"] for one in values][:3] == ["relay 0", "relay 1", "relay 2"]
    assert [one["ohms"] for one in values][:3] == pytest.approx(expected, abs=1e-3)
    # Each of three values weighed alone and all together: variance 3/4 of one reading's.
    u = 2 * 0.01 * (3 / 4) ** 0.5
    assert [one["uncertainty_ohms"] for one in values][:3] == pytest.approx([u] * 3, rel=0.02)
    assert ended.document["agrees"] is True
    assert ended.document["degrees_of_freedom"] == 2


def test_a_table_that_was_proposed_and_filled_in_is_a_calibration(
    rungwise: Run, ladder: Path, tmp_path: Path
) -> None:
    table = tmp_path / "table.csv"
    ended = rungwise("ladder", "calibrate", ladder, "--propose", "6", "--out", table)
    assert ended.status == 0
    lines = table.read_text(encoding="utf-8").splitlines()
    assert any("unplug it from the module" in line for line in lines)
    rows = list(csv.DictReader([line for line in lines if not line.startswith("#")]))
    assert len(rows) == 6
    assert all(row["ohms"] == "" for row in rows)
    empty = rungwise("ladder", "calibrate", ladder, "--readings", table)
    assert empty.status == 2
    out = io.StringIO()
    writer = csv.DictWriter(out, list(rows[0]))
    writer.writeheader()
    writer.writerows([{**row, "ohms": row["expected_ohms"]} for row in rows])
    table.write_text(out.getvalue(), encoding="utf-8")
    result = tmp_path / "c.toml"
    filled = rungwise(
        "ladder", "calibrate", ladder, "--readings", table, "--out", result, "--date", "2026-03-31"
    )
    assert filled.status == 0
    assert 'utc = "2026-03-31"' in result.read_text(encoding="utf-8")
    assert "PASS" in filled.out
    again = rungwise("ladder", "calibrate", ladder, "--readings", table, "--out", result)
    assert again.status == 2


def test_the_proposal_says_what_the_calibration_then_has(
    rungwise: Run, ladder: Path, write: Write
) -> None:
    proposed = rungwise("ladder", "calibrate", ladder, "--propose", "6", "--json").document
    rows = [line for line in proposed["csv"].splitlines() if not line.startswith("#")]
    filled = [rows[0], *(_filled(row) for row in rows[1:])]
    table = write("t.csv", "\n".join(filled) + "\n")
    done = rungwise(
        *("ladder", "calibrate", ladder, "--readings", table, "--common-percent", "0", "--json")
    ).document
    told = [one["uncertainty_ohms"] for one in proposed["rungs"]]
    # The table's uncertainties are written with three digits.
    assert [one["uncertainty_ohms"] for one in done["values"]][:3] == pytest.approx(told, rel=0.01)


def _filled(row: str) -> str:
    state, _, u, expected = row.split(",")
    return f"{state},{expected},{u},{expected}"


def test_undetermined_rungs_are_named_and_nothing_is_written(
    rungwise: Run, ladder: Path, write: Write, tmp_path: Path
) -> None:
    few = write("few.csv", "\n".join(READINGS.splitlines()[:3]) + "\n")
    out = tmp_path / "c.toml"
    ended = rungwise("ladder", "calibrate", ladder, "--readings", few, "--out", out, "--json")
    assert ended.status == 2
    said = [one["message"] for one in ended.document["error"]["problems"]]
    assert any("relay 1" in text for text in said)
    assert any("relay 2" in text for text in said)
    assert not any("relay 0" in text for text in said)
    assert not out.exists()


def test_a_reading_that_contradicts_the_others_is_named_and_nothing_is_written(
    rungwise: Run, ladder: Path, write: Write, tmp_path: Path
) -> None:
    readings = write("r.csv", READINGS.replace("701.70", "706.70"))
    out = tmp_path / "c.toml"
    ended = rungwise("ladder", "calibrate", ladder, "--readings", readings, "--out", out)
    assert ended.status == 1
    assert "contradict each other" in ended.out
    assert "measure that again first" in ended.out
    assert not out.exists()


def test_a_wrong_fixed_resistor_is_asked_after_and_a_misread_row_is_not_taken_for_it(
    rungwise: Run, sweeps: Path, write: Write, tmp_path: Path
) -> None:
    text = (sweeps / "benches" / "simulated-metered.toml").read_text(encoding="utf-8")
    text = text.replace('"../', f'"{sweeps}/').replace("bench-16", "designed-18")
    ladder = sweeps / "ladders" / "designed-18.toml"
    words = ("ladder", "calibrate", ladder, "--propose", "44", "--yes")
    other = write("other.toml", f'{text}[[ladder_fault]]\nkind = "drifted-fixed"\npercent = 20\n')
    ended = rungwise(*words, "--bench", other, "--save", tmp_path / "o.csv")
    assert ended.status == 1, ended.err
    [said] = re.findall(r"would agree with a fixed resistor of ([\d.]+) ohm", ended.out)
    assert float(said) == pytest.approx(120.0, abs=0.2)
    saved = tmp_path / "m.csv"
    assert rungwise(*words, "--bench", write("same.toml", text), "--save", saved).status == 0
    rows = saved.read_text(encoding="utf-8").splitlines()
    state, ohms, *rest = rows[20].split(",")
    rows[20] = ",".join([state, f"{float(ohms) + 200:.3f}", *rest])
    ended = rungwise(*words[:3], "--readings", write("m2.csv", "\n".join(rows) + "\n"))
    assert ended.status == 1
    assert "contradict each other" in ended.out
    assert "fixed resistor" not in ended.out


def test_an_undeclared_scale_counts_as_the_percentage_of_the_meter_and_is_said(
    rungwise: Run, ladder: Path, write: Write
) -> None:
    """All rungs together are then known no better than the scale: a percentage of their sum."""
    words = ("ladder", "calibrate", ladder, "--readings", write("r.csv", READINGS))
    taken = rungwise(*words, "--meter-percent", "0.05", "--json").document
    assert taken["common_percent"] == pytest.approx(0.05)
    assert "--common-percent is not stated" in taken["notes"][0]
    for one, ohms in zip(taken["values"][:3], (100, 200, 400), strict=True):
        assert one["uncertainty_ohms"] == pytest.approx(
            2 * ((5e-4 * ohms) ** 2 + 0.0075**2 * 4 / 3) ** 0.5, rel=0.05
        )
    # Nothing said of the meter: the rows' own uncertainty holds 0.01 ohm in 701.7 ohm at most.
    rows = rungwise(*words, "--json").document
    assert rows["common_percent"] == pytest.approx(100 * 0.01 / 701.7)
    told = rungwise(*words, "--common-percent", "0.02", "--json").document
    assert told["common_percent"] == pytest.approx(0.02)
    assert not any("--common-percent" in note for note in told["notes"])


def test_a_rung_beyond_its_tolerance_is_no_pass(
    rungwise: Run, ladder: Path, write: Write, tmp_path: Path
) -> None:
    """The 400 ohm rung is 2 % up in both of its readings; the file allows 1 %."""
    moved = READINGS.replace("402.00", "408.20").replace("701.70", "707.90")
    out = tmp_path / "c.toml"
    words = ("ladder", "calibrate", ladder, "--readings", write("r.csv", moved))
    ended = rungwise(*words, "--out", out)
    assert ended.status == 4
    assert "relay 2 is +2" in ended.out
    assert out.exists()
    document = rungwise(*words, "--json").document
    assert document["verdict"] == "undecided"
    assert [one["relay"] for one in document["moved"]] == [2]


def test_a_rung_that_one_reading_alone_moves_is_not_written(
    rungwise: Run, ladder: Path, write: Write, tmp_path: Path
) -> None:
    """Without the sum of all nothing checks the three single readings."""
    rows = [line for line in READINGS.splitlines() if not line.startswith("0x08")]
    out = tmp_path / "c.toml"
    few = "\n".join(rows) + "\n"
    plain = rungwise("ladder", "calibrate", ladder, "--readings", write("p.csv", few), "--json")
    assert plain.status == 4
    assert [one["alone_for"] for one in plain.document["unchecked"]] == [[0], [1], [2]]
    assert "Not checked by other readings, measure twice: reading 2" in plain.document["sentence"]
    readings = write("r.csv", few.replace("402.00", "452.00"))
    ended = rungwise("ladder", "calibrate", ladder, "--readings", readings, "--out", out)
    assert ended.status == 1
    assert "by a single reading" in ended.out
    assert not out.exists()


def test_a_proposal_names_the_states_that_are_to_be_measured_twice(
    rungwise: Run, ladder: Path
) -> None:
    few = rungwise("ladder", "calibrate", ladder, "--propose", "4", "--json").document
    assert len(few["unchecked"]) == 3
    assert "measure twice" in few["csv"]
    enough = rungwise("ladder", "calibrate", ladder, "--propose", "8", "--json").document
    assert enough["unchecked"] == []
    assert "measure twice" not in enough["csv"]


def test_drift_against_the_previous_calibration_is_shown(
    rungwise: Run, ladder: Path, write: Write, tmp_path: Path
) -> None:
    first = write("1.csv", READINGS)
    second = write("2.csv", READINGS.replace("402.00", "402.50").replace("701.70", "702.20"))
    before = tmp_path / "before.toml"
    rungwise("ladder", "calibrate", ladder, "--readings", first, "--out", before)
    ended = rungwise(
        "ladder", "calibrate", ladder, "--readings", second, "--previous", before, "--json"
    )
    assert ended.status == 0
    moved = {one["what"]: one for one in ended.document["drift"] if one["significant"]}
    assert set(moved) == {"relay 2"}
    assert moved["relay 2"]["difference_ohms"] == pytest.approx(0.5, abs=1e-3)
    shown = rungwise("ladder", "calibrate", ladder, "--readings", second, "--previous", before)
    assert "Moved by more than the uncertainty of both: relay 2." in shown.out


@pytest.fixture
def typed(monkeypatch: pytest.MonkeyPatch) -> Callable[..., None]:
    """Let these lines come from standard input, then its end."""

    def answer(*lines: str) -> None:
        waiting = list(lines)

        def next_line(_self: object) -> str:
            if not waiting:
                raise EOFError
            return waiting.pop(0)

        monkeypatch.setattr(StdinLines, "__call__", next_line)

    return answer


def test_at_a_bench_the_states_are_set_and_what_is_typed_is_kept(
    rungwise: Run, ladder: Path, bench: Path, typed: Callable[..., None], tmp_path: Path
) -> None:
    proposed = rungwise("ladder", "calibrate", ladder, "--propose", "8", "--json").document
    typed(*(f"{state['expected_ohms']:.4f}" for state in proposed["states"]))
    kept, out = tmp_path / "kept.csv", tmp_path / "c.toml"
    ended = rungwise(
        *("ladder", "calibrate", ladder, "--propose", "8", "--bench", bench),
        *("--save", kept, "--out", out),
    )
    assert ended.status == 0, ended.err
    assert "unplug it from the module" in ended.err
    assert "the ladder is parked" in ended.err
    assert out.exists()
    rows = [row for row in kept.read_text(encoding="utf-8").splitlines() if row.startswith("0x")]
    assert [row.split(",")[0] for row in rows] == [one["state"] for one in proposed["states"]]


@pytest.fixture
def metered(write: Write, bench: Path) -> Path:
    """The same bench with a simulated meter."""
    text = bench.read_text(encoding="utf-8").replace(
        "[simulation]", "[meter]\nkind = 'simulated'\n[simulation]"
    )
    return write("metered.toml", text)


def test_the_meter_of_the_bench_is_read_without_anybody_typing(
    rungwise: Run, ladder: Path, metered: Path, tmp_path: Path
) -> None:
    out = tmp_path / "c.toml"
    ended = rungwise(
        *("ladder", "calibrate", ladder, "--propose", "8", "--bench", metered),
        *("--save", tmp_path / "kept.csv", "--out", out, "--json"),
    )
    assert ended.status == 0, ended.err
    assert out.exists()
    values = {one["what"]: one["ohms"] for one in ended.document["values"]}
    # What the ladder file says is what the simulated ladder has.
    assert values["relay 0"] == pytest.approx(100.0, abs=0.05)
    checked = rungwise(
        *("ladder", "check", ladder, "--calibration", out, "--bench", metered),
        *("--save", tmp_path / "spots.csv", "--json"),
    )
    assert checked.status == 0, checked.err
    assert checked.document["verdict"] == "pass"
    assert len(checked.document["spots"]) >= 3


def test_a_disk_that_fills_while_measuring_parks_and_keeps_what_there_is(
    rungwise: Run,
    ladder: Path,
    metered: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    kept, write, lines = tmp_path / "kept.csv", measure_ladder._Kept.write, 0

    def fill_up(file: measure_ladder._Kept, text: str) -> None:
        nonlocal lines
        lines += 1
        if lines == 4:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        write(file, text)

    monkeypatch.setattr(measure_ladder._Kept, "write", fill_up)
    words = ("ladder", "calibrate", ladder, "--propose", "8", "--bench", metered, "--save", kept)
    ended = rungwise(*words)
    assert ended.status == 3
    said = f"{kept}: cannot be written on: {os.strerror(errno.ENOSPC)}; the ladder is parked"
    assert said in ended.err
    assert len(kept.read_text(encoding="utf-8").splitlines()) == 2 + 2  # two heads, two states
    [record] = [load_record(path) for path in Path("runs").iterdir()]
    assert record.closing is not None
    assert record.closing["relays"] == "the ladder is parked"


def test_a_check_at_a_bench_needs_a_file_to_keep_and_one_source(
    rungwise: Run, ladder: Path, metered: Path, write: Write, tmp_path: Path
) -> None:
    calibration = tmp_path / "c.toml"
    rungwise(
        *("ladder", "calibrate", ladder, "--readings", write("r.csv", READINGS)),
        *("--common-percent", "0", "--out", calibration),
    )
    check = ("ladder", "check", ladder, "--calibration", calibration, "--bench", metered)
    assert "go together" in rungwise(*check).err
    kept = write("kept.csv", "")
    assert "one of the two" in rungwise(*check, "--readings", kept, "--save", kept).err
    there = rungwise(*check, "--save", kept)
    assert there.status == 2
    assert "exists already" in there.err
    assert not (tmp_path / "runs").exists()


def test_a_meter_that_cannot_be_reached_ends_it_before_a_relay_moves(
    rungwise: Run, ladder: Path, write: Write, metered: Path, tmp_path: Path
) -> None:
    text = metered.read_text(encoding="utf-8")
    gone = write("gone.toml", text.replace("kind = 'simulated'", "port = '/dev/nothing-here'"))
    ended = rungwise(
        *("ladder", "calibrate", ladder, "--propose", "5", "--bench", gone),
        *("--save", tmp_path / "kept.csv"),
    )
    assert ended.status == 3
    assert "meter at /dev/nothing-here: there is no such port" in ended.err
    assert "nothing was driven" in ended.err


def test_nonsense_is_asked_again_and_a_doubtful_value_has_to_be_confirmed(
    rungwise: Run, ladder: Path, bench: Path, typed: Callable[..., None], tmp_path: Path
) -> None:
    typed("y", "nan", "-3", "9000", "0.05", "skip", "9000", "y", "stop")
    kept = tmp_path / "kept.csv"
    ended = rungwise(
        "ladder", "calibrate", ladder, "--propose", "5", "--bench", bench, "--save", kept
    )
    assert ended.status == 130
    rows = [row for row in kept.read_text(encoding="utf-8").splitlines() if row.startswith("0x")]
    assert [float(row.split(",")[1]) for row in rows] == [0.05, 9000.0]
    assert "the ladder is parked" in ended.err


def test_the_end_of_the_input_stops_and_parks(
    rungwise: Run, ladder: Path, bench: Path, typed: Callable[..., None], tmp_path: Path
) -> None:
    typed("0.0")
    ended = rungwise(
        *("ladder", "calibrate", ladder, "--propose", "5", "--bench", bench),
        *("--save", tmp_path / "kept.csv", "--json"),
    )
    assert ended.status == 130
    assert ended.document["ended"] == "stopped"
    assert ended.document["relays"] == "the ladder is parked"


def test_real_relays_wait_for_the_cautions(
    rungwise: Run, sweeps: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("sys.stdin", io.StringIO(""))
    kept = tmp_path / "kept.csv"
    ended = rungwise(
        *("ladder", "calibrate", sweeps / "ladders" / "bench-16.toml", "--propose", "20"),
        *("--bench", sweeps / "benches" / "serial-example.toml", "--save", kept),
    )
    assert ended.status == 2
    assert "Engine off" in ended.err
    assert not kept.exists()


@pytest.mark.parametrize(
    "words",
    [
        [],
        ["--propose", "6", "--readings", "r.csv"],
        ["--propose", "0"],
        ["--propose", "3"],
        ["--propose", "100000000"],
        ["--propose", "6", "--bench", "bench.toml"],
        ["--readings", "r.csv", "--bench", "bench.toml", "--save", "s.csv"],
        ["--readings", "nowhere.csv"],
        ["--readings", "r.csv", "--date", "yesterday"],
        ["--readings", "r.csv", "--ambient", "warm"],
        ["--readings", "r.csv", "--common-percent", "-1"],
        ["--readings", "r.csv", "--previous", "ladder.toml"],
        ["--propose", "6", "--meter-percent", "0", "--meter-ohms", "0"],
        ["--readings", "negative.csv"],
        ["--readings", "percent.csv"],
    ],
)
def test_bad_input_is_refused(
    rungwise: Run, ladder: Path, bench: Path, write: Write, words: list[str]
) -> None:
    write("r.csv", READINGS)
    write("negative.csv", READINGS.replace("100.50", "-100.50"))
    write("percent.csv", READINGS.replace("uncertainty_ohms", "uncertainty_percent"))
    ended = rungwise("ladder", "calibrate", ladder, *words, "--json")
    assert ended.status == 2
    assert ended.document["error"]["problems"]


def test_a_bench_with_another_ladder_is_refused(
    rungwise: Run, ladder: Path, sweeps: Path, tmp_path: Path
) -> None:
    ended = rungwise(
        *("ladder", "calibrate", ladder, "--propose", "6", "--save", tmp_path / "s.csv"),
        *("--bench", sweeps / "benches" / "typed.toml"),
    )
    assert ended.status == 2
    assert "drives another ladder" in ended.err
    assert not (tmp_path / "s.csv").exists()


@pytest.fixture
def calibration(rungwise: Run, ladder: Path, write: Write, tmp_path: Path) -> Path:
    path = tmp_path / "c.toml"
    rungwise("ladder", "calibrate", ladder, "--readings", write("r.csv", READINGS), "--out", path)
    return path


def test_a_check_names_its_states_and_then_judges_them(
    rungwise: Run, ladder: Path, calibration: Path, write: Write
) -> None:
    asked = rungwise("ladder", "check", ladder, "--calibration", calibration, "--json").document
    assert len(asked["states"]) == 4
    rows = [line for line in asked["csv"].splitlines() if not line.startswith("#")]
    good = write("good.csv", "\n".join([rows[0], *map(_filled, rows[1:])]))
    words = ("ladder", "check", ladder, "--calibration", calibration, "--readings")
    held = rungwise(*words, good)
    assert held.status == 0
    assert "still holds" in held.out
    part = write("part.csv", "\n".join([rows[0], *map(_filled, rows[1:3])]))
    undecided = rungwise(*words, part, "--json")
    assert undecided.status == 4
    assert len(undecided.document["missing"]) == 2
    state, _, u, expected = rows[2].split(",")
    off = write("off.csv", f"{rows[0]}\n{state},{float(expected) + 1},{u},{expected}\n")
    moved = rungwise(*words, off, "--json")
    assert moved.status == 1
    assert moved.document["spots"][0]["difference_ohms"] == pytest.approx(1, abs=0.01)


def test_a_check_needs_a_calibration_of_this_ladder(
    rungwise: Run, calibration: Path, sweeps: Path
) -> None:
    other = sweeps / "ladders" / "bench-16.toml"
    assert rungwise("ladder", "check", other, "--calibration", calibration).status == 2
    assert rungwise("ladder", "check", other, "--calibration", other).status == 2


def test_a_state_can_be_set_by_its_number(rungwise: Run, bench: Path) -> None:
    ended = rungwise("set", "0x0e", "--bench", bench, "--json")
    assert ended.status == 0
    assert ended.document["state"] == "0x000e"
    assert ended.document["achieved_ohms"] == pytest.approx(100)
    assert rungwise("set", "0xff", "--bench", bench).status == 2
