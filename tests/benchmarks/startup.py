"""How long the program takes to say what it can do, against an interpreter that does nothing.

Knows: the console script next to the interpreter.
Must not know: anything of what the program does.
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

from compiled import as_installed

AIM = 3.0
ROUNDS = 30


def _seconds(command: list[str]) -> float:
    began = time.perf_counter()
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL, env=as_installed())
    return time.perf_counter() - began


def rows() -> list[dict[str, Any]]:
    """Return the one row: the median of pairs of runs taken by turns."""
    script = Path(sys.executable).with_name("rungwise")
    ours, theirs = [str(script), "--help"], [sys.executable, "-c", "pass"]
    for command in (ours, theirs):
        _seconds(command)
    pairs = [(_seconds(ours), _seconds(theirs)) for _ in range(ROUNDS)]
    measured = statistics.median(one for one, _ in pairs)
    against = statistics.median(other for _, other in pairs)
    ratio = measured / against
    return [
        {
            "name": "rungwise --help, against python -c pass",
            "measured": f"{measured * 1e3:.1f} ms",
            "against": f"{against * 1e3:.1f} ms",
            "ratio": ratio,
            "aim": f"<= {AIM:g}x",
            "met": ratio <= AIM,
        }
    ]


if __name__ == "__main__":
    print(rows())
