"""Plans with two inputs from the command line: every verb that takes one, and what is refused."""

from __future__ import annotations

import csv
import io
import json
import os
import subprocess
import sys
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest

from controller.records.reader import load_record
from controller.run.model import Reason

PLAN = "coolant-and-air.toml"
BOTH = ("coolant", "air")


@pytest.fixture
def record(rungwise, sweeps, tmp_path):
    ended = rungwise("sweep", sweeps / PLAN, "--record", tmp_path / "run.jsonl", "--json")
    assert ended.status == 0
    return tmp_path / "run.jsonl"


@pytest.fixture
def corroded(rungwise, sweeps, tmp_path):
    """A record in which the air input has a corroded connector and the coolant input is sound."""
    text = (sweeps / "benches/simulated-pair.toml").read_text().replace('"../', f'"{sweeps}/')
    bench = tmp_path / "bench.toml"
    bench.write_text(f'{text}\n[[second.fault]]\nkind = "series-resistance"\nohms = 900\n')
    ended = rungwise(
        "sweep", sweeps / PLAN, "--bench", bench, "--record", tmp_path / "bad.jsonl", "--json"
    )
    assert ended.status == 1
    return tmp_path / "bad.jsonl"


def test_the_plan_shows_both_ladders_step_by_step(rungwise, sweeps):
    document = rungwise("plan", sweeps / PLAN, "--json").document
    assert [s["target_celsius"] for s in document["steps"]] == [
        s["target_celsius"] for s in document["second"]["steps"]
    ]
    assert (document["input"], document["second"]["input"]) == BOTH
    assert sum(document["second"]["operations_per_relay"]) == document["second"]["relay_operations"]
    said = rungwise("plan", sweeps / PLAN, "--paths", "--budget").out
    assert said.index("coolant:") < said.index("air:")


def test_a_run_tells_of_both_and_its_replay_meets_it(rungwise, record):
    lines = [json.loads(line) for line in record.read_text().splitlines()]
    assert {line.get("input") for line in lines if line["type"] == "reading"} == {None, 2}
    document = rungwise("replay", record, "--json").document
    assert document["same"]
    assert document["run_again"]
    assert all("second" in step for step in document["replayed_steps"])


def test_a_replay_sees_a_reading_of_the_second_input_that_was_changed(record):
    from controller.records.replay import replay

    sound = load_record(record)
    for line in sound.lines:
        if line["type"] == "step" and line["index"] == 2:
            line["second"]["reported_celsius"] += 1.0
    changed = [str(one) for one in replay(sound).differences]
    assert changed
    assert all("second input's" in one or "difference_celsius" in one for one in changed)


def test_a_run_that_was_cut_off_goes_on_with_both(rungwise, sweeps, record, tmp_path):
    lines = record.read_bytes().splitlines(keepends=True)
    second = [i for i, line in enumerate(lines) if json.loads(line)["type"] == "step"][1]
    record.write_bytes(b"".join(lines[: second + 1]))
    ended = rungwise("sweep", sweeps / PLAN, "--record", record, "--resume", "--json")
    assert ended.status == 0
    assert [step["index"] for step in ended.document["steps"]] == [0, 1, 2, 3]
    assert all(step["second"]["verdict"] == "pass" for step in ended.document["steps"])
    assert rungwise("replay", record, "--json").document["same"]


def test_the_worse_verdict_counts_and_each_input_has_its_diagnosis(rungwise, corroded):
    closing = json.loads(corroded.read_text().splitlines()[-1])
    assert closing["verdict"] == "fail"
    assert closing["sentence"].startswith("air: ")
    ended = rungwise("diagnose", corroded, "--json")
    assert ended.status == 1
    assert ended.document["best"]["kind"] == "healthy"
    assert ended.document["second"]["best"]["kind"] == "series-resistance"
    found = ended.document["second"]["best"]["parameters"]["series_ohms"]
    assert found["low"] <= 900 <= found["high"]


def test_table_text_page_and_test_cases_name_both(rungwise, sweeps, corroded, tmp_path):
    rows = list(csv.DictReader(io.StringIO(rungwise("export", corroded).out)))
    assert [row["input"] for row in rows] == [*BOTH] * 4
    assert {row["verdict"] for row in rows if row["input"] == "coolant"} == {"pass"}
    assert "fail" in {row["verdict"] for row in rows if row["input"] == "air"}
    text = rungwise("report", corroded).out
    assert all(f"Input {name}" in text for name in BOTH)
    assert rungwise("report", corroded, "--output", tmp_path / "r.html").status == 0
    page = (tmp_path / "r.html").read_text()
    assert all(f"Input {name}" in page for name in BOTH)
    assert page.count("<h3>Diagnosis</h3>") == 2 or page.count("Diagnosis<") == 2
    bench = tmp_path / "bench.toml"
    again = ("sweep", sweeps / PLAN, "--bench", bench, "--record", tmp_path / "c.jsonl")
    rungwise(*again, "--junit", tmp_path / "j.xml")
    suite = ET.parse(tmp_path / "j.xml").getroot()
    names = [case.get("name") for case in suite.iter("testcase")]
    assert len(names) == 8 == int(suite.get("tests"))
    failed = {
        case.get("name") for case in suite.iter("testcase") if case.find("failure") is not None
    }
    assert failed
    assert all(", air" in name or "air, " in name for name in failed)


