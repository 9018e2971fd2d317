"""Each row of the torture's table holds: quickly in an ordinary run, in full in a soak."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

HERE = Path(__file__).resolve().parent
if str(HERE) not in sys.path:
    sys.path.insert(0, str(HERE))

import table  # noqa: E402 - beside this file

QUICK = [name for name in table.modules() if name != "real_time"]


def _hold(name: str, *, full: bool) -> None:
    rows = table.rows_of(name, full=full)
    assert rows
    assert all(row["tried"] > 0 for row in rows)
    assert [row for row in rows if row["wrong"] > row["aim"]] == []


@pytest.mark.parametrize("name", QUICK)
def test_it_holds(name: str) -> None:
    _hold(name, full=False)


@pytest.mark.night
@pytest.mark.parametrize("name", table.modules())
def test_it_holds_in_full(name: str) -> None:
    _hold(name, full=True)
