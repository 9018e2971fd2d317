"""A newcomer writes a bench file for a board nobody has heard of, by the README alone.

The board's words are made up here and stand nowhere else; only values are filled into the README's
table. At the other end is a practice board that speaks them.
"""

from __future__ import annotations

import json
import re
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from controller.practice.__main__ import PracticePort
from controller.practice.board import Board, Faults, Outputs

pytestmark = pytest.mark.pty

ROOT = Path(__file__).resolve().parents[2]
SECTION = (ROOT / "README.md").read_text("utf-8").partition("### A relay board one can buy\n")[2]
SECTION = SECTION.partition("\n## ")[0]
[TABLE] = re.findall(r"^```toml\n(.*?)^```$", SECTION, re.DOTALL | re.MULTILINE)
[COMMANDS] = re.findall(r"^```sh\n(.*?)^```$", SECTION, re.DOTALL | re.MULTILINE)

FILLED_IN = {
    "ladder": f'"{ROOT}/sweeps/ladders/bench-16.toml"',
    "baud": "19200",
    "outputs": "24",
    "declared_name": '"boathouse 3"',
    "set": '"lamps={bits-low-first}"',
    "set_reply": None,
    "read": '"lamps?"',
    "read_reply": '"now {bits-low-first} {any}"',
    "identify": '"whose?"',
    "identify_reply": '"{name}, ready"',
    "ending": r'"\r"',
    "echo": "true",
}


class BoathouseLamps:
    """Speaks the invented words: echoes each command, does not answer a set."""

    def requests(self, data: bytes) -> tuple[list[bytes], bytes]:
        *lines, rest = data.split(b"\r")
        return lines, rest

    def answer(self, outputs: Outputs, request: bytes) -> bytes:
        echo = request + b"\r"
        if request.startswith(b"lamps=") and len(request) == 6 + outputs.count:
            outputs.set(int(request[:5:-1], 2))
            return echo
        if request == b"lamps?":
            bits = f"{outputs.state:0{outputs.count}b}"[::-1]
            return echo + f"now {bits} at 21 degrees\r".encode()
        return echo + (b"boathouse 3, ready\r" if request == b"whose?" else b"pardon\r")

    def of_another(self, answer: bytes) -> bytes:
        return answer

    def of_fewer(self, answer: bytes) -> bytes:
        return answer


@pytest.fixture
def lamps() -> Iterator[tuple[PracticePort, Outputs]]:
    outputs = Outputs(24)
    port = PracticePort(Board(outputs, BoathouseLamps(), Faults()))
    thread = threading.Thread(target=port.serve, daemon=True)
    thread.start()
    yield port, outputs
    if thread.is_alive():
        port.stop()
        thread.join(5)


def filled_in(url: str, *, step_ms: int = 300, sweeps: Path = ROOT / "sweeps") -> str:
    """Return the README's table with the values of another board; every key is the README's."""
    values = {**FILLED_IN, "url": f'"{url}"', "step_ms": str(step_ms)}
    lines, used = [], set()
    for line in TABLE.splitlines():
        key = line.partition(" = ")[0]
        used.add(key)
        if key not in values:
            lines.append(line)
        elif values[key] is not None:
            lines.append(f"{key} = {values[key]}")
    assert used >= set(values), "the README's table names every key that is needed"
    # What nobody has answered yet is waited out after each doubt; nothing comes later from here.
    text = "\n".join(lines).replace("\noutputs =", "\nwait_out_ms = 50\noutputs =")
    module = sweeps / "modules" / "tern-aux-diesel.toml"
    return text.replace('kind = "typed"', 'kind = "simulated"') + (
        f'\n[simulation]\nmodule = "{module}"\n'
    )


def rungwise(folder: Path, *words: str | Path, status: int = 0) -> str:
    done = subprocess.run(
        [sys.executable, "-m", "rungwise", *words], cwd=folder, capture_output=True, text=True,
        timeout=120, check=False, stdin=subprocess.DEVNULL,
    )  # fmt: skip
    assert done.returncode == status, done.stdout + done.stderr
    return done.stdout + done.stderr


