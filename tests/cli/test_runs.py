"""Sweep, check, plan, set, diagnose, export and report, run on the simulated bench."""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from controller.records.reader import load_record

PLAN_FIELDS = {
    "index",
    "kind",
    "target_celsius",
    "target_ohms",
    "state",
    "achieved_ohms",
    "achieved_celsius",
    "uncertainty_celsius",
    "excursion_celsius",
    "path",
}
RESULT_FIELDS = PLAN_FIELDS | {"reported_celsius", "error_celsius", "verdict", "settled"}
Run = Callable[..., Any]


@pytest.fixture
def sweep(sweeps: Path) -> Path:
    return sweeps / "coolant-sweep.toml"


@pytest.fixture
def check(sweeps: Path) -> Path:
    return sweeps / "coolant-check.toml"


@pytest.fixture
def corroded(sweeps: Path) -> Path:
    return sweeps / "benches" / "simulated-corroded.toml"


def _is_state(text: str) -> bool:
    return re.fullmatch(r"0x[0-9a-f]+", text) is not None


def test_plan_has_the_fields_of_the_contract(rungwise: Run, check: Path) -> None:
    ended = rungwise("plan", check, "--json")
    assert ended.status == 0
    document = ended.document
    assert {"steps", "worst_excursion_celsius", "relay_operations"} <= set(document)
    assert [step["kind"] for step in document["steps"]] == ["open", "temperature", "short"]
    for index, step in enumerate(document["steps"]):
        assert set(step) >= PLAN_FIELDS
        assert step["index"] == index
        assert _is_state(step["state"])
        for one in step["path"]:
            assert set(one) == {"state", "hold_ms"}
            assert _is_state(one["state"])
            assert 1 <= one["hold_ms"] <= 5000
        if step["path"]:
            assert step["path"][-1]["state"] == step["state"]
    opened, middle, shorted = document["steps"]
    assert opened["target_celsius"] is None
    assert opened["achieved_ohms"] is None
    assert shorted["target_celsius"] is None
    assert shorted["achieved_ohms"] < 1
    assert middle["achieved_celsius"] == pytest.approx(40, abs=0.5)


def test_plan_drives_nothing_and_leaves_nothing(rungwise: Run, sweep: Path, tmp_path: Path) -> None:
    shown = rungwise("plan", sweep)
    assert shown.status == 0
    assert len(shown.out.splitlines()) == 61 + 4
    assert list(tmp_path.iterdir()) == []


def test_a_sweep_of_a_healthy_module_passes(rungwise: Run, sweep: Path) -> None:
    ended = rungwise("sweep", sweep, "--json")
    assert ended.status == 0
    document = ended.document
    assert document["verdict"] == "pass"
    assert len(document["steps"]) == 61
    for step in document["steps"]:
        assert set(step) >= RESULT_FIELDS
        assert step["verdict"] == "pass"
        assert step["settled"] is True
        assert step["error_celsius"] == pytest.approx(
            step["reported_celsius"] - step["expected_celsius"]
        )
    record = load_record(Path(document["record"]))
    assert record.closing is not None
    assert record.closing["relays"] == "the ladder is parked"
    assert document["record"].startswith("runs/coolant-sweep-")


def test_a_corroded_connector_fails_and_is_named(
    rungwise: Run, sweep: Path, corroded: Path
) -> None:
    ended = rungwise("sweep", sweep, "--bench", corroded, "--record", "r.jsonl", "--json")
    assert ended.status == 1
    assert ended.document["verdict"] == "fail"
    found = rungwise("diagnose", "r.jsonl", "--json").document
    assert found["best"]["kind"] == "series-resistance"
    series = found["best"]["parameters"]["series_ohms"]
    assert series["low"] <= 150 <= series["high"]
    assert found["distinguishable"] is True
    assert {"kind", "score"} <= set(found["hypotheses"][0])
    assert {one["kind"] for one in found["hypotheses"]} >= {
        "healthy",
        "series-resistance",
        "leakage-to-ground",
        "gain",
        "curve-offset",
    }


def test_diagnose_takes_readings_written_by_hand(
    rungwise: Run, write: Callable[..., Path], sweeps: Path
) -> None:
    # The module sees what was put in and 100 ohm of a corroded pin more.
    sensor = sweeps / "sensors" / "tern-coolant.toml"
    asked = [f"--at={celsius}" for celsius in range(0, 101, 10)]
    points = rungwise("curve", sensor, *asked, "--json").document["points"]
    rows = "".join(f"{p['ohms'] - 100:.1f},{p['celsius']:.0f}\n" for p in points)
    file = write("readings.csv", "ohms,reported_celsius\n" + rows)
    ended = rungwise("diagnose", file, "--plan", sweeps / "coolant-sweep.toml", "--json")
    assert ended.status == 1
    assert ended.document["best"]["kind"] == "series-resistance"
    series = ended.document["best"]["parameters"]["series_ohms"]
    assert series["low"] <= 100 <= series["high"]
    assert rungwise("diagnose", file).status == 2


