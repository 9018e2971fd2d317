"""Everything simulated and offline runs where POSIX modules and the hang-up signal are missing."""

from __future__ import annotations

import json
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


MAIN = "from controller.cli.main import main; sys.exit(main(sys.argv[1:]))"

ONE_BY_ONE = """
import contextlib, io, json
from controller.cli.main import main

ended = []
for line in json.loads(sys.argv[1]):
    said = io.StringIO()
    with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said):
        status = main(line.split())
    ended.append((status, said.getvalue()))
print(json.dumps(ended))
"""

LINES = {
    "curve sensors/tern-coolant.toml --at 20": 0,
    "nearest ladders/bench-16.toml 2k5": 0,
    "plan coolant-sweep.toml": 0,
    "set 2k5": 0,
    "replay a.jsonl": 0,
    "diagnose recorded/coolant-corroded.jsonl": 1,
    "compare a.jsonl b.jsonl": 0,
    "export a.jsonl": 0,
    "report a.jsonl": 0,
    "validate coolant-check.toml a.jsonl": 0,
}


def _ended(folder: Path, *lines: str) -> list[tuple[int, str]]:
    """Return how lines of words end, one after the other in one bare process."""
    done = _bare(ONE_BY_ONE, folder, json.dumps(lines))
    assert done.returncode == 0, done.stderr
    return [(status, said) for status, said in json.loads(done.stdout)]


@pytest.fixture(scope="module")
def workshop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("bare")
    check = "check coolant-check.toml --record"
    ended = _ended(folder, "init .", f"{check} a.jsonl", f"{check} b.jsonl")
    assert [status for status, _ in ended] == [0, 0, 0], ended
    return folder


def test_verbs_that_drive_nothing_real(workshop: Path) -> None:
    for line, (status, said) in zip(LINES, _ended(workshop, *LINES), strict=True):
        assert status == LINES[line], (line, said)
        assert "Traceback" not in said, line


def test_a_verb_by_itself(workshop: Path) -> None:
    ended = _bare(MAIN, workshop, "plan", "coolant-check.toml")
    assert ended.returncode == 0, ended.stderr
    assert "Traceback" not in ended.stderr


def test_the_modules_are_really_missing(tmp_path: Path) -> None:
    assert "ModuleNotFoundError" in _bare("import fcntl", tmp_path).stderr
    assert "AttributeError" in _bare("signal.SIGHUP", tmp_path).stderr


def test_counting_operations_and_the_screen_can_be_loaded(tmp_path: Path) -> None:
    ended = _bare("import controller.ladder.wear, controller.tui.app", tmp_path)
    assert ended.returncode == 0, ended.stderr


HOLDER = """
import sys
from pathlib import Path
from controller.clock import VirtualClock
from controller.session.jobs import sweeping
from controller.session.prepared import prepare

plan = prepare(Path("coolant-check.toml"), None, verb="check")
held = sweeping(plan, record=Path(sys.argv[1]), pace="fast", clock=VirtualClock())
print("held", flush=True)
sys.stdin.read()
held.record.close()
"""


@pytest.mark.parametrize("last", ["closed", "killed"])
def test_two_processes_never_write_one_record(workshop: Path, last: str) -> None:
    """A record under way is refused to another process, and free again when its writer is gone."""
    name = f"held-{last}.jsonl"
    with subprocess.Popen(
        [sys.executable, "-c", BARE + HOLDER, name],
        cwd=workshop,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as holder:
        assert holder.stdout is not None
        assert holder.stdout.readline() == "held\n"
        words = ("check", "coolant-check.toml", "--record", name, "--resume")
        refused = _bare(MAIN, workshop, *words)
        assert refused.returncode == 2
        assert "another run is writing this record" in refused.stderr
        if last == "killed":
            holder.kill()
    ended = _bare(MAIN, workshop, *words)
    assert ended.returncode == 0, ended.stderr
    assert not list(workshop.glob(f".{name}*")), "a lock is left behind"


def test_two_processes_counting_operations_lose_none(workshop: Path) -> None:
    code = """
from pathlib import Path
from controller.ladder.files import load_ladder
from controller.ladder.wear import add_operations

ladder = load_ladder(Path("ladders/bench-16.toml"))
for _ in range(15):
    add_operations(Path("wear.json"), ladder, [1] * ladder.relay_count)
"""
    line = [sys.executable, "-c", BARE + code]
    both = [subprocess.Popen(line, cwd=workshop, stderr=subprocess.PIPE, text=True) for _ in "ab"]
    for one in both:
        _, said = one.communicate()
        assert one.returncode == 0, said
    counts = json.loads((workshop / "wear.json").read_text("utf-8"))["ladders"]
    assert {count for of_one in counts.values() for count in of_one} == {30}
