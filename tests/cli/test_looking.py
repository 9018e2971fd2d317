"""`input check`, `input timing` and `input wiggle` from the command line."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

Run = Callable[..., Any]
Write = Callable[[str, str], Path]

BENCH = """\
format = "rungwise-bench/1"
ladder = "{sweeps}/ladders/bench-16.toml"
[link]
kind = "simulated"
[readback]
kind = "simulated"
[simulation]
module = "{sweeps}/modules/tern-aux-diesel.toml"
"""
SENSE = "[sense]\nload_ohms = 1e7\nvolts_per_volt = 2\n"


@pytest.fixture
def bench(write: Write, sweeps: Path) -> Path:
    return write("bench.toml", BENCH.format(sweeps=sweeps) + SENSE)


def test_an_input_is_told_with_its_short_circuit_current(rungwise: Run, bench: Path) -> None:
    ended = rungwise("input", "check", "--bench", bench, "--record", "r.jsonl", "--json")
    assert ended.status == 0, ended.err
    said = ended.document
    assert said["pullup_ohms"] == pytest.approx(2490, abs=said["pullup_uncertainty_ohms"])
    assert said["short_circuit_amperes"] == pytest.approx(5 / 2490, rel=0.05)
    assert [one["kind"] for one in said["events"]] == ["sensed", "sensed"]
    lines = [json.loads(line) for line in Path("r.jsonl").read_text().splitlines()]
    assert [line["volts"] for line in lines if line["type"] == "sensed"] == [
        one["volts"] for one in said["events"]
    ]
    assert rungwise("validate", "r.jsonl").status == 0


def test_the_module_file_takes_over_what_was_measured(
    rungwise: Run, bench: Path, write: Write, sweeps: Path
) -> None:
    text = (sweeps / "modules" / "tern-aux-diesel.toml").read_text(encoding="utf-8")
    old = write("old.toml", text.replace("../sensors", str(sweeps / "sensors")))
    new = old.with_name("new.toml")
    ended = rungwise("input", "check", "--bench", bench, "--module", old, "--out", new)
    assert ended.status == 0, ended.err
    changed = [
        line
        for line, before in zip(
            new.read_text().splitlines(), old.read_text().splitlines(), strict=True
        )
        if line != before
    ]
    assert [line.split(" ")[0] for line in changed] == ["reference_volts", "pullup_ohms"]
    assert rungwise("validate", new).status == 0
    again = rungwise("input", "check", "--bench", bench, "--module", old, "--out", new)
    assert (again.status, "exists already" in again.err) == (2, True)
    for words in (["--out", "x.toml"], ["--module", old, "--out", "sub/x.toml"]):
        assert rungwise("input", "check", "--bench", bench, *words).status == 2


def test_a_tap_that_loads_the_input_is_warned_of(rungwise: Run, write: Write, sweeps: Path) -> None:
    text = BENCH.format(sweeps=sweeps) + SENSE.replace("1e7", "200000")
    ended = rungwise("input", "check", "--bench", write("b.toml", text))
    assert ended.status == 0
    assert "the tap loads the input with 2e+05 ohm" in ended.err


def test_without_sense_it_says_what_to_write(rungwise: Run, write: Write, sweeps: Path) -> None:
    bare = write("b.toml", BENCH.format(sweeps=sweeps))
    ended = rungwise("input", "check", "--bench", bare)
    assert ended.status == 2
    assert "[sense] with load_ohms" in ended.err


def test_timing_says_what_a_plan_needs(rungwise: Run, bench: Path) -> None:
    ended = rungwise("input", "timing", "--bench", bench)
    assert ended.status == 0, ended.err
    assert "at_most_s of" in ended.out
    assert "refresh_s = 0.00" in ended.out


def test_wiggling_a_good_connector_passes_and_bad_words_are_refused(
    rungwise: Run, bench: Path
) -> None:
    ended = rungwise("input", "wiggle", "20degC", "--bench", bench, "--record", "w.jsonl")
    assert ended.status == 0, ended.err
    assert "No jump in 60 s" in ended.out
    assert "now move connector and harness" in ended.err
    assert rungwise("validate", "w.jsonl").status == 0
    short = rungwise("input", "wiggle", "2k5", "--bench", bench, "--for", "5", "--json")
    assert short.status == 4
    assert short.document["jumps"] == 0
    assert rungwise("input", "wiggle", "2k5", "--bench", bench, "--for", "0").status == 2


@pytest.mark.parametrize("verb", [["check"], ["timing"], ["wiggle", "2k5"]])
def test_real_relays_wait_for_the_cautions(
    rungwise: Run, write: Write, sweeps: Path, verb: list[str]
) -> None:
    text = BENCH.format(sweeps=sweeps).replace(
        '[link]\nkind = "simulated"', '[link]\nkind = "serial"\nurl = "/dev/nothing-here"'
    )
    ended = rungwise("input", *verb, "--bench", write("b.toml", text + SENSE), "--record", "r")
    assert not Path("r").exists()
    assert ended.status == 2
    assert "drives nothing" in ended.err or "cautions have been confirmed" in ended.err
