"""`rungwise ladder design`: figures, files that are ready to use, refusals before any search."""

from __future__ import annotations

import csv
import json
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest

from controller.cli.main import main
from controller.ladder.electrical import state_ohms
from controller.ladder.files import load_ladder
from controller.ladder.model import Ladder
from controller.planning import ladder_design

SWEEPS = Path(__file__).parents[2] / "sweeps"
SENSOR = str(SWEEPS / "sensors" / "tern-coolant.toml")
SMALL = ["--serve", SENSOR, "20", "100", "--relays", "8", "--step", "10", "--deviation", "2"]


@pytest.fixture(autouse=True)
def short_search(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ladder_design, "_TRIES", 20)
    monkeypatch.setattr(ladder_design, "_SEEDS", (1, 1, 1))
    monkeypatch.setattr(ladder_design, "_ROUNDS", 60)


def design(*more: str) -> int:
    return main(["ladder", "design", *SMALL, "--processes", "1", *more])


def test_it_writes_a_ladder_a_parts_list_and_a_picture(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "box.toml"
    module = str(SWEEPS / "modules" / "tern-aux-diesel.toml")
    assert design("--out", str(out), "--name", "Box", "--module", module, "--json") == 0
    document = json.loads(capsys.readouterr().out)
    chosen = document["choices"][0]
    ladder = load_ladder(out)
    assert ladder.name == "Box"
    assert [rung.ohms for rung in ladder.groups[0].rungs] == chosen["rung_ohms"]
    assert ladder.fixed_ohms == document["fixed_ohms"] > 0
    assert document["files"] == [
        str(out),
        str(tmp_path / "box-parts.csv"),
        str(tmp_path / "box.svg"),
    ]
    (sweep,) = chosen["sweeps"]
    assert sweep["lower_bound_celsius"] <= sweep["excursion_celsius"]
    assert 0 <= sweep["filtered_celsius"] < sweep["excursion_celsius"]
    assert chosen["deviation_celsius"] <= 2.0

    with (tmp_path / "box-parts.csv").open() as file:
        rows = list(csv.DictReader(file))
    resistors = [row for row in rows if row["part"] == "resistor"]
    assert sum(int(row["count"]) for row in resistors) == 8 + 1
    assert (
        sum(int(row["count"]) for row in rows if row["part"] == "relay") == 10 == ladder.relay_count
    )

    words = [one.text for one in ET.parse(tmp_path / "box.svg").iter() if one.text]
    for relay in range(8):
        assert f"K{relay}" in words
    assert "K8 isolate" in words
    assert "K9 short" in words
    assert any("always in" in word for word in words)


def test_a_plan_on_the_designed_ladder_keeps_its_promise(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "box.toml"
    assert design("--out", str(out), "--json") == 0
    promised = json.loads(capsys.readouterr().out)["choices"][0]["sweeps"][0]
    (tmp_path / "bench.toml").write_text(
        'format = "rungwise-bench/1"\nname = "b"\nladder = "box.toml"\n'
        '[link]\nkind = "simulated"\n[readback]\nkind = "simulated"\n[simulation]\n'
        f'module = "{SWEEPS}/modules/tern-aux-diesel.toml"\n'
    )
    (tmp_path / "plan.toml").write_text(
        f'format = "rungwise-plan/1"\nname = "p"\nkind = "sweep"\nsensor = "{SENSOR}"\n'
        f'module = "{SWEEPS}/modules/tern-aux-diesel.toml"\n'
        "[settle]\nwithin_celsius = 0.5\nfor_s = 3\nat_most_s = 30\n"
        "[[tolerance]]\nfrom_celsius = 20\nto_celsius = 100\ntolerance_celsius = 5\n"
        "[[targets]]\nfrom_celsius = 20\nto_celsius = 100\nstep_celsius = 10\n"
        'direction = "up-then-down"\n'
    )
    assert (
        main(
            ["plan", str(tmp_path / "plan.toml"), "--bench", str(tmp_path / "bench.toml"), "--json"]
        )
        == 0
    )
    plan = json.loads(capsys.readouterr().out)
    assert plan["lower_bound_celsius"] <= plan["worst_excursion_celsius"]
    assert plan["worst_excursion_celsius"] == pytest.approx(
        promised["excursion_celsius"], rel=0.1, abs=0.3
    )


def test_the_table_names_every_choice(capsys: pytest.CaptureFixture[str]) -> None:
    assert design() == 0
    out = capsys.readouterr().out
    assert "always in circuit" in out
    assert "1: " in out
    assert "excursion" in out


def test_the_same_seed_gives_the_same_choices_in_any_number_of_processes(
    capsys: pytest.CaptureFixture[str],
) -> None:
    found = []
    for processes in ("1", "2"):
        assert design("--json", "--seed", "3", "--processes", processes) == 0
        found.append(json.loads(capsys.readouterr().out))
    assert found[0] == found[1]


@pytest.mark.parametrize(
    ("more", "says"),
    [
        (["--serve", SENSOR, "20", "200"], "does not cover"),
        (["--relays", "3"], "must be 4 to"),
        (["--series", "E13"], "no series E13"),
        (["--deviation", "much"], "not a number"),
        (["--step", "0"], "must be"),
        (["--fixed", "5k"], "leaves nothing"),
        (["--out", "nowhere/at/all.toml"], "no such folder"),
        (["--choice", "99"], "no choice 99"),
        (["--uncertainty", "0.0001"], "least uncertainty"),
        (["--deviation", "0.01"], "whatever their values: it takes"),
    ],
)
def test_what_cannot_be_done_is_refused(
    capsys: pytest.CaptureFixture[str], more: list[str], says: str
) -> None:
    assert design(*more) == 2
    assert says in capsys.readouterr().err


def test_a_file_that_is_there_is_not_overwritten(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    there = tmp_path / "box-parts.csv"
    there.write_text("mine")
    assert design("--out", str(tmp_path / "box.toml")) == 2
    assert str(there) in capsys.readouterr().err
    assert there.read_text() == "mine"
    assert not (tmp_path / "box.toml").exists()


def test_a_drawer_is_built_from(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    drawer = tmp_path / "drawer.csv"
    values = [10 * 1.5**step for step in range(20)]
    rows = "".join(f"{round(value)},1,1\n" for value in values)
    drawer.write_text(f"ohms,count,tolerance_percent\n{rows}")
    assert design("--drawer", str(drawer), "--fixed", "0", "--deviation", "6", "--json") == 0
    for choice in json.loads(capsys.readouterr().out)["choices"]:
        assert len(set(choice["rung_ohms"])) == len(choice["rung_ohms"])
        assert set(choice["rung_ohms"]) <= {round(value) for value in values}


@pytest.mark.parametrize("name", ["designed-18", "designed-24"])
def test_the_designed_ladders_of_the_demonstration_load(name: str) -> None:
    ladder: Ladder = load_ladder(SWEEPS / "ladders" / f"{name}.toml")
    every_rung_out = (1 << ladder.relay_count) - 1 ^ 1 << (ladder.short_relay or 0)
    assert 100.0 < state_ohms(ladder, every_rung_out) < 103.0


def test_the_fixed_resistor_is_taken_out_of_the_drawer(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Of one value there is one part only: it is always in circuit, and no rung."""
    drawer = tmp_path / "drawer.csv"
    values = [10, 22, 47, 100, 150, 220, 330, 470, 680, 1000, 1500]
    rows = [f"{ohms},{1 if ohms == 150 else 3},0.5" for ohms in values]
    drawer.write_text("\n".join(["ohms,count,tolerance_percent", *rows]) + "\n")
    assert design("--drawer", str(drawer), "--fixed", "150", "--json") == 0
    document = json.loads(capsys.readouterr().out)
    assert document["fixed_ohms"] == 150.0
    assert all(150.0 not in choice["rung_ohms"] for choice in document["choices"])


def test_a_refusal_in_another_process_is_said_in_full(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    drawer = tmp_path / "drawer.csv"
    drawer.write_text("ohms,count,tolerance_percent\n47,2,1\n100,2,1\n470,1,1\n1k,1,1\n")
    assert design("--drawer", str(drawer), "--processes", "2") == 2
    assert "8 rungs are wanted, and 5 parts are there" in capsys.readouterr().err
