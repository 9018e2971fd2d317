"""Every benchmark, run once, as one table with the machine named.

Knows: that each module beside this one has `rows()`; how a table looks in Markdown.
Must not know: what is measured.

    python tests/benchmarks/table.py [NAME]...

NAME is a module's name without its ending; without one, all of them run. The exit status is 1
when an aim is missed.
"""

from __future__ import annotations

import importlib.util
import os
import platform
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve().parent
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
        f" Python {platform.python_version()}"
    )


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


def main(names: Sequence[str]) -> int:
    """Run the benchmarks and print the table."""
    paths = sorted(path for path in HERE.glob("*.py") if path != Path(__file__).resolve())
    paths = [path for path in paths if "def rows(" in path.read_text(encoding="utf-8")]
    if unknown := set(names) - {path.stem for path in paths}:
        print(f"no such benchmark: {', '.join(sorted(unknown))}", file=sys.stderr)
        return 2
    rows: list[dict[str, Any]] = []
    for path in paths:
        if not names or path.stem in names:
            print(f"{path.stem} ...", file=sys.stderr, flush=True)
            rows += rows_of(path)
    print(f"Measured on: {machine()}\n")
    print(markdown(rows))
    return 0 if all(row.get("met") is not False for row in rows) else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
