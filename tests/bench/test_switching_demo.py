"""The demonstration: the same sweep by path and all at once, through the command line."""

from __future__ import annotations

import json
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest

from controller.bench.files import load_bench
from controller.bench.model import RelayMotion, Switching
from controller.cli.main import main
from controller.errors import InputError
from controller.ladder.files import load_ladder
from controller.ladder.path import switches_fast

SWEEPS = Path(__file__).parents[2] / "sweeps"
PLAN = SWEEPS / "carry-sweep.toml"
AT_ONCE = SWEEPS / "benches" / "carry-all-at-once.toml"
SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture
def document(capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)

    def run(*words: object) -> dict:
        status = main([*(str(word) for word in words), "--json"])
        captured = capsys.readouterr()
        found = json.loads(captured.out)
        return {**found, "status": status}

    return run


def test_all_at_once_sets_codes_and_by_path_none(document):
    by_path = document("sweep", PLAN)
    assert by_path["status"] == 0
    assert {code for step in by_path["steps"] for code in step["codes"]} == set()
    at_once = document("sweep", PLAN, "--bench", AT_ONCE)
    assert at_once["status"] == 0
    codes = {code for step in at_once["steps"] for code in step["codes"]}
    assert codes == {"P0117 coolant temperature circuit low"}
    # Nothing else differs: the same states, held by both.
    assert [s["state"] for s in at_once["steps"]] == [s["state"] for s in by_path["steps"]]
    assert all(len(step["path"]) <= 1 for step in at_once["steps"])
    assert max(s["excursion_celsius"] for s in at_once["steps"]) > 400
    assert max(s["excursion_celsius"] for s in by_path["steps"]) < 15


def test_a_run_all_at_once_is_replayed_to_the_same(document, tmp_path):
    record = tmp_path / "r.jsonl"
    document("sweep", PLAN, "--bench", AT_ONCE, "--record", record)
    replayed = document("replay", record)
    assert replayed["status"] == 0


def test_plan_shows_paths_operations_and_what_the_filter_leaves(document, capsys):
    shown = document("plan", PLAN)
    carry = shown["steps"][1]
    assert (carry["state"], len(carry["path"])) == ("0x8000", 16)
    assert 0 < carry["filtered_excursion_celsius"] <= carry["excursion_celsius"] + 1e-9
    assert len(shown["operations_per_relay"]) == 16
    assert sum(shown["operations_per_relay"]) == shown["relay_operations"]
    slow = document("plan", SWEEPS / "coolant-sweep.toml")  # a filter of 150 ms
    for step in slow["steps"]:
        assert step["filtered_excursion_celsius"] <= step["excursion_celsius"] + 1e-9
    assert max(s["filtered_excursion_celsius"] for s in slow["steps"]) < 2
    main(["plan", str(PLAN), "--paths"])
    out = capsys.readouterr().out
    line = next(line for line in out.splitlines() if line.startswith("step 2:"))
    assert line.count(" ms") == 16
    assert "Operations by relay: 0: " in out


def picture(path: Path) -> ET.Element:
    return ET.fromstring(path.read_text(encoding="utf-8"))


def test_the_picture_has_both_ways_words_and_what_is_claimed(document, tmp_path):
    file = tmp_path / "p.svg"
    document("plan", PLAN, "--svg", file, "--step", 2)
    root = picture(file)
    assert root.tag == f"{SVG}svg"
    words = " ".join("".join(e.itertext()) for e in root.iter(f"{SVG}text"))
    for said in ("16 relays all at once", "by path", "after the module's input filter", "0 °C"):
        assert said in words
    assert "step 2" in root.find(f"{SVG}title").text
    assert "dead" not in words
    assert "0.915 ohm to 32.769 kohm" in root.find(f"{SVG}desc").text
    lines = list(root.iter(f"{SVG}polyline"))
    assert [e.get("class") for e in lines] == ["raw", "filtered"] * 2
    lowest = [
        max(float(p.split(",")[1]) for p in line.get("points").split()) for line in lines
    ]  # y grows downwards
    assert lowest[0] > lowest[2] + 150
    # It is the same every time, and the one in the repository is this one.
    assert file.read_text(encoding="utf-8") == (SWEEPS / "switching.svg").read_text("utf-8")


def test_without_a_step_the_furthest_is_drawn_and_nonsense_is_refused(document, tmp_path):
    file = tmp_path / "p.svg"
    shown = document("plan", SWEEPS / "coolant-sweep.toml", "--svg", file)
    worst = max(shown["steps"], key=lambda step: step["excursion_celsius"])
    assert picture(file).find(f"{SVG}title").text.endswith(f"step {worst['index'] + 1}")
    for step in (0, 42):
        assert document("plan", PLAN, "--svg", file, "--step", step)["status"] == 2
    assert document("plan", PLAN, "--step", 2)["status"] == 2
    assert document("plan", PLAN, "--svg", tmp_path / "no" / "p.svg")["status"] == 2
    # Open at rest and open as the first step: nothing moves there.
    check = SWEEPS / "coolant-check.toml"
    assert document("plan", check, "--svg", file, "--step", 1)["status"] == 2


HEAD = 'format = "rungwise-bench/1"\nladder = "{ladder}"\nswitching = "all-at-once"\n'
SERIAL = '[link]\nkind = "serial"\nurl = "/dev/null"\n[readback]\nkind = "typed"\n'


def test_real_relays_are_never_switched_all_at_once_and_fast_switches_may_be(tmp_path):
    bench = tmp_path / "b.toml"
    bench.write_text(HEAD.format(ladder=SWEEPS / "ladders" / "bench-16.toml") + SERIAL)
    with pytest.raises(InputError, match="may pass through a dead short"):
        load_bench(bench)
    text = (SWEEPS / "ladders" / "binary-16.toml").read_text()
    for before, after in (
        ("operate_ms = 5.0", "operate_ms = 0.02"),
        ("12.0", "0.05"),
        ("2.0\nrated", "0\nrated"),
    ):
        assert before in text
        text = text.replace(before, after)
    (tmp_path / "fast.toml").write_text(text)
    assert switches_fast(load_ladder(tmp_path / "fast.toml"))
    bench.write_text(HEAD.format(ladder="fast.toml") + SERIAL)
    assert load_bench(bench).switching is Switching.ALL_AT_ONCE


def test_the_demo_benches_say_what_they_are():
    assert load_bench(AT_ONCE).switching is Switching.ALL_AT_ONCE
    by_path = load_bench(SWEEPS / "benches" / "carry-path.toml")
    assert (by_path.switching, by_path.relays) == (Switching.PATH, RelayMotion.MOVING)
