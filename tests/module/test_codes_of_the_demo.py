"""The demo's modules set the codes that the standard has for what they say of their circuit."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from controller.module.files import load_module

TESTS = Path(__file__).resolve().parents[1]
MODULES = sorted((TESTS.parent / "sweeps" / "modules").glob("*.toml"))
MEANT = {"low_code": "Low", "high_code": "High", "range_code": "Range/Performance"}


def texts_of_the_standard() -> dict[str, str]:
    """tests/reference/dtc_encoding.csv: code -> text (SAE J2012)."""
    with (TESTS / "reference" / "dtc_encoding.csv").open(encoding="utf-8") as file:
        rows = csv.DictReader(line for line in file if not line.startswith("#"))
        return {row["dtc"]: row["text"] for row in rows}


@pytest.mark.parametrize("path", MODULES, ids=lambda path: path.stem)
def test_low_high_and_range_are_the_standards_codes_of_the_circuit(path):
    standard = texts_of_the_standard()
    module = load_module(path)
    circuit = "IAT 1" if path.stem.endswith("-air") else "ECT"
    for key, ending in MEANT.items():
        number = getattr(module, key).split()[0]
        assert standard[number].startswith(circuit)
        assert standard[number].endswith(ending)
