"""The launcher of emulated boards: a host over a real pseudo-terminal that goes away."""

from __future__ import annotations

import os
import select
import signal
import subprocess
import sys
import termios
import time
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from firmware_protocol.framing import DELIMITER, Decoder, Frame, encode_frame
from firmware_protocol.messages import Kind

pytestmark = [pytest.mark.toolchain, pytest.mark.pty]

PATIENCE_S = 120


TOOLS = {
    "host": ("gcc", "make"),
    "avr": ("gcc", "avr-gcc", "make"),
    "arm": ("arm-none-eabi-gcc", "qemu-system-arm", "make"),
}


@pytest.fixture(params=list(TOOLS))
def emulator(
    request: pytest.FixtureRequest, builds: Any, require: Any, tmp_path: Path
) -> Iterator[tuple[Any, str, Path]]:
    require(*TOOLS[request.param])
    record = tmp_path / "latches.txt"
    launcher = Path(__file__).with_name("emulated_board.py")
    process = subprocess.Popen(
        [
            *(sys.executable, launcher, "--board", request.param),
            *("--record", record, "--build", builds.folder / "launcher"),
        ],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    )
    assert process.stdout is not None
    try:
        path = next(line.split()[1] for line in process.stdout if line.startswith("pty "))
        yield process, path, record
    finally:
        process.terminate()
        process.stdout.close()
        assert process.wait(timeout=PATIENCE_S) == 0


def _latches(record: Path, boards: ModuleType) -> list[tuple[int, int]]:
    return [boards.parse_latch(line)[:2] for line in record.read_text().splitlines()]


def _wait_until_parked(record: Path, boards: ModuleType, known: int) -> list[tuple[int, int]]:
    deadline = time.monotonic() + PATIENCE_S
    while time.monotonic() < deadline:
        latches = _latches(record, boards)
        if len(latches) > known and latches[-1][1] == 0:
            return latches
        time.sleep(0.01)
    pytest.fail("the board did not park")


# A host as small as can be, to be killed: it moves relay 2 and then keeps the hold-off fed.
HOST = """
import os, sys, time
from firmware_protocol.framing import Frame, encode_frame
from firmware_protocol.messages import Kind
line = os.open(sys.argv[1], os.O_RDWR | os.O_NOCTTY)
def ask(sequence, kind, body=b""):
    os.write(line, b"\\0" + encode_frame(Frame(type=kind, sequence=sequence, body=body)))
    while not os.read(line, 64).endswith(b"\\0"):
        pass
ask(1, Kind.IDENTIFY)
ask(2, Kind.CLEAR, b"\\x1c")
ask(3, Kind.HOLD_OFF, (500).to_bytes(2, "little"))
ask(4, Kind.APPLY, bytes(3) + b"\\x01" + (4).to_bytes(3, "little") + b"\\x05\\0")
print("driven", flush=True)
sequence = 5
while True:
    ask(sequence, Kind.STATUS)
    sequence = sequence % 250 + 1
    time.sleep(0.05)
"""


def test_line_is_raw_from_the_start(emulator: tuple[Any, str, Path]) -> None:
    _, path, _ = emulator
    line = os.open(path, os.O_RDWR | os.O_NOCTTY)
    try:
        iflag, oflag, _, lflag, *_ = termios.tcgetattr(line)
    finally:
        os.close(line)
    assert not lflag & (termios.ECHO | termios.ICANON | termios.ISIG | termios.IEXTEN)
    assert not oflag & termios.OPOST
    assert not iflag & (termios.ICRNL | termios.INLCR | termios.IXON | termios.ISTRIP)


def test_board_parks_when_its_host_is_killed(
    emulator: tuple[Any, str, Path], boards: ModuleType
) -> None:
    _, path, record = emulator
    root = Path(__file__).parents[2]
    host = subprocess.Popen(
        [sys.executable, "-c", HOST, path],
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": str(root)},
    )
    assert host.stdout is not None
    assert host.stdout.readline() == "driven\n"
    known = len(_latches(record, boards))
    assert _latches(record, boards)[-1][1] == 4
    # Fed for longer than the hold-off lasts, the relay stays where it is.
    time.sleep(1.0)
    assert len(_latches(record, boards)) == known
    host.send_signal(signal.SIGKILL)
    host.stdout.close()
    host.wait(timeout=PATIENCE_S)
    (_, driven), (parked_us, parked) = _wait_until_parked(record, boards, known)[-2:]
    assert (driven, parked) == (4, 0)

    line = os.open(path, os.O_RDWR | os.O_NOCTTY)
    try:
        termios.tcflush(line, termios.TCIFLUSH)
        os.write(line, DELIMITER + encode_frame(Frame(type=Kind.STATUS, sequence=9)))
        decoder, frames = Decoder(), []
        while not frames:
            assert select.select([line], [], [], PATIENCE_S)[0], "no reply after the kill"
            frames = decoder.feed(os.read(line, 256))
    finally:
        os.close(line)
    assert frames[-1].body[0] == 0x05, "parked, hold-off expired"
    assert parked_us > 0


@pytest.mark.parametrize("emulator", ["host", "avr"], indirect=True)
def test_reset_line_can_be_pulled_by_a_signal(
    emulator: tuple[Any, str, Path], boards: ModuleType
) -> None:
    process, _, record = emulator
    known = len(_latches(record, boards))
    process.send_signal(signal.SIGUSR1)
    assert _wait_until_parked(record, boards, known)[-1][1] == 0
