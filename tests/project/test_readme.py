"""README and docs tell the truth: their commands are run, and what they print is compared.

A ``console`` block holds a command after ``$`` and the output that a reader will see. A line
``...`` stands for any number of lines, between two rows of a table only for rows of that table.
Commands that end in ``# not run`` are for a reader's own machine. Exit codes are stated in the
comment of the command, as in ``# exit status 1``.
"""

from __future__ import annotations

import os
import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

PYTHON = os.environ.get("RUNGWISE_PYTHON", sys.executable)
"""Whose installation is tried; CI names that of a wheel."""
ROOT = Path(__file__).resolve().parents[2]
README = (ROOT / "README.md").read_text("utf-8")
PAGES = [
    "README.md",
    *(f"controller/docs/{p.name}" for p in (ROOT / "controller/docs").glob("*.md")),
]
BLOCKS = [
    block
    for page in sorted(PAGES)
    for block in re.findall(
        r"^```console\n(.*?)^```$", (ROOT / page).read_text("utf-8"), re.DOTALL | re.MULTILINE
    )
]


def commands(block: str) -> list[tuple[str, str, int]]:
    found = []
    for part in re.split(r"^\$ ", block, flags=re.MULTILINE)[1:]:
        line, _, output = part.partition("\n")
        command, _, comment = line.partition("  #")
        if "not run" in comment:
            continue
        status = re.search(r"exit status (\d+)", comment)
        found.append((command.strip(), output, int(status[1]) if status else 0))
    return found


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("readme")
    shutil.copytree(ROOT / "sweeps", folder / "sweeps")
    return folder


def kind_of_line(line: str) -> str:
    """Return the first word, whatever its number: rows of a table begin alike."""
    return re.sub(r"\d+", "0", line.split()[0]) if line.split() else ""


def matches(shown: str, printed: str) -> bool:
    """Say whether the lines shown are those printed, and no ``...`` joins one table to another."""
    pieces = re.split(r"^\.\.\.\n", shown, flags=re.MULTILINE)
    found = re.fullmatch(r"((?:.*\n)*?)".join(re.escape(piece) for piece in pieces), printed)
    if found is None:
        return False
    for before, skipped, after in zip(pieces, found.groups(), pieces[1:], strict=False):
        if before and after:
            begins = {kind_of_line(line) for line in skipped.splitlines()}
            if begins - {
                kind_of_line(before.splitlines()[-1]),
                kind_of_line(after.splitlines()[0]),
            }:
                return False
    return True


def test_three_dots_do_not_join_two_tables() -> None:
    printed = "value ohm\nrelay 0 1\nrelay 1 2\nleads 3\nvalue then\nrelay 0 1\nrelay 1 2\n"
    assert matches("value ohm\nrelay 0 1\n...\nleads 3\nvalue then\n...\nrelay 1 2\n", printed)
    assert not matches("value ohm\nrelay 0 1\n...\nrelay 1 2\n", printed)
    assert matches("value ohm\n...\n", printed)  # what is left out at the end joins nothing


def test_there_is_something_to_run() -> None:
    assert sum(len(commands(block)) for block in BLOCKS) >= 5


@pytest.mark.parametrize("block", BLOCKS, ids=lambda block: block.partition("\n")[0][2:50])
def test_what_the_readme_shows_is_what_the_program_prints(folder: Path, block: str) -> None:
    """The commands of one block follow each other: a later one may need what the first has left."""
    for command, shown, status in commands(block):
        words = shlex.split(command)
        assert words[0] == "rungwise"
        environment = dict(
            os.environ, COLUMNS="100", NO_COLOR="1", RUNGWISE_DATA=str(folder / "data")
        )
        done = subprocess.run(
            [PYTHON, "-m", "controller.cli", *words[1:]],
            cwd=folder,
            env=environment,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            check=False,
        )
        trimmed = "".join(line.rstrip() + "\n" for line in done.stdout.splitlines())
        assert done.returncode == status, done.stdout
        assert matches(shown, trimmed), trimmed


def test_the_first_block_has_the_two_commands_of_a_fresh_machine() -> None:
    first = re.search(r"^```sh\n(.*?)^```$", README, re.DOTALL | re.MULTILINE)
    assert first
    lines = [line for line in first[1].splitlines() if line and not line.startswith("#")]
    assert len(lines) == 2
    assert "rungwise sweep sweeps/coolant-sweep.toml" in lines[0]
    assert lines[1].endswith("pytest")
    assert all("pip install" in line for line in lines)


def test_every_file_the_documents_point_to_exists() -> None:
    for name in ("DEVELOPERS.md", "firmware_protocol/SPEC.md", *PAGES):
        page = ROOT / name
        for target in re.findall(r"\]\(([^)#]+)(?:#[^)]*)?\)", page.read_text("utf-8")):
            if "://" not in target:
                assert (page.parent / target).exists(), f"{name} points to {target}"