def test_the_check_says_the_short_circuit_first(rungwise: Run, check: Path) -> None:
    ended = rungwise("check", check)
    assert ended.status == 0
    first = ended.err.splitlines()[0]
    # Common practice, no source: a short draws Vref/Rp; 5 V behind 2.49 kohm is 2.01 mA.
    assert "2.01 mA" in first
    assert "mW" in first
    assert ended.out.splitlines()[-1].startswith("PASS: ")


def test_a_plan_of_the_other_kind_is_refused(rungwise: Run, sweep: Path, check: Path) -> None:
    for verb, plan in (("check", sweep), ("sweep", check)):
        ended = rungwise(verb, plan)
        assert ended.status == 2
        assert "run it with: rungwise" in ended.err


def test_an_existing_record_is_not_overwritten(
    rungwise: Run, check: Path, write: Callable[..., Path]
) -> None:
    path = write("r.jsonl", "mine")
    ended = rungwise("check", check, "--record", path)
    assert ended.status == 2
    assert path.read_text(encoding="utf-8") == "mine"


def test_undecided_is_an_exit_status_of_its_own(
    rungwise: Run, sweeps: Path, write: Callable[..., Path]
) -> None:
    plan = write(
        "plan.toml",
        f"""\
format = "rungwise-plan/1"
kind = "sweep"
sensor = "{sweeps}/sensors/tern-coolant.toml"
module = "{sweeps}/modules/tern-aux-diesel.toml"
tolerance_celsius = 0.3
decision_rule = "guarded"
[settle]
within_celsius = 0.5
for_s = 1
at_most_s = 10
[[targets]]
celsius = [20]
""",
    )
    ended = rungwise("sweep", plan, "--json")
    assert ended.status == 4
    assert ended.document["verdict"] == "undecided"


def test_resuming_a_record_that_was_cut_off_gives_the_same_results(
    rungwise: Run, sweep: Path
) -> None:
    whole = rungwise("sweep", sweep, "--record", "whole.jsonl", "--json").document
    raws = Path("whole.jsonl").read_bytes().splitlines(keepends=True)
    steps = [number for number, raw in enumerate(raws) if json.loads(raw)["type"] == "step"]
    Path("cut.jsonl").write_bytes(b"".join(raws[: steps[20] + 2]) + b'{"seq":99,"torn')
    ended = rungwise("sweep", sweep, "--record", "cut.jsonl", "--resume", "--json")
    assert ended.status == 0
    resumed = ended.document
    assert resumed["verdict"] == "pass"
    assert resumed["sentence"] == whole["sentence"]
    for field in ("index", "reported_celsius", "error_celsius", "verdict", "state"):
        assert [s[field] for s in resumed["steps"]] == [s[field] for s in whole["steps"]]
    record = load_record(Path("cut.jsonl"))
    assert record.torn_bytes == 0
    assert record.closing is not None
    assert record.closing["passed"] == 61
    assert any(line.get("text") == "resumed" for line in record.lines)
    assert rungwise("replay", "cut.jsonl").status == 0
    again = rungwise("sweep", sweep, "--record", "cut.jsonl", "--resume")
    assert again.status == 2
    assert "nothing to resume" in again.err


def test_resuming_needs_a_record_and_the_same_bench(
    rungwise: Run, sweep: Path, corroded: Path
) -> None:
    assert rungwise("sweep", sweep, "--resume").status == 2
    rungwise("sweep", sweep, "--record", "r.jsonl")
    raws = Path("r.jsonl").read_bytes().splitlines(keepends=True)
    Path("cut.jsonl").write_bytes(b"".join(raws[:40]))
    ended = rungwise("sweep", sweep, "--bench", corroded, "--record", "cut.jsonl", "--resume")
    assert ended.status == 2
    assert "the bench is not the one" in ended.err


def test_fast_pace_is_refused_where_something_is_real(
    rungwise: Run, check: Path, sweeps: Path
) -> None:
    for bench in ("typed", "serial-example", "simulated-pty"):
        path = sweeps / "benches" / f"{bench}.toml"
        ended = rungwise("check", check, "--bench", path, "--pace", "fast", "--yes")
        assert ended.status == 2
        assert "--pace" in ended.err


def test_real_equipment_is_not_driven_without_a_yes(
    rungwise: Run, check: Path, sweeps: Path, tmp_path: Path
) -> None:
    ended = rungwise("check", check, "--bench", sweeps / "benches" / "serial-example.toml")
    assert ended.status == 2
    assert "Cooling fans can start without warning" in " ".join(ended.err.split())
    assert "2.01 mA" in ended.err
    assert "--yes" in ended.err
    assert list(tmp_path.iterdir()) == []


