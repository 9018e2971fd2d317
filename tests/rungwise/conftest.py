"""What the tests of the public door share: the demonstration data, and a module of our own."""

from __future__ import annotations

import math
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="session")
def sweeps() -> Path:
    """The folder of the demonstration data."""
    return ROOT / "sweeps"


@pytest.fixture(scope="session")
def module_by_table(
    reference_rows: Callable[[str], list[dict[str, str]]],
) -> Callable[..., float]:
    """A module that knows the sensor from the published Type 1 ratio table, 2.8 kohm at 25 degC.

    It goes by the logarithm of the ratio, in straight lines between the table's rows.
    """
    rows = reference_rows("ntc_type1_ratio.csv")
    table = sorted((math.log(float(r["ratio_published"])), float(r["t_degC"])) for r in rows)

    def report(ohms: float, *, series_ohms: float = 0.0) -> float:
        if ohms > 1e6:
            return -40.0
        if ohms < 1.0:
            return 130.0
        ratio = math.log((ohms + series_ohms) / 2800.0)
        for (low, cold), (high, hot) in pairwise(table):
            if low <= ratio <= high:
                return cold + (ratio - low) / (high - low) * (hot - cold)
        raise AssertionError(f"{ohms} ohm is beyond the table")

    return report
