"""The program in a real terminal: real signals, a real port, a terminal that goes or stands still.

The ladder is the protocol's own device behind a second pseudo-terminal. It lives in this process,
so that its own word on the relays can be taken when the program is gone.
"""

from __future__ import annotations

import fcntl
import json
import os
import pty
import re
import shlex
import shutil
import signal
import struct
import subprocess
import sys
import termios
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path

import pytest

from controller.clock import RealClock
from controller.links.pty_device import PtyDevice
from controller.links.simulated import SimulatedDevice
from controller.records.reader import load_record

pytestmark = pytest.mark.pty

ROOT = Path(__file__).resolve().parents[2]
SWEEPS = ROOT / "sweeps"
PARK = 0
RELAYS = 19

PLAIN = "import sys; from controller.tui.app import main; sys.exit(main(['.']))"
HOLDING = """
import serial, sys
held = serial.Serial(sys.argv[1], exclusive=True)
print("held", flush=True)
sys.stdin.read()
"""
CRASHING = """
import sys
from pathlib import Path
from controller.tui.app import RungwiseApp, run
from controller.tui.screens.run import RunScreen
shown = RunScreen.show_picture
def show(self, picture):
    if picture.view.done >= 1:
        raise RuntimeError("a widget has a mistake")
    shown(self, picture)
RunScreen.show_picture = show
sys.exit(run(RungwiseApp(Path("."))))
"""


PANICKING = """
import sys
from pathlib import Path
from controller.tui.app import RungwiseApp, run
from controller.tui.screens.choose import ChooseScreen
def look(self):
    self.app.panic("the terminal cannot be read")
ChooseScreen.action_look = look
sys.exit(run(RungwiseApp(Path("."))))
"""


FLOODING = """
import sys
from pathlib import Path
from textual.widget import Widget
from controller.tui.app import RungwiseApp, run
from controller.tui.screens.run import RunScreen
shown = RunScreen.show_picture
def show(self, picture):
    shown(self, picture)
    for widget in self.walk_children(Widget):
        widget.styles.opacity = 0.5 + 0.1 * (picture.number % 5)  # every cell is painted anew
RunScreen.show_picture = show
sys.exit(run(RungwiseApp(Path("."))))
"""


class Terminal:
    """A program in a pseudo-terminal of its own, as the leader of its session."""

    def __init__(self, code: str, folder: Path) -> None:
        self.folder = folder
        pid, self.master = pty.fork()
        if pid == 0:  # pragma: no cover - the child
            try:
                os.chdir(folder)
                environment = {**os.environ, "TERM": "xterm-256color", "COLUMNS": "80"}
                environment |= {"LINES": "24", "PYTHONPATH": str(ROOT), "LC_ALL": "C.UTF-8"}
                os.execve(sys.executable, [sys.executable, "-c", code], environment)
            finally:
                os._exit(99)
        self.pid = pid
        self.output = b""
        self.reading = True
        self.status: int | None = None
        self._thread = threading.Thread(target=self._drain, daemon=True)
        self._thread.start()

    def _drain(self) -> None:
        import select

        while True:
            if not self.reading:
                time.sleep(0.02)
                continue
            try:
                ready, _, _ = select.select([self.master], [], [], 0.05)
                if ready:
                    data = os.read(self.master, 65536)
                    if not data:
                        return
                    self.output += data
            except (OSError, ValueError):
                return

    def press(self, *keys: str) -> None:
        for key in keys:
            os.write(self.master, key.encode())
            time.sleep(0.05)

    def send(self, data: bytes) -> None:
        os.write(self.master, data)
        time.sleep(0.05)

    def until(self, fact: Callable[[], object], seconds: float = 120.0) -> None:
        deadline = time.monotonic() + seconds
        while not fact():
            assert time.monotonic() < deadline, self.output[-2000:].decode(errors="replace")
            assert not self.ended(), self.output[-2000:].decode(errors="replace")
            time.sleep(0.02)

    def ended(self) -> bool:
        if self.status is None:
            with suppress(ChildProcessError):
                pid, status = os.waitpid(self.pid, os.WNOHANG)
                if pid:
                    self.status = os.waitstatus_to_exitcode(status)
        return self.status is not None

    def wait(self, seconds: float = 120.0) -> int:
        deadline = time.monotonic() + seconds
        while not self.ended():
            assert time.monotonic() < deadline, "the program does not end"
            time.sleep(0.02)
        assert self.status is not None
        return self.status

    def hang_up(self) -> None:
        self.reading = False
        time.sleep(0.1)
        os.close(self.master)
        self.master = -1

    def close(self) -> None:
        if not self.ended():
            os.kill(self.pid, signal.SIGKILL)
            self.wait()
        if self.master >= 0:
            os.close(self.master)

    # What the record says meanwhile

    def record(self) -> Path | None:
        return next(iter((self.folder / "runs").glob("*.jsonl")), None)

    def lines(self, kind: str) -> list[dict[str, object]]:
        path = self.record()
        if path is None:
            return []
        found = []
        for line in path.read_text(encoding="utf-8").splitlines():
            with suppress(ValueError):
                entry = json.loads(line)
                if entry["type"] == kind:
                    found.append(entry)
        return found