def test_an_archive_holds_a_run_for_each_input(rungwise, corroded, tmp_path):
    assert rungwise("archive", "add", "--archive", tmp_path / "a", corroded).status == 0
    ask = ("archive", "ask", "--archive", tmp_path / "a", "--json", "--sql")
    runs = rungwise(*ask, "SELECT sensor, verdict FROM runs ORDER BY sensor").document["rows"]
    assert runs == [
        {"sensor": "Tern coolant sensor", "verdict": "pass"},
        {"sensor": "Tern intake air sensor", "verdict": "fail"},
    ]


def test_inputs_that_disagree_still_do_when_an_archive_is_judged_again(
    rungwise, sweeps, write, tmp_path
):
    """What `run.judging` says of the pair stands: no reading has changed, nor any rule."""
    text = (sweeps / PLAN).read_text()
    for folder in ("sensors/", "modules/", "benches/"):
        text = text.replace(f'"{folder}', f'"{sweeps}/{folder}')
    plan = write("plan.toml", text.replace("difference_celsius = 4", "difference_celsius = 0.001"))
    run = rungwise("sweep", plan, "--record", tmp_path / "run.jsonl", "--json")
    assert run.status != 0  # and so by their difference alone: the run with 4 degC passes
    archive = ("--archive", tmp_path / "a")
    assert rungwise("archive", "add", *archive, tmp_path / "run.jsonl").status == 0
    rows = rungwise(
        "archive", "ask", *archive, "--json", "--sql",
        "SELECT reason, count(*) AS n FROM steps WHERE verdict <> 'pass' GROUP BY reason",
    ).document["rows"]  # fmt: skip
    assert [one["reason"] for one in rows] == [Reason.DISAGREE.value]
    for tolerance, turned in (("4", []), ("30", []), ("0.001", ["pass"])):
        said = rungwise("archive", "judge", *archive, "--tolerance", tolerance, "--json").document
        assert [one["before"] for one in said["turned"] if one["before"] == "pass"] == turned
        assert not [one for one in said["turned"] if one["after"] == "pass"]


TYPED = """
format = "rungwise-bench/1"
ladder = "S/ladders/bench-16.toml"
link.kind = "simulated"
readback.kind = "typed"
simulation.module = "S/modules/tern-aux-diesel.toml"
[second]
ladder = "S/ladders/designed-18.toml"
link.kind = "simulated"
readback.kind = "typed"
simulation.module = "S/modules/tern-aux-diesel-air.toml"
"""


def test_a_person_is_asked_for_each_input_by_name(sweeps, write, tmp_path):
    bench = write("bench.toml", TYPED.replace("S/", f"{sweeps}/"))
    words = ("sweep", sweeps / PLAN, "--bench", bench, "--yes", "--json")
    ended = subprocess.run(
        [sys.executable, "-m", "controller.cli", *map(str, words)],
        cwd=tmp_path,
        input="".join(f"{celsius}\n{celsius}\n" for celsius in (10, 20, 30, 40)),
        env={**os.environ, "PYTHONPATH": str(sweeps.parent)},
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )
    assert ended.returncode == 0, ended.stderr
    asked = [line for line in ended.stderr.splitlines() if "what temperature" in line]
    assert [("for coolant" in line, "for air" in line) for line in asked] == [
        (True, False),
        (False, True),
    ] * 4


# What is refused before anything is driven

