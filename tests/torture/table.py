"""Every figure of the torture as one table, with the machine named.

    python tests/torture/table.py [--quick] [NAME]...

NAME is a module's name without its ending; without one, all of them run. The exit status is 1 when
something went wrong more often than it may.
"""

from __future__ import annotations

import contextlib
import importlib
import os
import platform
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE))

COLUMNS = ("name", "tried", "wrong", "aim", "met", "also")


def modules() -> list[str]:
    """Return the names of the modules that have rows."""
    return sorted(
        path.stem
        for path in HERE.glob("*.py")
        if path.stem != "table" and "def rows(" in path.read_text(encoding="utf-8")
    )


def rows_of(name: str, *, full: bool) -> list[dict[str, Any]]:
    """Run a module in an empty folder, where nothing of the user's own is counted."""
    before = os.environ.get("RUNGWISE_DATA")
    with tempfile.TemporaryDirectory() as folder, contextlib.chdir(folder):
        os.environ["RUNGWISE_DATA"] = folder
        try:
            found: list[dict[str, Any]] = importlib.import_module(name).rows(full)
        finally:
            os.environ.pop("RUNGWISE_DATA")
            if before is not None:
                os.environ["RUNGWISE_DATA"] = before
    return found


def markdown(rows: Sequence[dict[str, Any]]) -> str:
    """Return the rows as a Markdown table."""
    cells = [
        [{True: "yes", False: "NO"}[row["met"]] if c == "met" else str(row[c]) for c in COLUMNS]
        for row in rows
    ]
    lines = [list(COLUMNS), ["-" * len(column) for column in COLUMNS], *cells]
    return "\n".join(
        "| " + " | ".join(one.replace("|", "/") for one in line) + " |" for line in lines
    )


def main(words: Sequence[str]) -> int:
    """Run the torture and print the table."""
    names = [word for word in words if word != "--quick"]
    if unknown := set(names) - set(modules()):
        print(f"no such torture: {', '.join(sorted(unknown))}", file=sys.stderr)
        return 2
    rows = []
    for name in names or modules():
        print(f"{name} ...", file=sys.stderr, flush=True)
        rows += rows_of(name, full="--quick" not in words)
    machine = f"{platform.machine()}, {platform.system()}, Python {platform.python_version()}"
    print(f"Measured on: {machine}\n")
    print(markdown(rows))
    return 0 if all(row["met"] for row in rows) else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
