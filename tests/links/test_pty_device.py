"""The conformance checks over a real pseudo-terminal with pyserial at the host's end."""

from __future__ import annotations

import termios
import time
from dataclasses import replace

import pytest
import serial

from controller.clock import RealClock, VirtualClock
from controller.links.pty_device import PtyDevice
from controller.links.simulated import SimulatedDevice
from firmware_protocol import posix_port
from firmware_protocol.conformance import CHECKS, Check, Endpoint, Pace, Result, line, run_check
from firmware_protocol.conformance.__main__ import main
from firmware_protocol.device import SenseSample
from firmware_protocol.framing import decode_frame, encode_frame

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


def test_the_command_says_why_an_identify_was_not_believed(board, capsys, monkeypatch) -> None:
    monkeypatch.setattr(line, "TRIES_TO_WAKE", 2)
    receive = board.device.receive

    def answers(reply: bytes) -> str:
        board.device.receive = lambda data: reply if receive(data) else b""
        assert main([board.path, "--yes"]) == 2
        said = capsys.readouterr().err
        assert "nothing was driven" in said
        return said

    assert "no reply to 2 tries;" in answers(b"")
    assert "only 4 bytes that are no frame (is the speed right?)" in answers(b"\x05\x06")
    assert "only torn or corrupt frames (is the speed right?)" in answers(b"\x05\x06\x07\x00")


@pytest.mark.parametrize(
    ("at", "byte", "why"),
    [
        (1, 2, "the board speaks version 2 of the protocol, not 1"),
        (2, 0, "the reply to type 0x01 is malformed: relay_count must be 1 to 64, is 0"),
        (5, 60, "the reply to type 0x01 is malformed: max_payload must be"),
    ],
)
def test_the_command_says_what_is_wrong_with_an_identify(
    board, capsys, at: int, byte: int, why: str
) -> None:
    receive = board.device.receive
    board.device.receive = _with_body(
        receive, lambda body: body[:at] + bytes([byte]) + body[at + 1 :]
    )
    assert main([board.path, "--yes"]) == 2
    said = capsys.readouterr().err
    assert why in said
    assert "nothing was driven" in said


def _with_body(receive, change):
    """Return what a device says with the body of each reply changed."""

    def changed(data: bytes) -> bytes:
        reply = receive(data)
        if not reply:
            return b""
        frame = decode_frame(reply[:-1])
        return encode_frame(replace(frame, body=change(frame.body)))

    return changed


def test_the_command_tries_the_forbidden_state_it_is_told(capsys, monkeypatch) -> None:
    device = SimulatedDevice(
        relay_count=9, park_state=0, clock=RealClock(), forbidden=lambda state: state == 6
    )
    with PtyDevice(device) as pty:
        arguments = [pty.path, "--yes", "--only", "forbidden"]
        assert main(arguments) == 0
        assert "n/a  forbidden" in capsys.readouterr().out
        assert main([*arguments, "--forbidden", "0x6"]) == 0
        assert "ok   forbidden" in capsys.readouterr().out
        assert main([*arguments, "--forbidden", "0b101"]) == 1
        assert "FAIL forbidden" in capsys.readouterr().out
    for wrong in ("six", "-1", hex(1 << 64)):
        with pytest.raises(SystemExit):
            main([*arguments, "--forbidden", wrong])
    assert "is not a mask of relays" in capsys.readouterr().err


RESTARTS = ["--only", "restart-is-not", "--boot-ms", "10"]


def test_the_command_restarts_a_board_by_dtr(board, capsys, monkeypatch) -> None:
    """A pseudo-terminal has no such line: what pulls it is taken for the pull."""
    pulls = []

    def ioctl(_file: int, what: int, _lines: bytes) -> None:
        pulls.append(what)
        if what == termios.TIOCMBIS:
            board.restart()

    monkeypatch.setattr(posix_port.fcntl, "ioctl", ioctl)
    assert main([board.path, "--yes", *RESTARTS]) == 0
    assert "ok   restart-is-not-cleared-unseen" in capsys.readouterr().out
    assert pulls == 2 * [
        termios.TIOCMBIC,
        termios.TIOCMBIS,
    ]  # to see whether it does, and to use it
    pulls.clear()
    assert main([board.path, "--yes", *RESTARTS, "--restart", "no"]) == 0
    assert (
        "n/a  restart-is-not-cleared-unseen: nothing restarts the board" in capsys.readouterr().out
    )
    assert pulls == []


def test_the_command_asks_for_a_restart_where_dtr_does_nothing(board, capsys, monkeypatch) -> None:
    answers = ["yes", "restart"]

    def answer(*_prompt: str) -> str:
        if answers[0] == "restart":
            board.restart()
        return answers.pop(0)

    monkeypatch.setattr("builtins.input", answer)
    monkeypatch.setattr(posix_port.fcntl, "ioctl", lambda *_: None)
    assert main([board.path, *RESTARTS]) == 0
    said = capsys.readouterr().out
    assert "Take the board's power away for a moment" in said
    assert "ok   restart-is-not-cleared-unseen" in said
    assert answers == []


def test_the_command_asks_nobody_where_nobody_is(board, capsys) -> None:
    assert main([board.path, "--yes", *RESTARTS]) == 0
    assert "n/a  restart-is-not-cleared-unseen" in capsys.readouterr().out


def test_the_command_says_how_often_it_had_to_repeat(board, capsys) -> None:
    receive = board.device.receive
    count = 0

    def loses_every_tenth(data: bytes) -> bytes:
        nonlocal count
        reply = receive(data)
        count += bool(reply)
        return b"" if reply and count % 10 == 0 else reply

    board.device.receive = loses_every_tenth
    assert main([board.path, "--yes", "--only", "sequence-is", "--restart", "no"]) == 0
    said = capsys.readouterr().out
    assert "requests had to be repeated: look at the cable and the speed" in said