@pytest.fixture
def device() -> Iterator[PtyDevice]:
    simulated = SimulatedDevice(relay_count=RELAYS, park_state=PARK, clock=RealClock())
    with PtyDevice(simulated) as served:
        yield served


@pytest.fixture
def bench(tmp_path: Path, device: PtyDevice) -> Path:
    (tmp_path / "bench.toml").write_text(
        f"""
format = "rungwise-bench/1"
ladder = "{SWEEPS}/ladders/bench-mixed.toml"
[link]
kind = "serial"
url = "{device.path}"
[readback]
kind = "simulated"
[simulation]
module = "{SWEEPS}/modules/tern-aux-diesel.toml"
"""
    )
    (tmp_path / "plan.toml").write_text(
        f"""
format = "rungwise-plan/1"
kind = "sweep"
name = "Long sweep"
sensor = "{SWEEPS}/sensors/tern-coolant.toml"
bench = "bench.toml"
tolerance_celsius = 3.0
[[targets]]
from_celsius = 0
to_celsius = 100
step_celsius = 0.5
[settle]
within_celsius = 1.0
for_s = 1.0
at_most_s = 5.0
"""
    )
    return tmp_path


def started(code: str, folder: Path) -> Terminal:
    """Bring the program to a running sweep: plan, start, cautions."""
    terminal = Terminal(code, folder)
    terminal.until(lambda: b"Long sweep" in terminal.output and b"limit" in terminal.output)
    terminal.press("\r")
    terminal.until(lambda: b"Start (s)" in terminal.output)
    terminal.press("s")
    terminal.until(lambda: b"I have read it" in terminal.output)
    terminal.press("y")
    terminal.until(lambda: len(terminal.lines("step")) >= 1 or code is CRASHING)
    return terminal


def check_parked_and_whole(terminal: Terminal, device: PtyDevice, ended: str = "stopped") -> None:
    device.catch_up()
    assert device.device.state == PARK
    path = terminal.record()
    assert path is not None
    record = load_record(path)
    assert record.broken is None
    assert record.torn_bytes == 0
    assert record.closing is not None
    assert record.closing["ended"] == ended


@pytest.mark.parametrize(
    "number",
    [
        signal.SIGTERM,
        pytest.param(signal.SIGHUP, marks=pytest.mark.soak),
        pytest.param(signal.SIGINT, marks=pytest.mark.soak),
    ],
)
def test_signals_park_and_leave_a_whole_record(
    bench: Path, device: PtyDevice, number: signal.Signals
) -> None:
    terminal = started(PLAIN, bench)
    try:
        device.catch_up()
        assert device.device.state != PARK
        os.kill(terminal.pid, number)
        assert terminal.wait() == 130, terminal.output[-3000:].decode(errors="replace")
        check_parked_and_whole(terminal, device)
    finally:
        terminal.close()


def test_a_closed_terminal_parks(bench: Path, device: PtyDevice) -> None:
    terminal = started(PLAIN, bench)
    try:
        terminal.hang_up()
        assert terminal.wait() == 130
        check_parked_and_whole(terminal, device)
    finally:
        terminal.close()


@pytest.mark.soak
def test_a_terminal_that_stands_still_holds_nothing_up(bench: Path, device: PtyDevice) -> None:
    terminal = started(FLOODING, bench)
    try:
        terminal.reading = False
        time.sleep(0.2)
        # The terminal's buffer is full once no more bytes wait although the run goes on.
        waiting = [-2, -1]

        def full() -> bool:
            count = struct.unpack("i", fcntl.ioctl(terminal.master, termios.FIONREAD, bytes(4)))[0]
            waiting.append(count)
            time.sleep(0.25)
            return waiting[-1] > 4000 and len(set(waiting[-4:])) == 1

        terminal.until(full)
        before = len(terminal.lines("step"))
        terminal.until(lambda: len(terminal.lines("step")) >= before + 3)
        os.kill(terminal.pid, signal.SIGTERM)
        assert terminal.wait() == 130
        check_parked_and_whole(terminal, device)
    finally:
        terminal.close()