@pytest.mark.soak
def test_from_the_readme_to_a_check_that_passes_and_replays(
    tmp_path: Path, lamps, brisk: Path
) -> None:
    port, outputs = lamps
    (tmp_path / "board.toml").write_text(filled_in(port.path, sweeps=brisk))
    lines = COMMANDS.splitlines()
    assert [line.split()[:2] for line in lines] == [
        ["python", "-m"], ["rungwise", "validate"], ["rungwise", "links"],
        ["rungwise", "ladder"], ["rungwise", "check"],
    ]  # fmt: skip
    rungwise(tmp_path, *lines[1].split()[1:])
    told = rungwise(tmp_path, *lines[2].split()[1:])
    assert "changes on parked outputs" in told
    assert "does not park by itself" in told
    told = rungwise(tmp_path, *lines[3].partition("#")[0].split()[1:], status=4)
    assert "All 18 relays were commanded and read back" in told
    words = [word.replace("sweeps/", f"{brisk}/") for word in lines[4].split()[1:]]
    seen: list[int] = []
    outputs._on_change = seen.append
    told = rungwise(tmp_path, *words, "--record", "run.jsonl")
    assert "Driving boathouse 3" in told
    assert "PASS: All 3 steps passed" in told
    assert seen[-1] == outputs.state == 0
    assert all(
        (before ^ after).bit_count() == 1
        for before, after in zip([0, *seen[:-2]], seen[:-1], strict=True)
    ), "one relay at a time, but for the parking"
    assert "no differences" in rungwise(tmp_path, "replay", "run.jsonl")
    with (tmp_path / "run.jsonl").open() as record:
        board = json.loads(record.readline())["bench"]["board"]
    assert (board["parks_by_itself"], board["guardian"], board["step_ms"]) == (False, True, 300)
    report = rungwise(tmp_path, "report", "run.jsonl")
    assert "does not park by itself; a guardian process parks it" in report
    assert "Then unplug it from the module by hand" in " ".join(report.split())


def test_a_wrong_word_is_refused_before_anything_is_driven(tmp_path: Path, lamps) -> None:
    port, outputs = lamps
    seen: list[int] = []
    outputs._on_change = seen.append
    text = filled_in(port.path).replace("lamps?", "lamp?")
    (tmp_path / "board.toml").write_text(text)
    plan = ROOT / "sweeps" / "coolant-check.toml"
    told = rungwise(tmp_path, "check", plan, "--bench", "board.toml", "--yes", status=3)
    assert "'pardon' does not tell 24 outputs" in told
    assert "nothing was driven" in told
    assert seen == []


def test_a_set_that_the_board_does_not_take_is_told_from_a_slow_board(
    tmp_path: Path, lamps
) -> None:
    """Its answers to questions fit, and parked outputs are what they should be all the same."""
    port, outputs = lamps
    answered = filled_in(port.path).replace("[link.words]", '[link.words]\nset_reply = "done"')
    (tmp_path / "board.toml").write_text(answered)
    told = rungwise(tmp_path, "links", "--bench", "board.toml", "--yes", status=3)
    assert "at 3 sets one after the other, though it answers what is asked" in told
    assert "as its manual does?" in told
    assert "step_ms = " not in told
    assert outputs.state == 0


@pytest.mark.soak
def test_a_board_slower_than_its_file_says_is_refused(tmp_path: Path, lamps) -> None:
    port, outputs = lamps
    answer = BoathouseLamps.answer

    class Slow(BoathouseLamps):
        def answer(self, outputs: Outputs, request: bytes) -> bytes:
            threading.Event().wait(0.02)
            return answer(self, outputs, request)

    port.board.language = Slow()
    (tmp_path / "board.toml").write_text(filled_in(port.path, step_ms=5))
    plan = ROOT / "sweeps" / "coolant-check.toml"
    told = rungwise(tmp_path, "check", plan, "--bench", "board.toml", "--yes", status=3)
    assert "more than step_ms = 5" in told
    assert "the ladder is parked" in told
    told = rungwise(tmp_path, "links", "--bench", "board.toml", "--yes")
    assert "runs would be refused. Write step_ms = " in told
    assert outputs.state == 0


def test_the_cautions_of_such_a_ladder_come_first(tmp_path: Path, lamps) -> None:
    port, _ = lamps
    (tmp_path / "board.toml").write_text(filled_in(port.path))
    for words in (
        ("check", ROOT / "sweeps" / "coolant-check.toml", "--bench", "board.toml"),
        ("links", "--bench", "board.toml"),
        ("set", "2.5k", "--bench", "board.toml"),
    ):
        told = " ".join(rungwise(tmp_path, *words, status=2).split())
        assert told.index("Cooling fans can start") < told.index("does not park by itself")
        assert told.index("does not park by itself") < told.index("Engine off")
        assert "do not suit a sensor's dry circuit" in told
        assert "add --yes when they have been read" in told
