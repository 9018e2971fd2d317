"""A request over a pseudo-terminal, against a bare pyserial echo over the same kind of terminal.

Knows: the serial link and the simulated device behind a terminal.
Must not know: runs.

Both have their other end in a process of its own, as a device is. The echo sends as many bytes
there and back as the request and its reply have together, so that both move the same bytes.
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import termios
import time
import tty
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import serial

from controller.clock import RealClock
from controller.links.pty_device import PtyDevice
from controller.links.serial import serial_link
from controller.links.simulated import SimulatedDevice

AIM = 2.0
REQUESTS = 200
ROUNDS = 15
BYTES = 10
"""A status request has 6 bytes on the line, its reply for 18 relays 14: 10 each way."""


def _serve_echo() -> None:
    """Be the other end of the echo, until standard input ends."""
    ours, theirs = os.openpty()
    tty.setraw(theirs, termios.TCSANOW)
    print(os.ttyname(theirs), flush=True)
    while True:
        os.write(ours, os.read(ours, 4096))


def _serve_device() -> None:
    """Be the device, until standard input ends."""
    device = SimulatedDevice(relay_count=18, park_state=0, clock=RealClock())
    with PtyDevice(device) as pty:
        print(pty.path, flush=True)
        sys.stdin.read()


@contextmanager
def _other_end(kind: str) -> Iterator[str]:
    """Run the other end in a process of its own; yields the path of its terminal."""
    process = subprocess.Popen(
        [sys.executable, __file__, kind], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    try:
        if process.stdout is None:
            raise RuntimeError("no output to read the path from")
        yield process.stdout.readline().strip()
    finally:
        process.kill()
        process.communicate()


def _mean_s(act: Callable[[], object]) -> float:
    began = time.perf_counter()
    for _ in range(REQUESTS):
        act()
    return (time.perf_counter() - began) / REQUESTS


def rows() -> list[dict[str, Any]]:
    """Measure by turns, so that both meet the same machine; the ratio is the rounds' median."""
    with _other_end("device") as device_path, _other_end("echo") as echo_path:
        link = serial_link(device_path)
        link.open(hold_off_ms=60000)
        data = b"\x55" * BYTES
        with serial.Serial(echo_path, 115200, timeout=1.0, exclusive=True) as port:

            def echo() -> None:
                port.write(data)
                if port.read(BYTES) != data:
                    raise RuntimeError("the echo lost bytes")

            _mean_s(link.feed)
            _mean_s(echo)
            pairs = [(_mean_s(link.feed), _mean_s(echo)) for _ in range(ROUNDS)]
        retries = link.feed().retries
        link.close()
    if retries:
        raise RuntimeError(f"{retries} requests had to be repeated: the numbers mean nothing")
    ours = statistics.median(pair[0] for pair in pairs)
    bare = statistics.median(pair[1] for pair in pairs)
    ratio = statistics.median(a / b for a, b in pairs)
    return [
        {
            "name": "request over a pty",
            "measured": f"{ours * 1e6:.0f} us",
            "against": f"bare pyserial echo {bare * 1e6:.0f} us",
            "ratio": ratio,
            "aim": f"<= {AIM:g}",
            "met": ratio <= AIM,
        }
    ]


if __name__ == "__main__":
    {"echo": _serve_echo, "device": _serve_device}[sys.argv[1]]()