def test_a_port_that_is_not_there_is_a_link_fault_that_leaves_no_record(
    rungwise: Run, check: Path, sweeps: Path, write: Callable[..., Path]
) -> None:
    text = (sweeps / "benches" / "serial-example.toml").read_text(encoding="utf-8")
    text = text.replace("../", f"{sweeps}/").replace("/dev/ttyUSB0", "/dev/no-such-port")
    bench = write("bench.toml", text)
    ended = rungwise("check", check, "--bench", bench, "--record", "r.jsonl", "--yes", "--json")
    assert ended.status == 3
    assert ended.document["verdict"] == "undecided"
    assert ended.document["ended"] == "fault"
    assert ended.document["relays"] == "nothing was driven"
    assert ended.document["record"] is None
    assert not Path("r.jsonl").exists()


@pytest.mark.parametrize(
    ("value", "ohms", "celsius"),
    [
        ("2500ohm", 2500, None),
        ("2.5k", 2500, None),
        ("20degC", None, 20),
        ("68degF", None, 20),
        ("-4F", None, -20),
        ("short", 0, None),
    ],
)
def test_set_makes_what_is_asked_for(
    rungwise: Run, value: str, ohms: float | None, celsius: float | None
) -> None:
    ended = rungwise("set", value, "--json")
    assert ended.status == 0
    document = ended.document
    assert _is_state(document["state"])
    assert document["relays"] == "the ladder is parked"
    if ohms is not None:
        assert document["achieved_ohms"] == pytest.approx(ohms, abs=1.5)
    if celsius is not None:
        assert document["achieved_celsius"] == pytest.approx(celsius, abs=0.1)


def test_set_opens_and_parks(rungwise: Run) -> None:
    for value in ("open", "park"):
        document = rungwise("set", value, "--json").document
        assert document["achieved_ohms"] is None


@pytest.mark.parametrize("value", ["20", "warm", "-5ohm", "1e999ohm", "-300degC", "200degC", ""])
def test_set_refuses_what_it_cannot_mean(rungwise: Run, value: str) -> None:
    assert rungwise("set", value, "--json").status == 2


def test_set_keeps_a_record(rungwise: Run) -> None:
    assert rungwise("set", "2.5k", "--hold", "3", "--record", "r.jsonl").status == 0
    record = load_record(Path("r.jsonl"))
    assert [line["type"] for line in record.lines] == [
        "opening",
        "note",
        "note",
        "set",
        "set",
        "closing",
    ]
    assert record.lines[-1]["elapsed_s"] >= 3
    assert rungwise("replay", "r.jsonl").status == 2


def test_export_and_report(rungwise: Run, check: Path) -> None:
    rungwise("check", check, "--record", "r.jsonl")
    rows = list(csv.DictReader(io.StringIO(rungwise("export", "r.jsonl").out)))
    assert [row["kind"] for row in rows] == ["open", "temperature", "short"]
    assert rungwise("export", "r.jsonl", "--output", "r.csv").status == 0
    assert rungwise("export", "r.jsonl", "--output", "r.csv").status == 2
    assert Path("r.csv").read_text(encoding="utf-8").startswith("index,kind")
    report = rungwise("report", "r.jsonl")
    assert "Verdict: PASS" in report.out
    assert rungwise("report", "r.jsonl", "--json").document["report"] == report.out


def test_typed_readings_come_from_a_script(
    rungwise: Run, check: Path, sweeps: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench = sweeps / "benches" / "typed.toml"
    import os

    read, written = os.pipe()
    os.write(written, b"-40\n104F\nskip\n")
    os.close(written)
    keep = os.dup(0)
    os.dup2(read, 0)
    try:
        ended = rungwise("check", check, "--bench", bench, "--json")
    finally:
        os.dup2(keep, 0)
        os.close(keep)
        os.close(read)
    assert ended.status == 4
    steps = ended.document["steps"]
    assert [step["reported_celsius"] for step in steps] == [-40, pytest.approx(40), None]
    assert steps[2]["reason"] == "skipped"


def test_degf_is_shown_where_asked_and_never_in_json(rungwise: Run, check: Path) -> None:
    shown = rungwise("check", check, "--fahrenheit")
    assert "104.00" in shown.out
    document = rungwise("check", check, "--fahrenheit", "--json").document
    assert document["steps"][1]["target_celsius"] == 40


def test_links_lists_and_asks(rungwise: Run) -> None:
    ended = rungwise("links", "/dev/null", "--json")
    assert ended.status == 3
    (link,) = ended.document["links"]
    assert link["identity"] is None
    assert link["error"]
    assert rungwise("links", "--no-probe", "--json").status == 0


def test_colour_only_on_a_terminal(rungwise: Run, check: Path) -> None:
    assert "\x1b" not in rungwise("check", check).out