SECOND = """
[second]
sensor = "S/sensors/tern-air.toml"
"""
HEAD = """
format = "rungwise-plan/1"
kind = "KIND"
sensor = "S/sensors/tern-coolant.toml"
tolerance_celsius = 3
"""
SWEEP = HEAD.replace("KIND", "sweep") + '[[targets]]\ncelsius = [20, 40, "open"]\n'


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (SWEEP + SECOND, "needs to say what the second input gets"),
        (SWEEP + SECOND + "follows = true\nhold_celsius = 3", "needs to say what the second"),
        (SWEEP + SECOND + "celsius = [1, 2]", "2 targets, but the first input has 3 steps"),
        (SWEEP + SECOND + "follows = true\noffset_celsius = 90", "130 degC is outside the span"),
        (SWEEP + SECOND + "hold_celsius = 20\noffset_celsius = 1", "belongs to follows = true"),
        (SWEEP + SECOND + 'follows = true\ninput = "first input"', "both inputs are called"),
        ('input = "x"' + SWEEP, "has no use without a second input"),
        (SWEEP + SECOND + "folows = true", "did you mean follows?"),
        (
            HEAD.replace("KIND", "profile")
            + "[profile]\npoints = [[0, 20], [9, 30]]\nstep_celsius = 1"
            + SECOND
            + "follows = true",
            "has no use in a plan of kind 'profile'",
        ),
    ],
)
def test_a_second_input_that_makes_no_sense_is_refused(rungwise, write, sweeps, text, said):
    plan = write("plan.toml", text.replace("S/", f"{sweeps}/"))
    ended = rungwise("plan", plan)
    assert ended.status == 2
    assert said in ended.err


PAIR = """
format = "rungwise-bench/1"
ladder = "S/ladders/bench-16.toml"
hold_off_ms = 2000
link = { kind = "serial", url = "/dev/ttyUSB0" }
readback.kind = "typed"
[second]
ladder = "S/ladders/designed-18.toml"
hold_off_ms = 2000
link = { kind = "serial", url = "/dev/ttyUSB1" }
readback.kind = "typed"
"""


@pytest.mark.parametrize(
    ("was", "now", "said"),
    [
        ("ttyUSB1", "ttyUSB0", "both ladders cannot stand at one port, /dev/ttyUSB0"),
        ('2000\nlink = { kind = "serial", url = "/dev/ttyUSB1"', None, None),
        ("hold_off_ms = 2000", "hold_off_ms = 1200", "1200 ms may run out while the other"),
        ("[second]", "[second]\nmeter.prt = 'x'", "second.meter.prt: unknown key"),
    ],
)
def test_two_ladders_that_cannot_share_a_run_are_refused(rungwise, write, sweeps, was, now, said):
    text = PAIR.replace("S/", f"{sweeps}/")
    bench = write("bench.toml", text if now is None else text.replace(was, now))
    ended = rungwise("plan", sweeps / PLAN, "--bench", bench)
    if said is None:
        assert ended.status == 0, ended.err
    else:
        assert ended.status == 2
        assert said in ended.err


OVER_CAN = """{ kind = "can", interface = "slcan", channel = "/dev/ttyACM0", bitrate = 500000,
quantity = "QUANTITY" }""".replace("\n", " ")


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({}, None),
        ({"intake-air": "coolant"}, "both inputs would be read as coolant"),
        (
            {'500000, quantity = "i': '250000, quantity = "i'},
            "second.readback.bitrate: both",
        ),
        ({'"can"': '"j1939"'}, "is heard for one input only on a bus: /dev/ttyACM0"),
    ],
)
def test_one_bus_serves_both_inputs_of_one_module(rungwise, write, sweeps, changes, said):
    first, second = PAIR.replace("S/", f"{sweeps}/").split("[second]")
    for old, new in {'readback.kind = "typed"': f"readback = {OVER_CAN}"}.items():
        first = first.replace(old, new.replace("QUANTITY", "coolant"))
        second = second.replace(old, new.replace("QUANTITY", "intake-air"))
    text = f"{first}[second]{second}"
    for old, new in changes.items():
        text = text.replace(old, new)
    ended = rungwise("plan", sweeps / PLAN, "--bench", write("bench.toml", text))
    if said is None:
        assert ended.status == 0, ended.err
    else:
        assert ended.status == 2
        assert said in ended.err


def test_one_ladder_of_two_is_named(rungwise, sweeps, tmp_path):
    pair = sweeps / "benches/simulated-pair.toml"
    alone = sweeps / "ladders/designed-18.toml"
    wanted = rungwise("nearest", alone, "1k5", "--json").document["results"][0]
    record = tmp_path / "second.jsonl"
    ended = rungwise("set", "1k5", "--bench", pair, "--input", "2", "--json", "--record", record)
    assert (ended.status, ended.document["state"]) == (0, wanted["state"])
    assert ended.document["achieved_ohms"] == pytest.approx(wanted["ohms"])
    assert rungwise("validate", record).status == 0
    first = rungwise("set", "1k5", "--bench", pair, "--json")
    assert first.document["state"] != wanted["state"]
    for verb in (
        ("ladder", "self-test"),
        ("input", "wiggle", "1k5", "--for", "1"),
        ("input", "timing"),
    ):
        assert rungwise(*verb, "--bench", pair, "--input", "2", "--json").status in (0, 4)


