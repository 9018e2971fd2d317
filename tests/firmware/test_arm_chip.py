"""What only the 32-bit chip can show: its pins, its converter, what becomes of a hanging program.

The chip is an STM32F405 in QEMU 7.2, which has its processor, its serial ports and a converter
that counts by itself, but no ports, no clock tree and no watchdog. What the firmware writes to
those comes from QEMU's log of accesses to what it does not have: the pins' states are put together
from that.
"""

from __future__ import annotations

import re
import socket
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from firmware_protocol.conformance import Bench
from firmware_protocol.messages import Capability, Flag, Sense, SenseReply

pytestmark = pytest.mark.toolchain

PATIENCE_S = 30
JUMP_TO_ITSELF = "fee7"
"""`b .`, as it lies in memory."""

SET_RESET = 0x18
"""The reference manual: BSRR of a port; the lower half sets pins, the upper half resets them."""
LATCH, CLOCK, DATA = 4, 5, 7
WATCHDOG_START, WATCHDOG_UNLOCK, WATCHDOG_FEED = 0xCCCC, 0x5555, 0xAAAA
"""The reference manual: keys of the independent watchdog."""
WATCHDOG = {"IWDG", "I2S2ext"}
"""QEMU 7.2 gives the watchdog's address, 0x40003000, the name of its neighbour."""


