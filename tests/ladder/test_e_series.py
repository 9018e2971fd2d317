"""Rungs bought off the shelf: preferred values, and what their tolerance means as uncertainty."""

from __future__ import annotations

import csv
import math
from pathlib import Path

import eseries
import numpy as np
import pytest

from controller.ladder.electrical import state_uncertainty_ohms
from controller.ladder.files import load_ladder
from controller.ladder.model import GroupKind

ROOT = Path(__file__).resolve().parents[2]
SWEEPS = ROOT / "sweeps"
# IEC 60063:2015: each series goes with the tolerance at which neighbours about meet.
TOLERANCES = {"E24": 5.0, "E96": 1.0}


def published(series):
    """Return one decade, from 100, of IEC 60063:2015 (tests/reference/e_series.csv)."""
    with (ROOT / "tests" / "reference" / "e_series.csv").open() as file:
        rows = list(csv.DictReader(line for line in file if not line.startswith("#")))
    values = [float(row["value"]) for row in rows if row["series"] == series]
    return [value * 100.0 / values[0] for value in values]


def test_the_tolerances_are_those_of_the_series():
    keys = {"E24": eseries.E24, "E96": eseries.E96}
    for name, percent in TOLERANCES.items():
        assert 100.0 * eseries.tolerance(keys[name]) == pytest.approx(percent)


@pytest.mark.parametrize("name", TOLERANCES)
def test_a_rung_of_a_series_has_the_spread_of_a_resistor_within_its_limits(name, tmp_path):
    """JCGM 100:2008, 4.3.7: limits and nothing else known, rectangular; here by drawing a lot."""
    values, percent = published(name), TOLERANCES[name]
    few = values[:: max(1, len(values) // 12)]
    lines = [
        f"  {{ relay = {index}, ohms = {ohms}, tolerance_percent = {percent} }},"
        for index, ohms in enumerate(few)
    ]
    path = tmp_path / "ladder.toml"
    path.write_text(
        f'format = "rungwise-ladder/1"\nname = "{name}"\nrelay_count = {len(few)}\n'
        '[[group]]\nkind = "series"\nrungs = [\n' + "\n".join(lines) + "\n]\n",
        encoding="utf-8",
    )
    ladder = load_ladder(path)
    rng = np.random.default_rng(3)
    total = np.zeros(200_000)
    for rung in ladder.groups[0].rungs:
        low, high = rung.ohms * (1 - percent / 100), rung.ohms * (1 + percent / 100)
        lot = rng.uniform(low, high, total.size)
        assert rung.uncertainty_ohms == pytest.approx(float(np.std(lot)), rel=0.01)
        total += lot
    # Everything at rest: all rungs in series.
    assert state_uncertainty_ohms(ladder, 0) == pytest.approx(float(np.std(total)), rel=0.01)


def test_the_demonstrations_ladder_can_be_bought():
    """Every rung of bench-16 is an E96 value, as its file says."""
    ladder = load_ladder(SWEEPS / "ladders" / "bench-16.toml")
    [group] = ladder.groups
    assert group.kind is GroupKind.SERIES
    decade = published("E96")
    for rung in group.rungs:
        mantissa = rung.ohms / 10.0 ** (math.floor(math.log10(rung.ohms)) - 2)
        assert min(abs(mantissa - value) for value in decade) < 1e-6, rung
