"""The report of an open or a short is a fixed substitute: nothing shows an uncertainty for it."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from controller.cli.main import main

CHECK = str(Path(__file__).resolve().parents[2] / "sweeps" / "coolant-check.toml")


@pytest.mark.parametrize("words", [["plan", CHECK], ["check", CHECK]])
def test_tables_show_a_dash_for_u_of_open_and_short(words, capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert main(words) == 0
    lines = capsys.readouterr().out.splitlines()
    head = next(line for line in lines if line.startswith("step"))
    at = head.index("U (k=2)")
    shown = {
        line.split()[1]: line[at:].split()[0]
        for line in lines
        if re.match(r" +\d+  (open|short|40)", line)
    }
    assert (shown["open"], shown["short"]) == ("-", "-")
    assert float(shown["40.00"]) > 0.5


def test_the_document_keeps_its_number(capsys):
    """Programs that read `uncertainty_celsius` go on finding one in every step."""
    assert main(["plan", CHECK, "--json"]) == 0
    steps = json.loads(capsys.readouterr().out)["steps"]
    assert [step["uncertainty_celsius"] > 0 for step in steps] == [False, True, False]