class Pins:
    """The chain of registers at the pins, from the log of what was written to the ports."""

    WRITE = re.compile(
        r"(\w+): unimplemented device write \(size \d, offset (0x[0-9a-f]+), value (0x[0-9a-f]+)\)"
    )

    def __init__(self, log: str, relays: int) -> None:
        self.latched: list[int] = []
        self.events: list[tuple[str, int]] = []
        self.watchdog: list[int] = []
        width = -(-relays // 8) * 8
        levels, chain = 0, 0
        for line in log.splitlines():
            found = self.WRITE.match(line)
            if not found:
                continue
            device, offset, value = found[1], int(found[2], 16), int(found[3], 16)
            if device in WATCHDOG and offset == 0:
                self.watchdog.append(value)
            elif device == "GPIOB" and offset == SET_RESET:
                self.events.append(("enabled", value >> 16 & 1))
            elif device == "GPIOA" and offset == SET_RESET:
                before = levels
                levels = (levels | value & 0xFFFF) & ~(value >> 16)
                rising = levels & ~before
                if rising >> CLOCK & 1:
                    chain = (chain << 1 | levels >> DATA & 1) % (1 << width)
                if rising >> LATCH & 1:
                    self.latched.append(chain)
                    self.events.append(("latched", chain))


class Debugger:
    """As much of QEMU's debugger port as it takes to write to the chip's memory."""

    def __init__(self, path: Path) -> None:
        self._said = b""
        self._socket = socket.socket(socket.AF_UNIX)
        self._socket.settimeout(PATIENCE_S)
        self._socket.connect(str(path))

    def _ask(self, text: str) -> str:
        packet = f"${text}#{sum(text.encode()) % 256:02x}"
        self._socket.sendall(b"+" + packet.encode())
        while True:
            answer = self._packet()
            if not answer.startswith("T"):  # "T" only says that the chip has been stopped
                return answer

    def _packet(self) -> str:
        while not (found := re.search(rb"\$([^#]*)#..", self._said)):
            part = self._socket.recv(4096)
            assert part, "the debugger has gone"
            self._said += part
        self._said = self._said[found.end() :]
        return found[1].decode()

    def exchange(self, address: int, data: str) -> str:
        """Write bytes and return those that were there; the chip runs on afterwards."""
        before = self._ask(f"m{address:x},{len(data) // 2:x}")
        assert self._ask(f"M{address:x},{len(data) // 2:x}:{data}") == "OK"
        assert self._ask("D") == "OK"
        self._socket.close()
        return before


@pytest.fixture
def folder() -> Iterator[Path]:
    with tempfile.TemporaryDirectory() as short:  # a socket's path has room for 107 bytes
        yield Path(short)


@pytest.fixture
def board(
    builds: Any, boards: ModuleType, require: Callable[..., None], folder: Path
) -> Iterator[Any]:
    require("qemu-system-arm")
    words = ["-d", "unimp", "-D", f"{folder}/log", "-gdb", f"unix:{folder}/gdb,server=on,wait=off"]
    addresses = {
        "preset_at": builds.arm_address("rung_clock_preset"),
        "ticks_at": builds.arm_address("rung_ticks_ms"),
    }
    with closing(boards.QemuBoard(builds.arm(), folder, **addresses, words=words)) as powered:
        yield powered


@pytest.fixture
def bench(board: Any) -> Bench:
    bench = Bench(board)
    bench.begin()
    return bench


def test_pins_shift_and_latch_what_is_told(
    bench: Bench, board: Any, folder: Path, builds: Any
) -> None:
    states = [*(1 << relay for relay in range(builds.RELAYS)), 0x2AAAA, 0x15554, 0x3FFFC]
    before = bench.park_state
    for state in states:
        bench.apply(before, (state, 1))
        before = state
        board.advance(2)
    pins = Pins((folder / "log").read_text(), builds.RELAYS)
    assert pins.latched[-len(states) :] == states
    assert pins.latched == [state for _, state in board.latches()]


def test_outputs_are_enabled_only_after_the_first_latch(
    bench: Bench, folder: Path, builds: Any
) -> None:
    events = Pins((folder / "log").read_text(), builds.RELAYS).events
    assert events[:3] == [("enabled", 0), ("latched", bench.park_state), ("enabled", 1)]


def test_the_chips_own_watchdog_is_started_and_fed(
    bench: Bench, board: Any, folder: Path, builds: Any
) -> None:
    board.advance(100)
    keys = Pins((folder / "log").read_text(), builds.RELAYS).watchdog
    assert keys[:3] == [WATCHDOG_START, WATCHDOG_UNLOCK, WATCHDOG_FEED]
    assert set(keys[3:]) == {WATCHDOG_FEED}
    assert len(keys) > 50, "fed at every turn of the main loop"


def test_a_hang_releases_the_outputs_and_is_told_as_a_fault(
    bench: Bench, board: Any, folder: Path, builds: Any
) -> None:
    bench.apply(bench.park_state, (4, 3000))
    known = len(board.record().splitlines())
    boots = bench.identity.boots
    at = builds.arm_address("rung_core_poll") & ~1
    original = Debugger(folder / "gdb").exchange(at, JUMP_TO_ITSELF)
    events_before = len(Pins((folder / "log").read_text(), builds.RELAYS).events)
    deadline = time.monotonic() + PATIENCE_S
    while len(board.record().splitlines()) <= known:
        assert time.monotonic() < deadline, "the chip never restarted"
        time.sleep(0.01)
    assert Debugger(folder / "gdb").exchange(at, original) == JUMP_TO_ITSELF
    bench.reset()
    status = bench.status()
    assert status.flags == Flag.PARKED | Flag.FAULT | Flag.RESTARTED
    bench.identify()
    assert bench.identity.boots > boots
    events = Pins((folder / "log").read_text(), builds.RELAYS).events[events_before:]
    # Disabled by the interrupt; again by the start; then the park state, and enabled.
    assert events[:4] == [
        ("enabled", 0),
        ("enabled", 0),
        ("latched", bench.park_state),
        ("enabled", 1),
    ]


def test_a_reset_from_outside_is_no_fault(bench: Bench, board: Any) -> None:
    bench.apply(bench.park_state, (4, 3000))
    board.restart()
    bench.reset()
    assert bench.status().flags == Flag.PARKED | Flag.RESTARTED


def test_each_reading_is_a_conversion_of_its_own(bench: Bench) -> None:
    # QEMU's converter gives 7, 14, 21, ... of 12 bits: a step for each conversion that is started.
    assert Capability.SENSE in bench.identity.capabilities
    readings = [bench.ask_for(Sense(channel=0), SenseReply) for _ in range(4)]
    assert [reading.raw for reading in readings] == [7, 14, 21, 28]
    assert {(reading.full_scale, reading.reference_mv) for reading in readings} == {(4096, 3300)}


def test_a_data_out_that_is_not_wired_is_a_fault(
    builds: Any, boards: ModuleType, require: Callable[..., None], folder: Path
) -> None:
    # In QEMU every pin reads low: a torn line, for a board that reads its chain back.
    require("qemu-system-arm")
    image, address = builds.arm_of("READBACK=1")
    addresses = {"preset_at": address("rung_clock_preset"), "ticks_at": address("rung_ticks_ms")}
    words = ["-d", "unimp", "-D", f"{folder}/log"]

    class Silent(boards.QemuBoard):  # type: ignore[name-defined,misc]
        """A board from which no latch is to be expected."""

        def wait_for_latch(self, known: int) -> None:
            time.sleep(0.5)

    with closing(Silent(image, folder, **addresses, words=words)) as board:
        bench = Bench(board)
        bench.identify()
        assert Flag.FAULT in bench.status().flags
    events = Pins((folder / "log").read_text(), builds.RELAYS).events
    assert events
    assert set(events) == {("enabled", 0)}, "nothing is ever latched or enabled"
