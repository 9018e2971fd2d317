"""Everything simulated and offline runs where POSIX modules and the hang-up signal are missing."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

BARE = """
import os, signal, sys

class Missing:
    def find_spec(self, name, path=None, target=None):
        if name in ("fcntl", "termios", "pty", "tty", "grp", "pwd", "resource"):
            raise ModuleNotFoundError(f"No module named {name!r}", name=name)

for name in ("fcntl", "termios", "pty", "tty"):
    sys.modules.pop(name, None)
sys.meta_path.insert(0, Missing())
del signal.SIGHUP, os.O_NONBLOCK, os.O_NOFOLLOW, os.O_CLOEXEC
"""


def _bare(code: str, folder: Path, *words: object) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", BARE + code, *map(str, words)],
        cwd=folder,
        capture_output=True,
        text=True,
        stdin=subprocess.DEVNULL,
    )


@pytest.fixture(scope="module")
def workshop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("bare")
    code = "from controller.cli.main import main; sys.exit(main(sys.argv[1:]))"
    assert _bare(code, folder, "init", ".").returncode == 0
    assert _bare(code, folder, "check", "coolant-check.toml", "--record", "a.jsonl").returncode == 0
    assert _bare(code, folder, "check", "coolant-check.toml", "--record", "b.jsonl").returncode == 0
    return folder


@pytest.mark.parametrize(
    ("line", "status"),
    [
        ("curve sensors/tern-coolant.toml --at 20", 0),
        ("nearest ladders/bench-16.toml 2k5", 0),
        ("plan coolant-sweep.toml", 0),
        ("set 2k5", 0),
        ("replay a.jsonl", 0),
        ("diagnose recorded/coolant-corroded.jsonl", 1),
        ("compare a.jsonl b.jsonl", 0),
        ("export a.jsonl", 0),
        ("report a.jsonl", 0),
        ("validate coolant-check.toml a.jsonl", 0),
    ],
)
def test_verbs_that_drive_nothing_real(workshop: Path, line: str, status: int) -> None:
    code = "from controller.cli.main import main; sys.exit(main(sys.argv[1:]))"
    ended = _bare(code, workshop, *line.split())
    assert ended.returncode == status, ended.stderr
    assert "Traceback" not in ended.stderr


def test_the_modules_are_really_missing(tmp_path: Path) -> None:
    assert "ModuleNotFoundError" in _bare("import fcntl", tmp_path).stderr
    assert "AttributeError" in _bare("signal.SIGHUP", tmp_path).stderr


def test_counting_operations_and_the_screen_can_be_loaded(tmp_path: Path) -> None:
    ended = _bare("import controller.ladder.wear, controller.tui.app", tmp_path)
    assert ended.returncode == 0, ended.stderr
