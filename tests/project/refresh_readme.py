"""Fill the console blocks of README and docs with what the program prints now: look at the change.

Run it from anywhere: ``.venv/bin/python tests/project/refresh_readme.py``. Lines ``...`` keep their
places: what stands before the first one is the beginning of the output, what stands after the last
one its end, and what stands between is looked for by likeness.
"""

from __future__ import annotations

import difflib
import os
import re
import shlex
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
PAGES = [ROOT / "README.md", *sorted((ROOT / "controller/docs").glob("*.md"))]


def printed(command: str, folder: Path) -> list[str]:
    environment = dict(os.environ, COLUMNS="100", NO_COLOR="1", RUNGWISE_DATA=str(folder / "data"))
    done = subprocess.run(
        [sys.executable, "-m", "controller.cli", *shlex.split(command)[1:]],
        cwd=folder,
        env=environment,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        check=False,
    )
    print(f"{done.returncode}  {command}")
    return [line.rstrip() for line in done.stdout.splitlines()]


def refilled(shown: list[str], lines: list[str]) -> list[str]:
    pieces: list[list[str]] = [[]]
    for line in shown:
        if line == "...":
            pieces.append([])
        else:
            pieces[-1].append(line)
    if len(pieces) == 1:
        return lines
    filled = [lines[: len(pieces[0])]]
    at = len(pieces[0])
    for piece in pieces[1:-1]:
        near = difflib.get_close_matches(piece[0], lines[at:], n=1, cutoff=0.0)
        start = lines.index(near[0], at)
        filled.append(lines[start : start + len(piece)])
        at = start + len(piece)
    last = len(pieces[-1])
    filled.append(lines[len(lines) - last :])
    out: list[str] = []
    for index, piece in enumerate(filled):
        out += (["..."] if index else []) + piece
    return out


def refreshed(text: str, folder: Path) -> str:
    def block(match: re.Match[str]) -> str:
        out = []
        for part in re.split(r"^\$ ", match[1], flags=re.MULTILINE)[1:]:
            line, _, shown = part.partition("\n")
            command, _, comment = line.partition("  #")
            lines = shown.splitlines()
            if "not run" not in comment:
                lines = refilled(lines, printed(command.strip(), folder))
            out.append("\n".join([f"$ {line}", *lines]) + "\n")
        return "```console\n" + "".join(out) + "```"

    return re.sub(r"^```console\n(.*?)^```", block, text, flags=re.DOTALL | re.MULTILINE)


def main() -> None:
    for page in PAGES:
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            shutil.copytree(ROOT / "sweeps", folder / "sweeps")
            page.write_text(refreshed(page.read_text("utf-8"), folder), "utf-8")


if __name__ == "__main__":
    main()
