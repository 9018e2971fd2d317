"""A request over a pseudo-terminal, against a bare pyserial echo over the same kind of terminal.

Knows: the serial link and the simulated device behind a terminal.
Must not know: runs.

Both have their other end in a process of its own, as a device is. The echo sends as many bytes
there and back as the request and its reply have together, so that both move the same bytes. Each
end has a core of its own, where there are two: a device never shares the host's processor. Left to
the system, both ends may land on one core, where an echo waits for nothing but itself.
"""

from __future__ import annotations

import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import termios
import time
import tty
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import serial

from controller.clock import RealClock
from controller.links.pty_device import PtyDevice
from controller.links.serial import serial_link
from controller.links.simulated import SimulatedDevice

FIRMWARE = Path(__file__).resolve().parents[2] / "firmware_protocol" / "firmware"
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
def _other_end(command: list[str]) -> Iterator[str]:
    """Run the other end in a process of its own; yields the path of its terminal."""
    process = subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True
    )
    try:
        if process.stdout is None:
            raise RuntimeError("no output to read the path from")
        said = (line.split()[-1] for line in process.stdout)
        yield next(word for word in said if word.startswith("/dev/"))
    finally:
        process.kill()
        process.communicate()


@contextmanager
def _cores() -> Iterator[Callable[[], None]]:
    """Give what starts inside the last core; what is yielded moves this process to the first."""
    if sys.platform != "linux":
        yield lambda: None
        return
    all_of_them = os.sched_getaffinity(0)
    os.sched_setaffinity(0, {max(all_of_them)})
    try:
        yield lambda: os.sched_setaffinity(0, {min(all_of_them)})
    finally:
        os.sched_setaffinity(0, all_of_them)


def _firmware(folder: str) -> list[str] | None:
    """Build the reference firmware for this machine; None where there is no compiler."""
    if shutil.which("make") is None or shutil.which("cc") is None:
        return None
    make = ["make", "-s", "-C", str(FIRMWARE), "host", f"BUILD={folder}"]
    subprocess.run(make, check=True, capture_output=True)
    return [f"{folder}/rungwise-host"]


def _mean_s(act: Callable[[], object]) -> float:
    began = time.perf_counter()
    for _ in range(REQUESTS):
        act()
    return (time.perf_counter() - began) / REQUESTS


def _row(name: str, device: list[str]) -> dict[str, Any]:
    """Measure by turns, so that both meet the same machine; the ratio is the rounds' median."""
    with (
        _cores() as to_the_first,
        _other_end(device) as device_path,
        _other_end(_part("echo")) as echo_path,
    ):
        to_the_first()
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
    return {
        "name": name,
        "measured": f"{ours * 1e6:.0f} us",
        "against": f"bare pyserial echo {bare * 1e6:.0f} us",
        "ratio": ratio,
        "aim": f"<= {AIM:g}",
        "met": ratio <= AIM,
    }


def rows() -> list[dict[str, Any]]:
    """Measure with the simulated device, and with the reference firmware where it can be built."""
    found = [_row("request over a pty, simulated device", _part("device"))]
    with tempfile.TemporaryDirectory() as folder:
        firmware = _firmware(folder)
        if firmware is not None:
            found.append(_row("request over a pty, reference firmware", firmware))
    return found


def _part(kind: str) -> list[str]:
    return [sys.executable, __file__, kind]


if __name__ == "__main__":
    {"echo": _serve_echo, "device": _serve_device}[sys.argv[1]]()