def test_an_input_that_the_bench_has_not_is_refused(rungwise, sweeps):
    alone = sweeps / "benches/simulated.toml"
    for words in (("--bench", alone), ()):
        ended = rungwise("set", "1k5", *words, "--input", "2")
        assert ended.status == 2
        assert "--input:" in ended.err
    assert rungwise("set", "1k5", "--input", "3").status == 2


def test_the_second_input_is_looked_at_by_its_own_tap(rungwise, write, sweeps):
    text = (sweeps / "benches/simulated-pair.toml").read_text().replace("../", f"{sweeps}/")
    tap = "{ load_ohms = 1e7, scale_percent = 0.5, volts_per_volt = 2 }"
    bench = write("bench.toml", text.replace("[second]", f"[second]\nsense = {tap}"))
    ended = rungwise("input", "check", "--bench", bench, "--input", "2", "--json")
    assert ended.status == 0, ended.err
    assert ended.document["pullup_ohms"] == pytest.approx(2490, rel=0.02)
    assert rungwise("input", "check", "--bench", bench).status == 2  # the first one has none
    found = rungwise("ladder", "self-test", "--bench", bench, "--input", "2", "--json")
    assert (found.status, found.document["by"]) == (0, "sense")


def test_a_plan_with_two_inputs_needs_a_bench_with_two_ladders(rungwise, sweeps):
    ended = rungwise("sweep", sweeps / PLAN, "--bench", sweeps / "benches/simulated.toml")
    assert ended.status == 2
    assert "has no second ladder" in ended.err


def test_a_plan_for_one_input_leaves_the_second_ladder_alone(rungwise, sweeps, tmp_path):
    pair, alone = (sweeps / f"benches/{name}.toml" for name in ("simulated-pair", "simulated"))
    plan = sweeps / "coolant-quick.toml"
    both = rungwise("sweep", plan, "--bench", pair, "--json", "--record", tmp_path / "a.jsonl")
    one = rungwise("sweep", plan, "--bench", alone, "--json", "--record", tmp_path / "b.jsonl")
    assert both.document["steps"] == one.document["steps"]
    assert '"second":{' not in (tmp_path / "a.jsonl").read_text()


def test_readings_that_name_no_input_are_refused(rungwise, sweeps):
    ended = rungwise("sweep", sweeps / PLAN, "--readings", "later")
    assert ended.status == 2
    assert "do not say of which input" in ended.err


def test_a_second_ladder_that_is_read_later_is_refused(rungwise, write, sweeps):
    text = TYPED.replace("S/", f"{sweeps}/")
    at = text.rindex('"typed"')
    bench = write("bench.toml", f'{text[:at]}"later"{text[at + 7 :]}')
    ended = rungwise("plan", sweeps / PLAN, "--bench", bench)
    assert ended.status == 2
    assert "do not say of which input" in ended.err


def test_ratings_and_shorts_are_looked_at_on_either_ladder(rungwise, write, sweeps):
    plan = write(
        "plan.toml",
        (SWEEP.replace('"open"', '"short"') + SECOND + "follows = true\n").replace(
            "S/", f"{sweeps}/"
        ),
    )
    ended = rungwise("sweep", plan)
    assert ended.err.count("A short circuit draws") + ended.err.count("short-circuit current") >= 2
    text = (sweeps / "ladders/designed-18.toml").read_text()
    frail = write(
        "frail.toml", text.replace("max_current_amperes = 0.1", "max_current_amperes = 1e-5")
    )
    bench = (sweeps / "benches/simulated-pair.toml").read_text()
    bench = bench.replace("../ladders/designed-18.toml", str(frail)).replace('"../', f'"{sweeps}/')
    ended = rungwise("plan", sweeps / PLAN, "--bench", write("bench.toml", bench))
    assert ended.status == 2
    assert "air, step" in ended.err


def test_the_screen_says_which_command_runs_it(sweeps, tmp_path):
    from controller.errors import InputError
    from controller.tui.preparing import ready

    with pytest.raises(InputError, match="run from the command line") as refused:
        ready(Path(sweeps / PLAN), None, tmp_path)
    assert f"rungwise sweep {sweeps / PLAN}" in str(refused.value)


def test_a_played_record_shows_the_first_input(record):
    from controller.records.decode import results_of
    from controller.tui.playback import film_at

    film, opening = film_at(record)
    results = results_of(load_record(record))
    shown = {film.at(position).driven_ohms for position in range(film.last + 1)} - {None}
    assert shown == {one.step.achieved_ohms for one in results}
    assert opening.opening["plan"]["second"]["input"] == "air"
