"""The firmware's builds as endpoints for the conformance checks.

Knows: the lines that `rungwise-host` and `rungwise-sim` understand, and how QEMU is started.
Must not know: what is checked.

A commanded board has no clock but the one we move, so nothing depends on how busy the machine is.
A live one runs by itself behind a pseudo-terminal or a socket, as a board on a bench does.
"""

from __future__ import annotations

import os
import re
import select
import socket
import subprocess
import termios
import time
from collections.abc import Sequence
from pathlib import Path

from firmware_protocol.conformance import Endpoint, NotApplicable, Pace
from firmware_protocol.conformance.bench import COUNTER

STM32F4_MACHINE = "netduinoplus2"
"""What QEMU calls its machine with an STM32F405; emulated_board.py has it too."""
LOOK_MS = 25
"""In which a board that reads its chain back every 16 ms has done so."""
BOOT_MS = 20
"""From power-up until any of the boards listens: the AVR writes its settings first."""


class Counter:
    """Widens the 16 bits of a board's millisecond counter to the 32 that checks reckon with."""

    def __init__(self, counter_ms: int = 0, at_us: int = 0) -> None:
        self._counter_ms = counter_ms
        self._at_us = at_us

    def at(self, us: int) -> int:
        """Return what the counter shows about then."""
        return self._counter_ms + (us - self._at_us) // 1000

    def widen(self, us: int, low: int) -> int:
        about = self.at(us)
        return (about + (low - about + 0x8000) % 0x10000 - 0x8000) % COUNTER


def parse_latch(line: str) -> tuple[int, int, int]:
    """Return microseconds, state and counter of a `latch` line."""
    _, us, state, counter = line.split()
    return int(us), int(state, 16), int(counter)


