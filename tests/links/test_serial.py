"""The serial channel: real pseudo-terminals, and every way pyserial fails."""

from __future__ import annotations

import errno
import subprocess
import sys
import termios
from collections.abc import Iterator

import pytest
import serial
from serial.tools import list_ports as serial_tools

from controller.clock import RealClock, VirtualClock
from controller.errors import LinkError, RelayKnowledge
from controller.ladder.model import PathStep
from controller.links.pty_device import PtyDevice
from controller.links.serial import PortInfo, SerialChannel, list_ports, probe, serial_link
from controller.links.simulated import SimulatedDevice


@pytest.fixture
def pty() -> Iterator[PtyDevice]:
    device = SimulatedDevice(relay_count=18, park_state=0, clock=RealClock(), name="Quay\x07 bench")
    with PtyDevice(device) as served:
        yield served


@pytest.mark.pty
def test_a_whole_conversation_over_a_terminal(pty: PtyDevice) -> None:
    link = serial_link(pty.path)
    assert link.port == pty.path
    assert link.open(hold_off_ms=60000).name == "Quay bench"
    link.apply([PathStep(state=1 + k, hold_ms=1) for k in range(20)])
    assert link.relays is RelayKnowledge.KNOWN
    assert link.feed().state == 20
    assert pty.device.state == 20
    link.close()
    assert link.relays is RelayKnowledge.PARKED
    assert pty.device.state == 0


@pytest.mark.pty
def test_probing_identifies_and_moves_nothing(pty: PtyDevice) -> None:
    pty.device.receive(bytes.fromhex("00"))
    identity = probe(pty.path)
    assert (identity.name, identity.relay_count, identity.boots) == ("Quay bench", 18, 0)
    assert probe(pty.path) == identity, "the port was not let go"


@pytest.mark.pty
def test_a_port_is_held_by_one_alone(pty: PtyDevice) -> None:
    link = serial_link(pty.path)
    link.open(hold_off_ms=60000)
    with pytest.raises(LinkError, match="another program has the port open") as caught:
        serial_link(pty.path).open()
    assert caught.value.relays is RelayKnowledge.NOT_DRIVEN
    assert link.feed().parked, "the failed attempt disturbed the link that holds the port"
    link.close()
    serial_link(pty.path).open()


@pytest.mark.pty
def test_a_port_held_by_another_process_is_named(pty: PtyDevice) -> None:
    hold = (
        "import serial, sys; s = serial.Serial(sys.argv[1], exclusive=True);"
        "print('held', flush=True); sys.stdin.read()"
    )
    holder = subprocess.Popen(
        [sys.executable, "-c", hold, pty.path],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
    )
    with holder:
        assert holder.stdout is not None
        assert holder.stdout.readline() == b"held\n"
        with pytest.raises(LinkError, match="another program has the port open"):
            serial_link(pty.path).open()
        holder.communicate()


@pytest.mark.pty
def test_an_unplugged_port_ends_with_a_true_statement(pty: PtyDevice) -> None:
    link = serial_link(pty.path)
    link.open(hold_off_ms=60000)
    link.apply([PathStep(state=3, hold_ms=1)])
    pty.unplug()
    with pytest.raises(LinkError, match="the port is gone") as caught:
        link.feed()
    assert caught.value.relays is RelayKnowledge.UNKNOWN
    assert "parks by itself after 60000 ms" in (caught.value.hint or "")
    link.close()


@pytest.mark.pty
def test_a_port_unplugged_while_parked_leaves_it_parked(pty: PtyDevice) -> None:
    link = serial_link(pty.path)
    link.open(hold_off_ms=60000)
    pty.unplug()
    with pytest.raises(LinkError) as caught:
        link.feed()
    assert caught.value.relays is RelayKnowledge.PARKED
    link.close()


@pytest.mark.pty
def test_a_silent_device_at_a_real_port(pty: PtyDevice) -> None:
    link = serial_link(pty.path)
    link.open(hold_off_ms=60000)
    pty.muted = True
    with pytest.raises(LinkError, match="no answer after 4 tries"):
        link.feed()
    link.close()


@pytest.mark.pty
def test_a_virtual_clock_does_not_keep_a_silent_port_from_being_given_up() -> None:
    clock = VirtualClock()
    with PtyDevice(SimulatedDevice(relay_count=9, park_state=0, clock=clock)) as pty:
        link = serial_link(pty.path, clock=clock)
        link.open(hold_off_ms=60000)
        link.apply([PathStep(state=k, hold_ms=5000) for k in range(1, 20)])
        assert clock.now_s() == pytest.approx(95.0, abs=0.1)
        pty.muted = True
        with pytest.raises(LinkError, match="no answer after 4 tries"):
            link.feed()
        link.close()


@pytest.mark.pty
def test_a_device_that_restarts_in_the_middle(pty: PtyDevice) -> None:
    link = serial_link(pty.path)
    link.open(hold_off_ms=60000)
    link.apply([PathStep(state=3, hold_ms=1)])
    pty.restart()
    with pytest.raises(LinkError, match="the device restarted") as caught:
        link.feed()
    assert caught.value.relays is RelayKnowledge.PARKED
    link.close()


