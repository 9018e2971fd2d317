"""Readings over CAN: how long one takes, what it costs, against bare python-can on the same port.

Knows: the readback, the adapter and the module that stand in.
Must not know: runs.

The other end is a process of its own, as adapter and module are: it answers after 30 ms, and lets
other modules' frames through at the rate that is asked for. Bare python-can sends the same request
and takes the first frame of the answer for it, late or not.
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import can
from can.interfaces.slcan import slcanBus

from controller.clock import RealClock
from controller.module.model import ModuleReport
from controller.readback.base import Prompt
from controller.readback.can import port as port_module
from controller.readback.can.port import PythonCanPort
from controller.readback.can.services import Quantity
from controller.readback.can.services_readback import ServiceReadback
from controller.stand_in.bus_pty import BusPty, Traffic
from controller.stand_in.module import DiagnosedModule

QUESTIONS = 60
WATCHED_S = 10.0
BUSY = 3000
REQUEST = can.Message(
    arbitration_id=0x7E0, data=bytes.fromhex("0201050000000000"), is_extended_id=False
)


def _serve(traffic: float) -> None:
    module = DiagnosedModule(lambda: ModuleReport(celsius=83.0, volts=1.0))
    with BusPty([module, Traffic(traffic)]) as adapter:
        print(adapter.path, flush=True)
        sys.stdin.read()


@contextmanager
def _other_end(traffic: float) -> Iterator[str]:
    process = subprocess.Popen(
        [sys.executable, __file__, str(traffic)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        if process.stdout is None:
            raise RuntimeError("no output to read the path from")
        yield process.stdout.readline().strip()
    finally:
        process.kill()
        process.communicate()


def _bare_s(traffic: float) -> float:
    """Return the median time from a request to its answer with python-can alone."""
    with _other_end(traffic) as path:
        bus = slcanBus(path, bitrate=500_000, sleep_after_open=0.0)
        took = []
        for _ in range(QUESTIONS):
            began_s = time.perf_counter()
            bus.send(REQUEST)
            until_s = began_s + 1.0
            while time.perf_counter() < until_s:
                try:
                    message = bus.recv(0.5)
                except ValueError:  # a line that the other end could not write whole
                    continue
                if message is not None and message.arbitration_id == 0x7E8:
                    break
            took.append(time.perf_counter() - began_s)
            time.sleep(0.02)
        bus.shutdown()
        return statistics.median(took)


def _ours(traffic: float) -> tuple[float, float, int]:
    """Return the median time from a question to its reading, the share of a core, and readings.

    The readings are asked for at 10 a second, by the thread that owns the bus.
    """
    port_module.WAKE_UP_S = 0.0
    with _other_end(traffic) as path:
        clock = RealClock()
        port = PythonCanPort("slcan", path, 500_000)
        readback = ServiceReadback(
            port, clock, quantity=Quantity.COOLANT, interval_s=0.1, silent_bus=True
        )
        readback.open()
        readback.ask(Prompt(token=1, step_index=0, text=""))
        took: list[float] = []
        cpu_s, began_s = time.process_time(), clock.now_s()
        while clock.now_s() < began_s + WATCHED_S:
            reading = readback.poll()
            if reading is not None:
                took.append(clock.now_s() - reading.at_s)
            time.sleep(0.002)
        share = (time.process_time() - cpu_s) / (clock.now_s() - began_s)
        readback.close()
        return statistics.median(took), share, len(took)


def _looking_s() -> float:
    """Return the share of a core that looking into the box takes here, without any reading."""
    cpu_s, began_s = time.process_time(), time.perf_counter()
    while time.perf_counter() < began_s + 2.0:
        time.sleep(0.002)
    return (time.process_time() - cpu_s) / 2.0


def rows() -> Iterator[dict[str, Any]]:
    """Yield a row for a quiet bus and one for a busy one, and what each costs."""
    looking = _looking_s()
    for name, traffic in (("quiet bus", 0.0), (f"{BUSY} other frames/s", float(BUSY))):
        bare_s = _bare_s(traffic)
        ours_s, share, count = _ours(traffic)
        yield {
            "name": f"reading over CAN, {name}: question to reading",
            "measured": f"{ours_s * 1e3:.1f} ms ({count} readings in {WATCHED_S:.0f} s)",
            "against": f"bare python-can, {bare_s * 1e3:.1f} ms",
            "ratio": ours_s / bare_s,
            "aim": "<= 1.3",
            "met": ours_s <= 1.3 * bare_s,
        }
        aim = 0.05 if traffic == 0 else 0.2
        yield {
            "name": f"reading over CAN, {name}: 10 questions a second",
            "measured": f"{(share - looking) * 100:.1f} % of a core",
            "against": "-",
            "ratio": share - looking,
            "aim": f"<= {aim:.0%}",
            "met": share - looking <= aim,
        }


if __name__ == "__main__":
    _serve(float(sys.argv[1]))
