"""The conformance checks over a real pseudo-terminal with pyserial at the host's end."""

from __future__ import annotations

import time

import pytest
import serial

from controller.clock import RealClock, VirtualClock
from controller.links.pty_device import PtyDevice
from controller.links.simulated import SimulatedDevice
from firmware_protocol.conformance import CHECKS, Check, Endpoint, Pace, Result, run_check
from firmware_protocol.conformance.__main__ import main
from firmware_protocol.device import SenseSample

pytestmark = pytest.mark.pty


def one_channel(channel: int) -> SenseSample | None:
    return SenseSample(raw=1, full_scale=255, reference_mv=3300) if channel == 0 else None


class PtyEndpoint(Endpoint):
    """A device behind a terminal. Bytes take real time; the device's clock is virtual.

    So what the checks say of the device's time does not depend on how busy the machine is: the
    clock stands still until every byte sent has been taken and every reply fetched.
    """

    patience_ms = 1
    pace = Pace.OWN
    has_minutes = True
    forbidden_state = 6

    def __init__(self) -> None:
        self.clock = VirtualClock()
        self.counter_ms = 0
        self.latched: list[tuple[int, int]] = []
        self._power_up(0)

    def _power_up(self, counter_ms: int) -> None:
        self.counter_ms = counter_ms
        self.began_s = self.clock.now_s()
        self.latched.clear()
        self.device = SimulatedDevice(
            relay_count=18,
            park_state=0x20000,
            clock=self.clock,
            on_latch=self._record,
            sense=lambda c: (
                SenseSample(raw=1, full_scale=255, reference_mv=3300) if c == 0 else None
            ),
            forbidden=lambda state: state == 6,
            counter_ms=counter_ms,
        )
        self.pty = PtyDevice(self.device)
        self.pty.__enter__()
        self.port = serial.Serial(self.pty.path, 115200, timeout=0.02, exclusive=True)
        self.written = self.fetched = 0

    def _record(self, at_s: float, state: int) -> None:
        self.latched.append((self.counter_ms + round((at_s - self.began_s) * 1000), state))

    def send(self, data: bytes) -> None:
        self.port.write(data)
        self.written += len(data)
        self._wait(lambda: self.pty.received == self.written)

    def receive(self, timeout_ms: int) -> bytes:
        if self.fetched == self.pty.sent:
            self.advance(timeout_ms)
            stray = self.port.read(self.port.in_waiting)
            assert not stray, "the terminal gave bytes that the device had not sent"
            return b""
        data = b""
        while self.fetched < self.pty.sent:
            part = self.port.read(self.pty.sent - self.fetched)
            self.fetched += len(part)
            data += part
        return data

    def _wait(self, done) -> None:
        for _ in range(100_000):
            if done():
                return
            time.sleep(0.0001)
        raise AssertionError("the device did not take the bytes")

    def advance(self, ms: int) -> None:
        self.clock.sleep_s(ms / 1000)
        self.pty.catch_up()

    def now_ms(self) -> float:
        return self.clock.now_s() * 1000

    def latches(self) -> list[tuple[int, int]]:
        return list(self.latched)

    def restart(self) -> None:
        self.pty.restart()

    def hold_up(self, ms: int) -> None:
        self.advance(ms)

    def set_fault(self) -> None:
        self.pty.set_fault()

    def preset_counter(self, counter_ms: int) -> None:
        self.close()
        self._power_up(counter_ms)

    def close(self) -> None:
        self.port.close()
        self.pty.__exit__(None, None, None)


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.name)
def test_conformance_over_a_terminal(check: Check) -> None:
    outcome = run_check(check, PtyEndpoint())
    assert outcome.result is Result.PASSED, outcome.reason


def test_every_byte_gets_through_a_terminal_unchanged() -> None:
    """A terminal that is not raw would swallow or change some of them."""
    with PtyDevice(SimulatedDevice(relay_count=9, park_state=0, clock=VirtualClock())) as pty:
        seen = bytearray()
        pty.device.receive = lambda data: seen.extend(data) or b""
        with serial.Serial(pty.path, timeout=1) as port:
            port.write(bytes(range(256)) * 4)
            for _ in range(10_000):
                if pty.received >= 1024:
                    break
                time.sleep(0.001)
        assert bytes(seen) == bytes(range(256)) * 4


# --- the command for real boards ----------------------------------------------------------------


@pytest.fixture
def board():
    device = SimulatedDevice(relay_count=9, park_state=0, clock=RealClock())
    with PtyDevice(device) as pty:
        yield pty


def test_the_command_checks_a_board_and_parks_it(board, capsys) -> None:
    assert main([board.path, "--yes", "--only", "bad-"]) == 0
    said = capsys.readouterr().out
    assert "Unplug the ladder from every vehicle" in said
    assert "cooling fan can start" in said
    assert "ok   bad-length" in said
    assert "The ladder is parked.\n3 passed, 0 failed, 0 not applicable\n" in said
    assert board.device.state == 0


def test_the_command_reports_what_failed(board, capsys) -> None:
    receive = board.device.receive
    board.device.receive = lambda data: 2 * receive(data) if data != b"\x00" else b""
    assert main([board.path, "--yes", "--only", "exactly-one-reply"]) == 1
    assert "FAIL exactly-one-reply: " in capsys.readouterr().out


def test_the_command_asks_first_and_takes_anything_but_yes_for_no(
    board, capsys, monkeypatch
) -> None:
    for answer in ("", "no", "later"):
        monkeypatch.setattr("builtins.input", lambda prompt, answer=answer: answer)
        assert main([board.path]) == 2
    assert "Nothing was driven." in capsys.readouterr().out
    assert board.received == 0


def test_the_command_at_a_port_that_cannot_be(capsys) -> None:
    assert main(["/dev/there-is-no-such-port", "--yes"]) == 2
    assert main(["/dev/null", "--yes"]) == 2
    assert capsys.readouterr().err.count("nothing was driven") == 2


def test_the_command_lists_its_checks(capsys) -> None:
    assert main(["--list"]) == 0
    assert capsys.readouterr().out.count("\n") == len(CHECKS)