class CommandedBoard(Endpoint):
    """A board whose time is commanded over its standard input."""

    pace = Pace.OWN
    has_minutes = True
    counts_starts = True

    def __init__(
        self,
        command: Sequence[object],
        *,
        forbidden_state: int | None = None,
        boot_ms: int = BOOT_MS,
        counter_ms: int = 0,
    ) -> None:
        self.forbidden_state = forbidden_state
        self.now_us = 0
        self.latched_us: list[tuple[int, int]] = []
        self.noted: dict[str, int] = {}
        self._counter = Counter(counter_ms)
        self._latches: list[tuple[int, int]] = []
        self._sent = b""
        self._process = subprocess.Popen(
            [*map(str, command), "--commanded"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
            bufsize=1,
        )
        self.advance(boot_ms)

    def command(self, line: str) -> None:
        assert self._process.stdin is not None
        self._process.stdin.write(line + "\n")

    def run(self, line: str) -> None:
        """Give a command that lets time pass, and read what happened until it has."""
        self.command(line)
        assert self._process.stdout is not None
        for said in self._process.stdout:
            word, _, rest = said.strip().partition(" ")
            if word == "at":
                self.now_us = int(rest)
                return
            if word == "latch":
                us, state, low = parse_latch(said)
                self.latched_us.append((us, state))
                self._latches.append((self._counter.widen(us, low), state))
            elif word == "sent":
                self._sent += bytes.fromhex(rest.split()[1])
            elif rest.isdigit():
                self.noted[word] = int(rest)
        raise RuntimeError(f"the board ended with {self._process.wait()}")

    def send(self, data: bytes) -> None:
        for at in range(0, len(data), 256):
            self.command("write " + data[at : at + 256].hex())

    def receive(self, timeout_ms: int) -> bytes:
        if not self._sent:
            self.run(f"await {timeout_ms * 1000}")
        data, self._sent = self._sent, b""
        return data

    def advance(self, ms: int) -> None:
        self.run(f"run {ms * 1000}")

    def now_ms(self) -> float:
        return self.now_us / 1000

    def latches(self) -> list[tuple[int, int]]:
        return list(self._latches)

    def restart(self) -> None:
        self.command("restart")
        self.advance(BOOT_MS)
        self._sent = b""

    def preset_counter(self, counter_ms: int) -> None:
        self.restart()
        self.command(f"clock {counter_ms % 0x10000}")
        self._counter = Counter(counter_ms, self.now_us)

    def hold_up(self, ms: int) -> None:
        counter_ms = self._counter.at(self.now_us) + ms
        self.command(f"clock {counter_ms % 0x10000}")
        self._counter = Counter(counter_ms, self.now_us)

    def stack_bytes(self) -> int:
        """Return how deep the stack of an emulated chip has been."""
        self.command("stack")
        self.advance(0)
        return self.noted["stack"]

    def close(self) -> None:
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.close()
        self._process.stdout.close()
        self._process.wait(timeout=60)

    @property
    def exit_code(self) -> int | None:
        return self._process.poll()


class HostBoard(CommandedBoard):
    """The C host port; it alone can be told of a fault."""

    def set_fault(self) -> None:
        self.command("fault")


class GuardedBoard(CommandedBoard):
    """An emulated chip that reads its chain back: it finds a stage that is stuck for a moment."""

    def set_fault(self) -> None:
        for command in ("stick 0 1", "mend"):
            self.command(command)
            self.advance(LOOK_MS)


class LiveBoard(Endpoint):
    """A board that runs by itself: bytes over a descriptor, latches from a record."""

    patience_ms = 5000
    pace = Pace.BEHIND
    _line: int

    def send(self, data: bytes) -> None:
        while data:
            _, ready, _ = select.select([], [self._line], [], 5)
            if not ready:
                raise RuntimeError("the board takes no bytes")
            data = data[os.write(self._line, data[:64]) :]

    def receive(self, timeout_ms: int) -> bytes:
        ready, _, _ = select.select([self._line], [], [], timeout_ms / 1000)
        return os.read(self._line, 4096) if ready else b""

    def advance(self, ms: int) -> None:
        time.sleep(ms / 1000)

    def now_ms(self) -> float:
        return time.monotonic() * 1000

    def record(self) -> str:
        """Return the whole lines of the latch record so far."""
        raise NotImplementedError

    def wait_for_latch(self, known: int) -> None:
        """Wait until the record has more lines than are known, and the board listens."""
        deadline = time.monotonic() + 30
        while len(self.record().splitlines()) <= known:
            if time.monotonic() > deadline:
                raise RuntimeError("the board does not come up")
            time.sleep(0.001)
        time.sleep(BOOT_MS / 1000)

    def latches(self) -> list[tuple[int, int]]:
        counter = Counter()
        found = []
        for line in self.record().splitlines():
            us, state, low = parse_latch(line)
            found.append((counter.widen(us, low), state))
        return found


class PtyBoard(LiveBoard):
    """A program that prints `pty PATH` and keeps a latch record in a file."""

    def __init__(
        self,
        command: Sequence[str | Path],
        record: Path,
        *,
        forbidden_state: int | None = None,
    ) -> None:
        self.forbidden_state = forbidden_state
        self._record = record
        self._process = subprocess.Popen(
            [*map(str, command), "--record", str(record)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
            bufsize=1,
        )
        assert self._process.stdout is not None
        self.path = next(
            line.split()[1] for line in self._process.stdout if line.startswith("pty ")
        )
        self._line = os.open(self.path, os.O_RDWR | os.O_NOCTTY)
        time.sleep(BOOT_MS / 1000)

    def line_flags(self) -> list[int | list[bytes | int]]:
        """Return the terminal's attributes, as termios has them."""
        return termios.tcgetattr(self._line)

    def command(self, line: str) -> None:
        assert self._process.stdin is not None
        self._process.stdin.write(line + "\n")

    def record(self) -> str:
        return self._record.read_text()

    def restart(self) -> None:
        known = len(self.record().splitlines())
        self.command("restart")
        self.wait_for_latch(known)

    def close(self) -> None:
        os.close(self._line)
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.close()
        self._process.wait(timeout=60)
        self._process.stdout.close()


class QemuBoard(LiveBoard):
    """The 32-bit port in QEMU: a socket is its line, and a file takes its record of latches.

    QEMU's clock follows the instructions it has run, so the times in the record do not depend on
    how busy the machine is. It may run behind ours, never ahead.
    """

    def __init__(
        self,
        image: Path,
        folder: Path,
        *,
        preset_at: int,
        ticks_at: int,
        forbidden_state: int | None = None,
        qemu: str = "qemu-system-arm",
        words: Sequence[str] = (),
    ) -> None:
        self.forbidden_state = forbidden_state
        self._image = image
        self._line_path = folder / "line"
        self._record_path = folder / "record"
        self._preset_at = preset_at
        self._ticks_at = ticks_at
        self._qemu = qemu
        self._words = words
        self._start(0)

    def _start(self, counter_ms: int) -> None:
        self._counter_ms = counter_ms
        self._line_path.unlink(missing_ok=True)
        self._record_path.write_text("")
        with socket.socket(socket.AF_UNIX) as listener:
            listener.bind(str(self._line_path))
            listener.listen(1)
            listener.settimeout(30)
            self._process = subprocess.Popen(
                [
                    *(self._qemu, "-M", STM32F4_MACHINE, "-display", "none", "-monitor", "stdio"),
                    *("-icount", "shift=5,sleep=on", "-kernel", str(self._image)),
                    *("-chardev", f"socket,id=line,path={self._line_path}"),
                    *("-chardev", f"file,id=record,path={self._record_path}"),
                    *("-serial", "chardev:line", "-serial", "chardev:record"),
                    *("-device", f"loader,addr={self._preset_at},data={counter_ms},data-len=4"),
                    *self._words,
                ],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                text=True,
                bufsize=1,
            )
            self._socket, _ = listener.accept()
        self._line = self._socket.fileno()
        self.wait_for_latch(0)

    def record(self) -> str:
        told = self._record_path.read_text()
        return told[: told.rfind("\n") + 1]

    def latches(self) -> list[tuple[int, int]]:
        counter = Counter(self._counter_ms)
        parsed = map(parse_latch, self.record().splitlines())
        return [(counter.widen(us, low), state) for us, state, low in parsed]

    def _ticks_ms(self) -> int:
        """Return the board's own millisecond counter, as QEMU's monitor finds it in its memory."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write(f"xp /1wx {self._ticks_at:#x}\n")
        for line in self._process.stdout:
            if found := re.match(rf"0*{self._ticks_at:x}: 0x([0-9a-f]{{8}})", line.strip()):
                return int(found[1], 16)
        raise RuntimeError("QEMU has ended")

    def advance(self, ms: int) -> None:
        """Wait until so much of the board's own time has passed: it may run behind ours."""
        began = self._ticks_ms()
        deadline = time.monotonic() + 30 + ms / 100
        while (passed := (self._ticks_ms() - began) % COUNTER) <= ms:
            if time.monotonic() > deadline:
                raise RuntimeError("the board's time stands still")
            time.sleep(max(1, ms + 1 - passed) / 1000)

    def restart(self) -> None:
        assert self._process.stdin is not None
        known = len(self.record().splitlines())
        self._process.stdin.write("system_reset\n")
        self.wait_for_latch(known)

    def preset_counter(self, counter_ms: int) -> None:
        self.close()
        self._start(counter_ms)

    def close(self) -> None:
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._socket.close()
        self._process.stdin.close()
        self._process.terminate()
        self._process.wait(timeout=60)
        self._process.stdout.close()


__all__ = [
    "CommandedBoard",
    "GuardedBoard",
    "HostBoard",
    "LiveBoard",
    "NotApplicable",
    "PtyBoard",
    "QemuBoard",
    "parse_latch",
]
