"""All that is claimed with certainty, or to lie inside U, in one table.

    python tests/benchmarks/certainty.py [RUNS]

What the diagnosis claims (right / cannot tell / certain and wrong) for each fault inside and
outside the set it knows; how often U holds the truth for charts, tables, calibrations and whole
budgets; how often slips are noticed and named. Every share stands with its 95 % binomial bounds.
The inputs are simulated by circuits and published curves that share no code with the product. The
exit status is 1 when an aim is missed.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent))

import budget
import calibration
import curves
from diagnosis_rows import table_rows
from table import cell, machine

Row = tuple[object, ...]


def every_row(runs: int) -> Iterator[Row]:
    """Yield all rows; `runs` are those of one row of the diagnosis."""
    yield from ((f"diagnosis, {row[0]}", *row[1:]) for row in table_rows(runs=runs))
    yield from curves.rows(charts=4 * runs)
    yield from calibration.rows(trials=8 * runs)
    yield from budget.rows(trials=8 * runs)


def main(runs: int) -> int:
    """Print the table row by row, as it is found."""
    print(f"Measured on: {machine()}\n")
    print("| claim | counted | of | share | aim | met |\n|---|---|---|---|---|---|")
    missed = 0
    for row in every_row(runs):
        missed += row[-1] is False
        print("| " + " | ".join(cell(value) for value in row) + " |", flush=True)
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 else 25))
