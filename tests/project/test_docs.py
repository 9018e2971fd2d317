"""The pages beside the program: what they state as fact is what the program does."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest
import yaml

from controller import __version__
from controller.measurement.model import DecisionRule
from controller.measurement.verdict import false_accept_risk, guard_band_share
from controller.session.prepared import prepare

ROOT = Path(__file__).resolve().parents[2]
DOCS = ROOT / "controller" / "docs"
METROLOGY = (DOCS / "metrology.md").read_text("utf-8")
WORKFLOW = yaml.safe_load((DOCS / "ci-workflow.yml").read_text("utf-8"))
STEPS = WORKFLOW["jobs"]["rungwise"]["steps"]


def rows_of(section: str) -> list[list[str]]:
    """Return the cells of the table of a section, its head left out."""
    text = METROLOGY.partition(f"\n## {section}\n")[2].partition("\n## ")[0]
    lines = [line for line in text.splitlines() if line.startswith("|")]
    return [[cell.strip() for cell in line.strip("|").split("|")] for line in lines[2:]]


@pytest.mark.parametrize("plan", ["coolant-sweep.toml", "air-random.toml"])
def test_the_budget_has_no_part_that_the_page_leaves_out(plan: str) -> None:
    named = {name for row in rows_of("What U contains") for name in re.findall(r"`(.*?)`", row[0])}
    steps = prepare(ROOT / "sweeps" / plan).resolved.steps
    parts = {part.name for step in steps for part in step.budget}
    assert parts
    assert parts <= named


def test_the_guard_bands_are_those_that_count() -> None:
    found = {row[0].strip("`"): row[1] for row in rows_of("Decision rules")}
    assert set(found) == {rule.value for rule in DecisionRule}
    for rule in DecisionRule:
        share = guard_band_share(rule)
        stated = {"0": 0.0, "U": 1.0}.get(found[rule.value])
        if stated is None:
            stated = float(found[rule.value].removesuffix(" U"))
        assert abs(stated - share) < 5e-4


def test_the_risks_are_those_that_are_computed() -> None:
    """A wide tolerance, U = 1: at the limit T - w, and half of U further inside."""
    tolerance = 100.0
    rows = {row[0].strip("`"): row[1:] for row in rows_of("The risk of a false pass")}
    assert set(rows) == {rule.value for rule in DecisionRule}
    for rule in DecisionRule:
        limit = tolerance - guard_band_share(rule)
        for stated, error in zip(rows[rule.value], (limit, limit - 0.5), strict=True):
            risk = false_accept_risk(error, tolerance_celsius=tolerance, uncertainty_celsius=1.0)
            assert stated == f"{100 * risk:.2f} %"


def test_the_workflow_runs(tmp_path: Path) -> None:
    """Every command of the workflow, in the folder it is written for; installing is pip's."""
    commands = [step["run"] for step in STEPS if "run" in step]
    assert commands[0].startswith("pip install rungwise")
    environment = dict(os.environ, PATH=f"{Path(sys.executable).parent}:{os.environ['PATH']}")
    for command in ["rungwise init .", *commands[1:]]:
        done = subprocess.run(
            ["bash", "-e", "-c", command],
            cwd=tmp_path,
            env=environment,
            capture_output=True,
            text=True,
            stdin=subprocess.DEVNULL,
        )
        assert done.returncode == 0, (command, done.stdout, done.stderr)
    kept = STEPS[-1]["with"]["path"].split()
    assert all(list(tmp_path.glob(pattern)) for pattern in kept)
    for report in tmp_path.glob("*.xml"):
        assert ET.parse(report).getroot().findall(".//testcase")


def test_the_workflow_fails_when_the_module_does(tmp_path: Path) -> None:
    [command] = [step["run"] for step in STEPS if step.get("run", "").startswith("rungwise sweep")]
    script = f"rungwise init . && {command} --bench benches/simulated-corroded.toml"
    environment = dict(os.environ, PATH=f"{Path(sys.executable).parent}:{os.environ['PATH']}")
    done = subprocess.run(
        ["bash", "-e", "-c", script], cwd=tmp_path, env=environment, capture_output=True
    )
    assert done.returncode == 1


def test_the_citation_names_this_version() -> None:
    """Keys: Citation File Format 1.2.0, the four that it requires."""
    citation = yaml.safe_load((DOCS / "CITATION.cff").read_text("utf-8"))
    assert {"cff-version", "message", "title", "authors"} <= set(citation)
    assert citation["version"] == __version__
