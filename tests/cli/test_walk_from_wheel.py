"""The first hour, walked: from a built wheel, in an empty folder, with nothing else."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import zipfile
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest

ROOT = Path(__file__).resolve().parents[2]

# Read off a made-up chart of a sensor of the usual kind, 2.5 kohm at 20 degC.
CHART = [(-20, "15k4"), (0, "5k9"), (20, "2k5"), (40, "1k18"), (60, "595"), (80, "320")]


@pytest.fixture(scope="module")
def installed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The wheel, unpacked as an installer does."""
    folder = tmp_path_factory.mktemp("wheel")
    done = subprocess.run(
        [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", folder],
        cwd=ROOT,
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    (wheel,) = folder.glob("*.whl")
    with zipfile.ZipFile(wheel) as opened:
        opened.extractall(folder / "site")
    return folder / "site"


ONE_BY_ONE = """
import contextlib, io, json, sys
from rungwise.__main__ import main

ended = []
for line in sys.argv[1:]:
    said = io.StringIO()
    with contextlib.redirect_stderr(said):
        status = main(line.split())
    ended.append((status, said.getvalue()))
print(json.dumps(ended))
"""


class Terminal:
    """Runs the installed program in one folder."""

    def __init__(self, site: Path, folder: Path) -> None:
        self.folder = folder
        self._environment = {**os.environ, "PYTHONPATH": str(site)}

    def __call__(self, line: str, *, status: int = 0) -> str:
        words = line.split()
        assert words.pop(0) == "rungwise"
        ended = subprocess.run(
            [sys.executable, "-m", "rungwise", *words],
            cwd=self.folder,
            env=self._environment,
            capture_output=True,
            text=True,
            stdin=subprocess.DEVNULL,
        )
        assert ended.returncode == status, (line, ended.stdout, ended.stderr)
        assert "Traceback" not in ended.stderr
        return ended.stdout

    def one_by_one(self, lines: list[str]) -> list[tuple[int, str]]:
        """Return status and words of lines that the installed program takes in one process."""
        return [(status, said) for status, said in json.loads(self._python(ONE_BY_ONE, *lines))]

    def where(self) -> str:
        """Return where the program comes from."""
        return self._python("import controller; print(controller.__file__)")

    def _python(self, code: str, *words: str) -> str:
        return subprocess.run(
            [sys.executable, "-c", code, *words],
            cwd=self.folder,
            env=self._environment,
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
        ).stdout


@pytest.mark.soak
def test_from_an_empty_folder_to_a_judged_sweep_of_ones_own_sensor(
    installed: Path, tmp_path: Path
) -> None:
    run = Terminal(installed, tmp_path)
    assert str(installed) in run.where()

    said = run("rungwise init tern")
    following = [line.strip() for line in said.splitlines() if line.startswith("  rungwise check")]
    assert len(following) == 1
    assert "PASS" in run(following[0])
    assert "series" in run("rungwise diagnose tern/recorded/coolant-corroded.jsonl", status=1)

    points = " ".join(f"--point {celsius} {ohms}" for celsius, ohms in CHART)
    assert "|" in run(f"rungwise new sensor mine.toml {points}")
    run("rungwise new ladder box.toml " + " ".join(f"--rung {2 * 1.8**n:.4g}" for n in range(18)))
    run("rungwise new module unit.toml --sensor mine.toml --pullup 2k49")
    run("rungwise new bench bench.toml --ladder box.toml --module unit.toml")
    run(
        "rungwise new plan sweep.toml --sensor mine.toml --module unit.toml --bench bench.toml"
        " --from 0 --to 80 --step 20"
    )
    run("rungwise validate mine.toml box.toml unit.toml bench.toml sweep.toml")

    steps = json.loads(run("rungwise --json plan sweep.toml"))["steps"]
    assert [step["target_celsius"] for step in steps] == [0, 20, 40, 60, 80, 60, 40, 20, 0]
    # Each state stands for its target: the chart's own points come back.
    for step in steps[:5]:
        assert abs(step["achieved_celsius"] - step["target_celsius"]) < 0.5

    run("rungwise sweep sweep.toml --record own.jsonl --junit own.xml")
    suite = ET.parse(tmp_path / "own.xml").getroot()
    assert len(suite.findall("testcase")) == len(steps)
    assert suite.findall("testcase/failure") == []
    assert all(float(case.attrib["time"]) > 0 for case in suite.findall("testcase"))
    run("rungwise validate own.jsonl")
    assert "no differences" in run("rungwise replay own.jsonl").lower()
    assert "sweep" in run("rungwise report own.jsonl")


def test_a_module_that_is_off_fails_the_build(installed: Path, tmp_path: Path) -> None:
    run = Terminal(installed, tmp_path)
    run("rungwise init .")
    run(
        "rungwise sweep coolant-sweep.toml --bench benches/simulated-corroded.toml"
        " --record bad.jsonl --junit bad.xml",
        status=1,
    )
    suite = ET.parse(tmp_path / "bad.xml").getroot()
    failures = len(suite.findall("testcase/failure"))
    assert failures == int(suite.attrib["failures"]) > 0
    properties = {one.attrib["name"]: one.attrib["value"] for one in suite.iter("property")}
    assert properties["verdict"] == "fail"
    assert properties["bench"] == "Simulated bench, corroded connector"


def test_the_rest_of_the_hour(installed: Path, tmp_path: Path) -> None:
    """Single values, tables, a ladder of one's own; what is refused says what to do."""
    run = Terminal(installed, tmp_path)
    run("rungwise init .")
    assert "parked" in run("rungwise set 2k5 --bench benches/simulated.toml")
    assert "25" in run("rungwise nearest ladders/bench-16.toml 2k5")
    assert run("rungwise export recorded/coolant-corroded.jsonl").startswith("index,")
    run("rungwise check coolant-check.toml --record one.jsonl")
    run("rungwise check coolant-check.toml --record two.jsonl")
    assert "agrees" in run("rungwise compare one.jsonl two.jsonl")
    run("rungwise report one.jsonl --output one.html")
    assert "<html" in (tmp_path / "one.html").read_text("utf-8")
    run("rungwise ladder calibrate ladders/bench-16.toml --propose 24 --out table.csv")
    refusals = (
        ("ladder calibrate ladders/bench-16.toml --readings table.csv --out c.toml", "still empty"),
        ("compare one.jsonl one.jsonl", "name two different records"),
        ("sweep one.jsonl", "is it a record?"),
        ("new sensor mine.toml", "there is no terminal to ask on"),
        ("readings . log.csv", "this is a folder, not a record"),
        ("check coolant-check.toml --input-check", "add [sense] with load_ohms"),
        ("sweep coolant-check.toml", "run it with: rungwise check"),
    )
    told = run.one_by_one([line for line, _ in refusals])
    for (line, said), (status, refused) in zip(refusals, told, strict=True):
        assert status == 2, (line, refused)
        assert said in refused, line
        assert refused.count("rungwise: ") == 1, line
        assert "Traceback" not in refused, line
