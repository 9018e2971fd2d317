"""What the terminal UI costs: its first frame, a core's time, bytes to the terminal.

Knows: a real pseudo-terminal, the keys that start a sweep, a bare Textual app to compare with.
Must not know: how the screens are made.
"""

from __future__ import annotations

import os
import pty
import select
import signal
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

from compiled import as_installed

ROOT = Path(__file__).resolve().parents[2]
FIRST_FRAME_AIM = 1.3
CPU_AIM_PERCENT = 5.0
BYTES_AIM = 10_000.0
ROUNDS = 9
WATCH_S = 15.0

BARE = """
from textual.app import App
from textual.widgets import Static
class Bare(App):
    def compose(self):
        yield Static("nothing driven")
Bare().run()
"""
OURS = "import sys; from controller.tui.start import main; sys.exit(main(['.']))"

BENCH = """
format = "rungwise-bench/1"
ladder = "{root}/sweeps/ladders/bench-mixed.toml"
[link]
kind = "simulated"
[readback]
kind = "simulated"
[simulation]
module = "{root}/sweeps/modules/tern-aux-diesel.toml"
reading_interval_s = {interval}
"""
PLAN = """
format = "rungwise-plan/1"
kind = "sweep"
name = "Long sweep"
sensor = "{root}/sweeps/sensors/tern-coolant.toml"
bench = "bench.toml"
tolerance_celsius = 3.0
dwell_s = {dwell}
[[targets]]
from_celsius = 0
to_celsius = 100
step_celsius = 1
direction = "up-then-down"
[settle]
within_celsius = 1.0
for_s = 0.5
at_most_s = 5.0
"""


class _Terminal:
    """A program in a terminal of 80 by 24."""

    def __init__(self, code: str, folder: Path) -> None:
        self.began_s = time.perf_counter()
        self.pid, self._master = pty.fork()
        if self.pid == 0:
            try:
                os.chdir(folder)
                environment = {**as_installed(), "TERM": "xterm-256color", "COLUMNS": "80"}
                environment |= {"LINES": "24", "PYTHONPATH": str(ROOT), "LC_ALL": "C.UTF-8"}
                os.execve(sys.executable, [sys.executable, "-c", code], environment)
            finally:
                os._exit(99)
        self.seen = b""

    def press(self, key: str) -> None:
        os.write(self._master, key.encode())

    def read(self, seconds: float) -> int:
        """Read what comes within a time; return how many bytes came."""
        before, deadline = len(self.seen), time.perf_counter() + seconds
        while (left := deadline - time.perf_counter()) > 0:
            ready, _, _ = select.select([self._master], [], [], left)
            if ready:
                self.seen += os.read(self._master, 65536)
        return len(self.seen) - before

    def until(self, fact: Callable[[bytes], bool], seconds: float = 30.0) -> float:
        """Read until a fact holds of all that was read; return the seconds since the start."""
        deadline = time.perf_counter() + seconds
        while not fact(self.seen):
            ready, _, _ = select.select([self._master], [], [], 0.5)
            if ready:
                self.seen += os.read(self._master, 65536)
            if time.perf_counter() > deadline:
                raise TimeoutError(self.seen[-500:])
        return time.perf_counter() - self.began_s

    def cpu_s(self) -> float:
        """Return the processor time the program has used."""
        fields = Path(f"/proc/{self.pid}/stat").read_text().rpartition(")")[2].split()
        return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")

    def end(self) -> None:
        with suppress(ProcessLookupError):
            os.kill(self.pid, signal.SIGTERM)
        deadline = time.perf_counter() + 10.0
        while os.waitpid(self.pid, os.WNOHANG)[0] == 0:
            with suppress(OSError):
                if select.select([self._master], [], [], 0.05)[0]:
                    os.read(self._master, 65536)
            if time.perf_counter() > deadline:
                os.kill(self.pid, signal.SIGKILL)
        os.close(self._master)


def _first_frame_s(code: str, folder: Path) -> float:
    terminal = _Terminal(code, folder)
    try:
        return terminal.until(lambda seen: b"nothing driven" in seen)
    finally:
        terminal.end()


def _sweeping(folder: Path, *, interval: float, dwell: float) -> _Terminal:
    (folder / "bench.toml").write_text(BENCH.format(root=ROOT, interval=interval))
    (folder / "plan.toml").write_text(PLAN.format(root=ROOT, dwell=dwell))
    terminal = _Terminal(OURS, folder)
    terminal.until(lambda seen: b"limit" in seen)
    terminal.press("\r")
    terminal.until(lambda seen: b"Start (s)" in seen)
    terminal.press("s")
    terminal.until(lambda seen: b"DRIVING" in seen)
    terminal.read(3.0)
    return terminal


def _row(
    name: str, measured: str, against: str, ratio: float | None, aim: str, met: bool
) -> dict[str, Any]:
    return {
        "name": name, "measured": measured, "against": against, "ratio": ratio,
        "aim": aim, "met": met,
    }  # fmt: skip


def first_frame() -> dict[str, Any]:
    """Compare the first frame with that of a bare app; pairs taken by turns."""
    with tempfile.TemporaryDirectory() as folder:
        for code in (OURS, BARE):
            _first_frame_s(code, Path(folder))
        pairs = [
            (_first_frame_s(OURS, Path(folder)), _first_frame_s(BARE, Path(folder)))
            for _ in range(ROUNDS)
        ]
    ours = statistics.median(one for one, _ in pairs)
    bare = statistics.median(other for _, other in pairs)
    ratio = ours / bare
    return _row(
        "terminal UI, first frame, against a bare Textual app",
        f"{ours * 1e3:.0f} ms", f"{bare * 1e3:.0f} ms", ratio,
        f"<= {FIRST_FRAME_AIM:g}x", ratio <= FIRST_FRAME_AIM,
    )  # fmt: skip


def processor() -> dict[str, Any]:
    """Measure a core's time while a module reports ten times a second."""
    with tempfile.TemporaryDirectory() as folder:
        terminal = _sweeping(Path(folder), interval=0.1, dwell=4.0)
        try:
            before = terminal.cpu_s()
            terminal.read(WATCH_S)
            percent = (terminal.cpu_s() - before) / WATCH_S * 100
        finally:
            terminal.end()
    return _row(
        "terminal UI at 10 Hz, 80x24, of one core",
        f"{percent:.1f} %", "-", None, f"<= {CPU_AIM_PERCENT:g} %", percent <= CPU_AIM_PERCENT,
    )  # fmt: skip


def traffic() -> dict[str, Any]:
    """Measure the bytes to the terminal during a sweep with a dwell of one second."""
    with tempfile.TemporaryDirectory() as folder:
        terminal = _sweeping(Path(folder), interval=0.25, dwell=1.0)
        try:
            per_s = terminal.read(WATCH_S) / WATCH_S
        finally:
            terminal.end()
    return _row(
        "terminal UI, bytes to the terminal at a dwell of 1 s, 80x24",
        f"{per_s / 1e3:.1f} kB/s", "-", None,
        f"<= {BYTES_AIM / 1e3:g} kB/s", per_s <= BYTES_AIM,
    )  # fmt: skip


def rows() -> list[dict[str, Any]]:
    """Return the three rows."""
    return [first_frame(), processor(), traffic()]


if __name__ == "__main__":
    for row in rows():
        print(row)
