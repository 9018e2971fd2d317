"""A meter for tests that shares nothing with the program's side but the standard.

Answers after SCPI-1999 and IEEE 488.2: `*IDN?`, `*CLS`, `CONF:RES`, `CONF:FRES`, `READ?`,
`SYST:ERR?`. It can be served at a pseudo-terminal, at a socket of the loopback interface, or on a
virtual clock with everything that can go wrong between asking and answering.
"""

from __future__ import annotations

import os
import random
import select
import socket
import threading
import tty
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress

from controller.clock import VirtualClock

IDENTITY = "Harbour workshop,Bench ohm meter,0001,1.0"


class FakeMeter:
    """What it says to a line. `ohms` gives what is at its terminals; `script` goes before it."""

    def __init__(self, ohms: Callable[[], float], *, four_wires: bool = True) -> None:
        self.ohms = ohms
        self.script: deque[str | None] = deque()
        self.heard: list[str] = []
        self.four_wires = four_wires
        self.errors: deque[str] = deque()
        self.mute = False

    def answer(self, line: str) -> str | None:
        self.heard.append(line)
        if self.mute:
            return None
        match line.upper():
            case "*IDN?":
                return IDENTITY
            case "*CLS":
                self.errors.clear()
            case "CONF:FRES" if not self.four_wires:
                self.errors.append('-113,"Undefined header"')
            case "CONF:FRES" | "CONF:RES" | "SYST:REM":
                pass
            case "READ?":
                if self.script:
                    return self.script.popleft()
                return f"{self.ohms():+.8E}"
            case "SYST:ERR?":
                return self.errors.popleft() if self.errors else '0,"No error"'
            case _:
                self.errors.append('-113,"Undefined header"')
        return None


def _serve(meter: FakeMeter, receive: Callable[[], bytes], send: Callable[[bytes], object]) -> None:
    text = b""
    with suppress(OSError):
        while data := receive():
            text += data
            while b"\n" in text:
                line, _, text = text.partition(b"\n")
                said = meter.answer(line.decode("ascii", "replace").strip())
                if said is not None:
                    send(said.encode() + b"\r\n")


@contextmanager
def at_a_pty(meter: FakeMeter) -> Iterator[str]:
    ours, theirs = os.openpty()
    tty.setraw(theirs)
    over = threading.Event()

    def receive() -> bytes:
        while not over.is_set():
            if select.select([ours], [], [], 0.02)[0]:
                return os.read(ours, 1024)
        return b""

    thread = threading.Thread(target=_serve, args=(meter, receive, lambda d: os.write(ours, d)))
    thread.start()
    try:
        yield os.ttyname(theirs)
    finally:
        over.set()
        thread.join()
        os.close(theirs)
        os.close(ours)


@contextmanager
def at_a_socket(meter: FakeMeter) -> Iterator[tuple[int, Callable[[], None]]]:
    """Yield the port, and what pulls the cable."""
    door = socket.create_server(("127.0.0.1", 0))
    held: list[socket.socket] = []

    def serve() -> None:
        with suppress(OSError):
            while True:
                line, _ = door.accept()
                held.append(line)
                _serve(meter, lambda line=line: line.recv(1024), line.sendall)
                line.close()

    def pull() -> None:
        for line in (*held, door):
            with suppress(OSError):
                line.shutdown(socket.SHUT_RDWR)
            line.close()

    thread = threading.Thread(target=serve)
    thread.start()
    try:
        yield door.getsockname()[1], pull
    finally:
        pull()
        thread.join()


class BadLine:
    """A channel on a virtual clock: one request after the other, in order, each with its luck."""

    port = "bad line"

    def __init__(self, meter: FakeMeter, clock: VirtualClock, chance: random.Random) -> None:
        self.meter, self.clock, self.chance = meter, clock, chance
        self.luck = {"lost": 0.03, "unheard": 0.03, "twice": 0.03, "garbage": 0.03, "torn": 0.03}
        self.late = 0.15
        self.latest_s = 6.0
        self._free_s = 0.0
        self._due: deque[tuple[float, bytes]] = deque()

    def open(self) -> None:
        pass

    def drain(self) -> None:
        pass

    def close(self) -> None:
        pass

    def write(self, data: bytes) -> None:
        line = data.decode().strip()
        kind = self.chance.choices(
            [*self.luck, "well"], [*self.luck.values(), 1.0 - sum(self.luck.values())]
        )[0]
        if kind == "unheard":
            return
        takes_s = 0.3 if line == "READ?" else 0.01
        if self.chance.random() < self.late:
            takes_s = self.chance.uniform(0.0, self.latest_s)
        said = self.meter.answer(line)
        self._free_s = max(self._free_s, self.clock.now_s()) + takes_s
        if said is None or kind == "lost":
            return
        reply = said.encode() + b"\n"
        if kind == "garbage":
            reply = bytes(self.chance.randrange(128, 256) for _ in reply[:-1]) + b"\n"
        if kind == "torn":
            reply = reply[: self.chance.randrange(len(reply))]
        self._due.append((self._free_s, reply * (2 if kind == "twice" else 1)))

    def read(self, timeout_s: float) -> bytes:
        until_s = self.clock.now_s() + timeout_s
        if self._due and self._due[0][0] <= until_s:
            self.clock.sleep_s(self._due[0][0] - self.clock.now_s())
        else:
            self.clock.sleep_s(until_s - self.clock.now_s())
        data = b""
        while self._due and self._due[0][0] <= self.clock.now_s():
            data += self._due.popleft()[1]
        return data
