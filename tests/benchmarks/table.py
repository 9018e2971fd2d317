"""Every benchmark, run once, as one table with the machine named.

Knows: that each module beside this one has `rows()`; how a table looks in Markdown.
Must not know: what is measured.

    python tests/benchmarks/table.py [--write] [NAME]...

NAME is a module's name without its ending; without one, all of them run. With `--write` the table
goes into controller/docs/speed.md too: rows measured now take the place of those of the same name,
the rest stays. The exit status is 1 when an aim is missed.
"""

from __future__ import annotations

import importlib.util
import os
import platform
import re
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve().parent
PAGE = HERE.parents[1] / "controller" / "docs" / "speed.md"
PAGE_HEAD = """\
# Every benchmark

Made by `python tests/benchmarks/table.py --write`. Ratios are within one run; a row that says what
share of cases came out right has no time in it. Rows keep the figures of their last run.
"""
COLUMNS = ("name", "measured", "against", "ratio", "aim", "met")


def machine() -> str:
    """Name the machine as far as it says what it is."""
    processor = platform.processor() or platform.machine()
    info = Path("/proc/cpuinfo")
    if info.is_file():
        for line in info.read_text(encoding="utf-8", errors="replace").splitlines():
            if line.startswith("model name"):
                processor = line.partition(":")[2].strip()
                break
    return (
        f"{processor}, {os.cpu_count()} cores, {platform.system()} {platform.release()},"
        f" Python {platform.python_version()}, {_load()}"
    )


def _load() -> str:
    """Say how busy the machine is already: times and their ratios suffer from it."""
    load = os.getloadavg()[0] if hasattr(os, "getloadavg") else 0.0
    return "idle before" if load < 0.7 else f"busy with other work (load {load:.1f} before)"


def rows_of(path: Path) -> list[dict[str, Any]]:
    """Run the benchmark module in a file."""
    spec = importlib.util.spec_from_file_location(f"benchmark_{path.stem}", path)
    if spec is None or spec.loader is None:
        raise ImportError(f"{path} cannot be imported")
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module  # dataclasses look their module up
    spec.loader.exec_module(module)
    return [
        row if isinstance(row, dict) else dict(zip(COLUMNS, row, strict=True))
        for row in module.rows()
    ]


def cell(value: object) -> str:
    """Write one value."""
    if isinstance(value, bool):
        return "yes" if value else "NO"
    if isinstance(value, float):
        return f"{value:.4g}"
    return "-" if value is None else str(value)


def markdown(rows: Sequence[dict[str, Any]]) -> str:
    """Return the rows as a Markdown table with padded columns."""
    cells = [[cell(row.get(column)) for column in COLUMNS] for row in rows]
    widths = [
        max(len(column), *(len(row[index]) for row in cells)) if cells else len(column)
        for index, column in enumerate(COLUMNS)
    ]
    lines = [list(COLUMNS), ["-" * width for width in widths], *cells]
    return "\n".join(
        "| "
        + " | ".join(text.ljust(width) for text, width in zip(line, widths, strict=True))
        + " |"
        for line in lines
    )


def _what_it_is(cells: Sequence[str]) -> str:
    """Return what stays of a row from run to run: its name, and what it is held against."""
    return f"{cells[0]} | {re.sub('[0-9.]+', '', cells[2])} | {cells[4]}"


def written_page(
    page: str, rows: Sequence[dict[str, Any]], measured_on: str, *, head: str = PAGE_HEAD
) -> str:
    """Return the page of all rows with the rows put in, each with the machine it ran on."""
    lines: dict[str, str] = {}
    for line in page.splitlines():
        cells = [one.strip() for one in line.split("|")[1:-1]]
        if len(cells) > 3 and cells[0] not in ("name", "---"):
            lines[_what_it_is(cells)] = line
    machines = dict(re.findall(r"^\[(\d+)\] (.*)$", page, re.MULTILINE))
    mark = next((one for one, text in machines.items() if text == measured_on), None)
    if mark is None:
        mark = str(1 + max(map(int, machines), default=0))
        machines[mark] = measured_on
    for row in rows:
        cells = [cell(row.get(column)).replace("|", "/") for column in COLUMNS]
        lines[_what_it_is(cells)] = f"| {' | '.join([*cells, f'[{mark}]'])} |"
    shown = "\n".join(lines.values())
    used = {one: text for one, text in machines.items() if f"[{one}] |" in shown}
    names = [f"| {' | '.join([*COLUMNS, 'on'])} |", "|---" * (len(COLUMNS) + 1) + "|"]
    feet = [f"[{one}] {text}" for one, text in used.items()]
    return "\n".join([head, *names, *lines.values(), "", *feet]) + "\n"


def main(arguments: Sequence[str]) -> int:
    """Run the benchmarks and print the table."""
    names = [one for one in arguments if one != "--write"]
    paths = sorted(path for path in HERE.glob("*.py") if path != Path(__file__).resolve())
    paths = [path for path in paths if "def rows(" in path.read_text(encoding="utf-8")]
    if unknown := set(names) - {path.stem for path in paths}:
        print(f"no such benchmark: {', '.join(sorted(unknown))}", file=sys.stderr)
        return 2
    rows: list[dict[str, Any]] = []
    measured_on = machine()
    for path in paths:
        if not names or path.stem in names:
            print(f"{path.stem} ...", file=sys.stderr, flush=True)
            rows += rows_of(path)
    print(f"Measured on: {measured_on}\n")
    print(markdown(rows))
    if "--write" in arguments:
        page = PAGE.read_text(encoding="utf-8") if PAGE.exists() else ""
        PAGE.write_text(written_page(page, rows, measured_on), encoding="utf-8")
    return 0 if all(row.get("met") is not False for row in rows) else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
