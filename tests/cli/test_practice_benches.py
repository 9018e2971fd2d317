"""The demo benches with boards that the host times, at practice boards started by their command."""

from __future__ import annotations

import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

pytestmark = pytest.mark.pty

ROOT = Path(__file__).resolve().parents[2]
SWEEPS = ROOT / "sweeps"
KINDS = {"modbus-rtu": "practice-modbus", "ascii": "practice-ascii"}


def command(folder: Path, *words: str | Path, limit_s: float = 200) -> tuple[int, str]:
    done = subprocess.run(
        [sys.executable, "-m", *words], cwd=folder, capture_output=True, text=True,
        timeout=limit_s, check=False, stdin=subprocess.DEVNULL,
    )  # fmt: skip
    return done.returncode, done.stdout + done.stderr


@pytest.fixture
def practice(tmp_path: Path, brisk: Path) -> Iterator[Callable[[str], tuple[Path, Path]]]:
    """Start a board; return a bench file that names it, and its log."""
    started: list[tuple[subprocess.Popen[str], Path]] = []

    def start(kind: str) -> tuple[Path, Path]:
        at, log = tmp_path / "board", tmp_path / "board.log"
        process = subprocess.Popen(
            [sys.executable, "-m", "controller.practice", kind, "--at", at, "--log", log],
            cwd=ROOT, stdout=subprocess.PIPE, text=True,
        )  # fmt: skip
        started.append((process, at))
        assert process.stdout is not None
        assert process.stdout.readline() == f"A practice board of 18 outputs answers at {at}\n"
        text = (SWEEPS / "benches" / f"{KINDS[kind]}.toml").read_text()
        # A test must not depend on how busy the machine is.
        text = text.replace("step_ms = 100", "step_ms = 400").replace(
            "step_ms = 50", "step_ms = 400"
        )
        text = text.replace("/tmp/rungwise-practice", str(at)).replace("../", f"{brisk}/")
        bench = tmp_path / "bench.toml"
        bench.write_text(text)
        return bench, log

    yield start
    for process, at in started:
        process.send_signal(signal.SIGTERM)
        process.wait(10)
        assert process.stdout is not None
        process.stdout.close()
        assert not at.is_symlink(), "the name goes with its board"


def carried_out(folder: Path, bench: Path, log: Path, verb: str, steps: int) -> None:
    plan = folder / "brisk" / f"coolant-{verb}.toml"
    words = ("rungwise", verb, plan, "--bench", bench, "--record", "run.jsonl", "--yes")
    status, told = command(folder, *words, limit_s=900)
    assert status == 0, told
    assert f"PASS: All {steps} steps passed" in told
    states = [int(line, 16) for line in log.read_text().split()]
    assert states[-1] == 0
    assert len(states) > steps
    status, told = command(folder, "rungwise", "replay", "run.jsonl")
    assert status == 0, told
    assert "no differences" in told


@pytest.mark.soak
@pytest.mark.parametrize("kind", KINDS)
def test_the_check_passes_and_its_record_replays(tmp_path: Path, practice, kind: str) -> None:
    carried_out(tmp_path, *practice(kind), "check", 3)


@pytest.mark.night
@pytest.mark.parametrize("kind", KINDS)
def test_the_sweep_passes_and_its_record_replays(tmp_path: Path, practice, kind: str) -> None:
    carried_out(tmp_path, *practice(kind), "sweep", 61)


@pytest.mark.parametrize("kind", KINDS)
def test_a_step_time_is_measured_on_parked_outputs(tmp_path: Path, practice, kind: str) -> None:
    bench, log = practice(kind)
    status, told = command(tmp_path, "rungwise", "links", "--bench", bench, "--yes")
    assert status == 0, told
    assert "50 changes on parked outputs" in told
    assert log.read_text().split() == ["0x0"], "no relay has moved"


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("modbus-rtu", "--outputs", "0"), "must be 1 or more"),
        (("ascii", "--log", "nowhere/x"), "nowhere/x: cannot be written"),
        (("ascii", "--at", "nowhere/x"), "nowhere/x: cannot be made"),
        (("ascii", "--fault", "loud"), "invalid choice"),
    ],
)
def test_what_a_practice_board_cannot_do_is_said(tmp_path: Path, words, said: str) -> None:
    status, told = command(ROOT, "controller.practice", *words)
    assert (status, said in told) == (2, True), told