@pytest.mark.parametrize(
    ("port", "words"),
    [
        ("/dev/there-is-no-such-port", "no such port"),
        ("/", "a folder, not a serial port"),
        ("/dev/null", "not a serial port"),
        (__file__, "not a serial port"),
        ("nonsense://port", "not a port that can be opened"),
        ("socket://127.0.0.1:1", "nothing accepts the connection"),
    ],
)
def test_ports_that_cannot_be_opened(port: str, words: str) -> None:
    with pytest.raises(LinkError, match=words) as caught:
        serial_link(port).open()
    assert caught.value.relays is RelayKnowledge.NOT_DRIVEN
    assert caught.value.port == port
    assert caught.value.exit_code == 3


FAILURES = [
    (serial.SerialException(errno.EACCES, "could not open port"), "no permission", "dialout"),
    (PermissionError(errno.EPERM, "Operation not permitted"), "no permission", None),
    (serial.SerialException(errno.EBUSY, "Device or resource busy"), "another program", "close"),
    (serial.SerialException(errno.EAGAIN, "Could not exclusively lock"), "another program", None),
    (serial.SerialException(errno.ENOENT, "No such file"), "no such port", "links"),
    (
        serial.SerialException(
            "device reports readiness to read but returned no data"
            " (device disconnected or multiple access on port?)"
        ),
        "the port is gone",
        "plug it in",
    ),
    (serial.SerialException("read failed: something\x1b[31m odd"), "something[31m odd", None),
    (serial.SerialTimeoutException("Write timeout"), "accepts no data", "adapter"),
    (serial.PortNotOpenError(), "the port failed", None),
    (termios.error(errno.EIO, "Input/output error"), "the port is gone", None),
    (termios.error(errno.ENOTTY, "Inappropriate ioctl for device"), "not a serial port", None),
    (OSError(errno.ENXIO, "No such device or address"), "the port is gone", None),
    (OSError(errno.EIO, "Input/output error"), "the port is gone", None),
    (ValueError("Invalid baud rate: 3"), "not a port that can be opened", None),
    (TypeError("'NoneType' object cannot be interpreted as an integer"), "port is gone", None),
]


@pytest.mark.parametrize("call", ["open", "write", "read", "in_waiting", "drain"])
@pytest.mark.parametrize(("failure", "words", "hint"), FAILURES, ids=lambda x: type(x).__name__)
def test_every_failure_of_the_library_is_one_link_error(
    monkeypatch: pytest.MonkeyPatch, call: str, failure: Exception, words: str, hint: str | None
) -> None:
    class Port:
        def fail(self, where: str) -> None:
            if call == where:
                raise failure

        def reset_input_buffer(self) -> None:
            self.fail("drain")

        def write(self, data: bytes) -> None:
            self.fail("write")

        def read(self, count: int) -> bytes:
            self.fail("read")
            return b"\x01" * count

        @property
        def in_waiting(self) -> int:
            self.fail("in_waiting")
            return 1

        def close(self) -> None:
            raise failure

    def serial_for_url(*args: object, **kwargs: object) -> Port:
        if call == "open":
            raise failure
        return Port()

    monkeypatch.setattr(serial, "serial_for_url", serial_for_url)
    link = serial_link("/dev/some-port")
    with pytest.raises(LinkError) as caught:
        link.open()
    error = caught.value
    assert words in error.message
    assert "\x1b" not in str(error)
    assert error.relays is RelayKnowledge.NOT_DRIVEN
    if hint is not None:
        assert hint in (error.hint or "")
    link.close()


def test_the_port_is_opened_exclusively_with_a_short_timeout(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    seen: dict[str, object] = {}

    class Port:
        def reset_input_buffer(self) -> None:
            seen["drained"] = True

        def close(self) -> None:
            seen["closed"] = True

    def serial_for_url(url: str, **settings: object) -> Port:
        seen.update(settings, url=url)
        return Port()

    monkeypatch.setattr(serial, "serial_for_url", serial_for_url)
    channel = SerialChannel("/dev/some-port")
    channel.open()
    channel.close()
    channel.close()
    assert seen["exclusive"] is True
    assert seen["baudrate"] == 115200
    assert 0 < seen["timeout"] <= 0.1
    assert 0 < seen["write_timeout"] <= 0.5
    assert seen["drained"]
    assert seen["closed"]


def test_ports_are_listed_by_name_with_clean_descriptions(monkeypatch: pytest.MonkeyPatch) -> None:
    class Found:
        def __init__(self, device: str, description: str | None) -> None:
            self.device, self.description = device, description

    found = [Found("/dev/ttyB", "Adapter\x1b[2J"), Found("/dev/ttyA", None)]
    monkeypatch.setattr(serial_tools, "comports", lambda: found)
    assert list_ports() == [
        PortInfo(port="/dev/ttyA", description=""),
        PortInfo(port="/dev/ttyB", description="Adapter[2J"),
    ]


def test_importing_the_links_loads_no_serial_library() -> None:
    code = (
        "import sys, controller.links.serial, controller.links.simulated;"
        "sys.exit('serial' in sys.modules or 'numpy' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