def test_a_crash_in_a_widget_parks(bench: Path, device: PtyDevice) -> None:
    terminal = started(CRASHING, bench)
    try:
        assert terminal.wait() == 1
        check_parked_and_whole(terminal, device)
        assert b"a widget has a mistake" in terminal.output
        assert b"the ladder is parked" in terminal.output
    finally:
        terminal.close()


def test_ctrl_c_stops_first_and_quits_second(bench: Path, device: PtyDevice) -> None:
    terminal = started(PLAIN, bench)
    try:
        terminal.press("\x03")
        terminal.until(lambda: terminal.lines("closing"))
        check_parked_and_whole(terminal, device)
        terminal.until(lambda: b"Run again" in terminal.output)
        assert not terminal.ended()
        terminal.press("\x03")
        assert terminal.wait() == 0
    finally:
        terminal.close()


@pytest.mark.soak
def test_f12_stops(bench: Path, device: PtyDevice) -> None:
    terminal = started(PLAIN, bench)
    try:
        terminal.press("\x1b[24~")
        terminal.until(lambda: terminal.lines("closing"))
        check_parked_and_whole(terminal, device)
    finally:
        terminal.close()


def test_a_board_that_is_unplugged_ends_the_run_in_words(bench: Path, device: PtyDevice) -> None:
    terminal = started(PLAIN, bench)
    try:
        device.unplug()
        terminal.until(lambda: terminal.lines("closing"))
        assert terminal.lines("closing")[0]["ended"] == "fault"
        terminal.until(lambda: b"ENDED BY A FAULT" in terminal.output)
        terminal.until(lambda: b"RELAYS UNKNOWN" in terminal.output)
    finally:
        terminal.close()


@pytest.mark.soak
def test_a_port_that_is_held_is_said_to_be_held(bench: Path, device: PtyDevice) -> None:
    holder = subprocess.Popen(
        [
            sys.executable,
            "-c",
            HOLDING,
            device.path,
        ],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
    )
    try:
        assert holder.stdout is not None
        assert holder.stdout.readline() == b"held\n"
        terminal = Terminal(PLAIN, bench)
        try:
            terminal.until(lambda: b"limit" in terminal.output)
            terminal.press("\r")
            terminal.until(lambda: b"Start (s)" in terminal.output)
            terminal.press("s")
            terminal.until(lambda: b"I have read it" in terminal.output)
            terminal.press("y")
            terminal.until(lambda: b"another program has the port open" in terminal.output)
            assert device.received == 0
        finally:
            terminal.close()
    finally:
        holder.communicate(b"", timeout=60)


@pytest.fixture
def typed(tmp_path: Path) -> Path:
    (tmp_path / "bench.toml").write_text(
        f"""
format = "rungwise-bench/1"
ladder = "{SWEEPS}/ladders/bench-mixed.toml"
[link]
kind = "simulated"
[readback]
kind = "typed"
[simulation]
module = "{SWEEPS}/modules/tern-aux-diesel.toml"
"""
    )
    (tmp_path / "plan.toml").write_text(
        f"""
format = "rungwise-plan/1"
kind = "check"
name = "Short check"
sensor = "{SWEEPS}/sensors/tern-coolant.toml"
bench = "bench.toml"
tolerance_celsius = 3.0
[[targets]]
celsius = [83, 20]
"""
    )
    return tmp_path


def test_a_degree_sign_from_a_latin_1_terminal_is_a_reading(typed: Path) -> None:
    terminal = Terminal(PLAIN, typed)
    try:
        terminal.until(lambda: b"Short check" in terminal.output)
        terminal.until(lambda: b"limit" in terminal.output)
        terminal.press("\r")
        terminal.until(lambda: b"Start (s)" in terminal.output)
        terminal.press("s")
        terminal.until(lambda: b"Step 1 of 2" in terminal.output)
        # ISO/IEC 8859-1 writes the degree sign as B0; in UTF-8 that byte stands for nothing.
        terminal.send(b"83\xb0C")
        terminal.send(b"\r")
        terminal.until(lambda: terminal.lines("step"))
        assert terminal.lines("step")[0]["reported_celsius"] == pytest.approx(83.0)
        terminal.send(b"\xff\xfe\xc3\x28\x9b\x80\x1b[999;\xb0z")
        terminal.press("\x1b[24~")
        terminal.until(lambda: terminal.lines("closing"))
        path = terminal.record()
        assert path is not None
        closing = load_record(path).closing
        assert closing is not None
        assert closing["ended"] == "stopped"
        assert not terminal.ended()
    finally:
        terminal.close()


