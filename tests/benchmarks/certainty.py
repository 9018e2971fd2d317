"""All that is claimed with certainty, or to lie inside U, in one table.

    python tests/benchmarks/certainty.py [RUNS] [--write] [PART]...

What the diagnosis claims (right / cannot tell / certain and wrong) for each fault inside and
outside the set it knows; how often U holds the truth for charts, tables, calibrations and whole
budgets; how often slips are noticed and named. Every share stands with its 95 % binomial bounds.
The inputs are simulated by circuits and published curves that share no code with the product. The
exit status is 1 when an aim is missed.

PART is diagnosis, curves, calibration or budget; without one, all of them. With `--write` the rows
go into controller/docs/certainty.md: rows measured now take the place of those of the same name.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parent))

import budget
import calibration
import curves
from diagnosis_rows import table_rows
from table import COLUMNS, cell, machine, written_page

Row = tuple[object, ...]
PAGE = Path(__file__).resolve().parents[2] / "controller" / "docs" / "certainty.md"
PAGE_HEAD = """\
# Every claim of certainty and of coverage

Made by `python tests/benchmarks/certainty.py --write`, from inputs simulated by circuits and
published curves that share no code with the product. Of a diagnosis, `measured` counts right /
cannot tell / certain and wrong; elsewhere it counts what the name says. `ratio` is the share that
the aim is about, with its 95 % binomial bounds (Clopper & Pearson, Biometrika 26, 1934, 404). A
row of few runs misses its aim when its bounds lie beyond it, one of all runs when its share does.
Rows keep the figures of their last run.
"""

PARTS: dict[str, Callable[[int], Iterable[Row]]] = {
    "diagnosis": lambda runs: ((f"diagnosis, {row[0]}", *row[1:]) for row in table_rows(runs=runs)),
    "curves": lambda runs: curves.rows(charts=4 * runs),
    "calibration": lambda runs: calibration.rows(trials=8 * runs),
    "budget": lambda runs: budget.rows(trials=8 * runs),
}
"""The rows of each part; `runs` are those of one row of the diagnosis."""


def write(row: Row, measured_on: str) -> None:
    """Put a row into the page at once: a run that is cut short keeps what it found."""
    page = PAGE.read_text(encoding="utf-8") if PAGE.exists() else ""
    fields: dict[str, Any] = dict(zip(COLUMNS, row, strict=True))
    PAGE.write_text(written_page(page, [fields], measured_on, head=PAGE_HEAD), encoding="utf-8")


def main(arguments: Sequence[str]) -> int:
    """Print the table row by row, as it is found."""
    words = [one for one in arguments if one != "--write"]
    runs = next((int(one) for one in words if one.isdigit()), 25)
    parts = [one for one in words if not one.isdigit()] or list(PARTS)
    if unknown := set(parts) - set(PARTS):
        print(f"no such part: {', '.join(sorted(unknown))}", file=sys.stderr)
        return 2
    measured_on, missed = machine(), 0
    print(f"Measured on: {measured_on}\n")
    print("| claim | counted | of | share | aim | met |\n|---|---|---|---|---|---|")
    for row in (row for part in parts for row in PARTS[part](runs)):
        missed += row[-1] is False
        print("| " + " | ".join(cell(value) for value in row) + " |", flush=True)
        if "--write" in arguments:
            write(row, measured_on)
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