def test_a_screen_that_fails_has_no_status_of_all_pass(typed: Path) -> None:
    terminal = Terminal(PANICKING, typed)
    try:
        assert terminal.wait() == 1
        assert b"The screen has failed; nothing was driven" in terminal.output
    finally:
        terminal.close()


class Multiplexer:
    """A program in tmux with a server of its own; clients are terminals of any size."""

    def __init__(self, folder: Path, code: str) -> None:
        self._socket = str(folder / "tmux")
        self._clients: list[tuple[int, int]] = []
        # a size stated in the environment would count more than the terminal's
        program = (
            f"env -u COLUMNS -u LINES PYTHONPATH={ROOT} {sys.executable} -c {shlex.quote(code)}"
        )
        self("new-session", "-d", "-x", "80", "-y", "24", "-s", "one", "-c", str(folder), program)
        self("set", "-g", "window-size", "latest")
        self("set", "-g", "status", "off")

    def __call__(self, *words: str) -> str:
        command = ["tmux", "-S", self._socket, "-f", "/dev/null", *words]
        done = subprocess.run(command, capture_output=True, text=True, timeout=30, check=True)
        return done.stdout

    def shown(self) -> list[str]:
        return self("capture-pane", "-p", "-t", "one").splitlines()

    def until(self, fact: Callable[[list[str]], bool]) -> list[str]:
        deadline = time.monotonic() + 60
        while not fact(lines := self.shown()):
            assert time.monotonic() < deadline, "\n".join(lines)
            time.sleep(0.1)
        return lines

    def attach(self, columns: int, lines: int) -> None:
        """Attach one more client with a terminal of its own."""
        pid, master = pty.fork()
        if pid == 0:  # pragma: no cover - the child
            os.environ["TERM"] = "xterm-256color"
            os.execvp("tmux", ["tmux", "-S", self._socket, "attach", "-t", "one"])
        self._clients.append((pid, master))
        threading.Thread(target=_read_away, args=(master,), daemon=True).start()
        deadline = time.monotonic() + 60
        while str(pid) not in self("list-clients", "-F", "#{client_pid}").split():
            assert time.monotonic() < deadline
            time.sleep(0.1)
        # the kernel tells the client of its new size, and tmux takes that for a sign of life
        fcntl.ioctl(master, termios.TIOCSWINSZ, struct.pack("HHHH", lines, columns, 0, 0))

    def close(self) -> None:
        with suppress(subprocess.CalledProcessError):
            self("kill-server")
        for pid, _ in self._clients:
            with suppress(ChildProcessError):
                os.waitpid(pid, 0)


def _read_away(master: int) -> None:
    with suppress(OSError):
        while os.read(master, 65536):
            pass
    os.close(master)


@pytest.mark.soak
@pytest.mark.skipif(shutil.which("tmux") is None, reason="tmux is not there")
def test_a_run_outlives_its_clients_and_fits_each_new_one(bench: Path, device: PtyDevice) -> None:
    """Begun with no client, seen by two of different sizes, by none, by a small one."""
    screen = Multiplexer(bench, PLAIN)
    try:
        screen.until(lambda lines: any("limit" in line for line in lines))
        screen("send-keys", "-t", "one", "Enter")
        screen.until(lambda lines: any("Start (s)" in line for line in lines))
        screen("send-keys", "-t", "one", "s")
        screen.until(lambda lines: any("(y)" in line for line in lines))
        screen("send-keys", "-t", "one", "y")
        screen.until(lambda lines: any("DRIVING" in line for line in lines))
        for columns, rows in ((80, 24), (140, 45)):
            screen.attach(columns, rows)
            lines = screen.until(lambda shown, rows=rows: _fills(shown, rows))
            assert max(map(len, lines)) <= columns
        screen("detach-client", "-s", "one")
        done = _done(screen.shown())
        screen.until(lambda lines: _done(lines) > done)
        screen.attach(60, 18)
        # how far it is, is said at 60 columns too
        lines = screen.until(lambda shown: _fills(shown, 18) and _done(shown) > done)
        assert max(map(len, lines)) <= 60
        screen("send-keys", "-t", "one", "F12")
        screen.until(lambda lines: any("stopped" in line for line in lines))
        device.catch_up()
        assert device.device.state == PARK
    finally:
        screen.close()


def _fills(lines: list[str], rows: int) -> bool:
    """Whether the keys stand on the last line of a window of so many rows, under the status."""
    return len(lines) == rows and "F12 STOP" in lines[-1] and "DRIVING" in lines[-2]


def _done(lines: list[str]) -> int:
    found = re.search(r"(\d+) of \d+ done", "\n".join(lines))
    return -1 if found is None else int(found[1])
