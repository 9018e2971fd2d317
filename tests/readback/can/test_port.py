"""Adapters: over a pseudo-terminal with an adapter that stands in, and python-can's `virtual`."""

from __future__ import annotations

import errno
import sys
import threading
import time
import uuid

import can
import pytest
import serial

from controller.clock import RealClock
from controller.errors import InputError, ReadbackError
from controller.readback.base import Prompt
from controller.readback.can import broadcast_readback, discovery
from controller.readback.can import port as port_module
from controller.readback.can.broadcast_readback import BroadcastReadback
from controller.readback.can.frames import Frame
from controller.readback.can.j1939 import Temperature
from controller.readback.can.port import PythonCanPort
from controller.readback.can.services import Quantity
from controller.readback.can.services_readback import ServiceReadback
from controller.stand_in.broadcaster import BroadcastingModule
from controller.stand_in.bus_pty import BusPty, Traffic
from controller.stand_in.module import Identity, Wire

pytestmark = pytest.mark.pty

LONG_S = 20.0
"""Far more than anything here takes."""


@pytest.fixture(autouse=True)
def awake(monkeypatch):
    monkeypatch.setattr(port_module, "WAKE_UP_S", 0.0)
    monkeypatch.setattr(discovery, "LISTEN_S", 0.5)
    monkeypatch.setattr(broadcast_readback, "FIRST_S", 0.7)


def reading(readback, token=1):
    readback.ask(Prompt(token=token, step_index=0, text="?"))
    until_s = time.monotonic() + LONG_S
    while time.monotonic() < until_s:
        found = readback.poll()
        if found is not None:
            return found
        time.sleep(0.01)
    raise AssertionError("no reading")


def failure(readback):
    """Return what ends the readings, however many are in the box before."""
    try:
        while True:
            reading(readback)
    except ReadbackError as error:
        return str(error)


def serial_port(adapter, bitrate=500_000):
    return PythonCanPort("slcan", adapter.path, bitrate)


def asking(port):
    return ServiceReadback(port, RealClock(), quantity=Quantity.COOLANT, interval_s=0.05)


@pytest.fixture
def pty(fakes):
    module = fakes.module(codes=("P0117", "P0118", "P0116"), answer_s=0.005)
    with BusPty([module, Traffic(200)]) as adapter:
        yield adapter


@pytest.fixture
def readback(pty):
    found = asking(serial_port(pty))
    yield found
    found.close()


def test_a_reading_comes_over_a_serial_adapter(pty, readback):
    readback.open()
    assert reading(readback).celsius == 83.0
    assert readback.codes() == ("P0117", "P0118", "P0116")
    assert not pty.adapter.disturbed
    readback.close()
    until_s = time.monotonic() + LONG_S
    while pty.adapter.opened and time.monotonic() < until_s:
        time.sleep(0.01)
    assert not pty.adapter.opened


def test_readings_carry_the_token_that_was_open_before_they_were_asked_for(readback):
    readback.open()
    for token in range(1, 6):
        began_s = time.monotonic()
        found = reading(readback, token)
        assert found.token == token or found.at_s <= began_s
        while found.token != token:
            found = reading(readback, token)
        assert found.at_s >= began_s


def test_torn_and_glued_lines_are_dropped_and_nothing_wrong_comes_of_them(pty, readback):
    count = 0

    def mangle(line):
        nonlocal count
        count += 1
        cut = 1 + count * 7 % max(len(line) - 1, 1)
        match count % 12:
            case 0:
                return line[:cut]  # glued to the next one
            case 4:
                return line[:cut] + b"\r"
            case 8:
                return line[cut:]
            case _:
                return line

    readback.open()
    pty.mangle = mangle
    values = {reading(readback, token).celsius for token in range(1, 5)}
    assert values == {83.0}
    assert readback._port.torn > 0


def test_bel_is_heard(pty, readback):
    pty.adapter.fails = True
    with pytest.raises(ReadbackError, match=r"no module answers; the adapter could not send \d of"):
        readback.open()


def test_nothing_is_heard_at_a_wrong_bit_rate_and_the_bus_is_not_disturbed(pty):
    with pytest.raises(ReadbackError, match="nothing was heard"):
        asking(serial_port(pty, 250_000)).open()
    assert pty.adapter.bitrate == 250_000
    assert pty.adapter.listens_only
    assert not pty.adapter.disturbed
    assert pty.adapter.sent == 0


def test_unplugged_in_mid_run(pty, readback):
    readback.open()
    reading(readback)
    pty.unplug()
    said = failure(readback)
    assert "the adapter does not answer any more" in said
    assert "was it unplugged?" in said
    with pytest.raises(ReadbackError):
        readback.codes()
    readback.close()


def test_endless_traffic_holds_nothing_up(fakes):
    with BusPty([fakes.module(answer_s=0.005), Traffic(3000)]) as adapter:
        readback = asking(serial_port(adapter))
        readback.open()
        assert reading(readback).celsius == 83.0
        readback.close()


def test_broadcasts_are_listened_to_only(fakes):
    report = fakes.module(codes=("P0118",)).report
    module = BroadcastingModule(report, period_s=0.2)
    with BusPty([module, Traffic(20)], bus_bitrate=250_000) as adapter:
        port = serial_port(adapter, 250_000)
        readback = BroadcastReadback(port, RealClock(), quantity=Temperature.COOLANT)
        readback.open()
        assert reading(readback).celsius == 83.0
        assert readback.codes() == ("SPN 110 FMI 3",)
        assert adapter.adapter.listens_only
        assert adapter.adapter.sent == 0
        readback.close()


# What keeps an adapter from being opened


def test_no_adapter():
    with pytest.raises(ReadbackError, match="there is no such adapter"):
        PythonCanPort("slcan", "/dev/no-adapter-here", 500_000).open()


def test_no_interface_of_the_system():
    with pytest.raises(ReadbackError, match="there is no such adapter"):
        PythonCanPort("socketcan", "can77", None).open()


def test_no_permission(monkeypatch):
    def forbidden(*_arguments, **_named):
        raise serial.SerialException(errno.EACCES, "could not open port: Permission denied")

    monkeypatch.setattr(serial, "serial_for_url", forbidden)
    with pytest.raises(ReadbackError, match=r"no permission to use the adapter.*dialout"):
        PythonCanPort("slcan", "/dev/ttyACM0", 500_000).open()


def test_an_unknown_interface():
    with pytest.raises(InputError, match="knows no interface 'nonsense'"):
        PythonCanPort("nonsense", "x", None).open()


def test_a_bit_rate_that_the_adapter_does_not_have(pty):
    with pytest.raises(ReadbackError, match="cannot be opened: Invalid bitrate"):
        PythonCanPort("slcan", pty.path, 123_456).open()


def test_not_installed(monkeypatch):
    monkeypatch.setitem(sys.modules, "can", None)
    with pytest.raises(InputError, match=r"python-can, which is not installed.*rungwise\[can\]"):
        PythonCanPort("slcan", "/dev/ttyACM0", 500_000).open()


# python-can's own bus in this process


class VirtualHost:
    """Keeps nodes on a `virtual` bus."""

    def __init__(self, nodes):
        self.channel = uuid.uuid4().hex
        self.bus = can.Bus(interface="virtual", channel=self.channel, ignore_config=True)
        self._nodes = nodes
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run)

    def __enter__(self):
        self._thread.start()
        return self

    def __exit__(self, *_):
        self._stop.set()
        self._thread.join()
        self.bus.shutdown()

    def say(self, wire):
        message = can.Message(
            arbitration_id=wire.identifier, is_extended_id=wire.extended, data=wire.data
        )
        self.bus.send(message)

    def _run(self):
        while not self._stop.is_set():
            message = self.bus.recv(0.002)
            now_s = time.monotonic()
            for node in self._nodes:
                if message is not None:
                    data = bytes(message.data)
                    node.hear(Wire(message.arbitration_id, message.is_extended_id, data), now_s)
                for wire in node.leaving(now_s):
                    self.say(wire)


def virtual_port(host):
    return PythonCanPort("virtual", host.channel, None)


def test_a_reading_comes_over_a_virtual_bus(fakes):
    other = fakes.module(celsius=20.0, identity=Identity.of(1, extended=False))
    with VirtualHost([fakes.module(codes=("P0118",)), other, Traffic(200)]) as host:
        readback = ServiceReadback(
            virtual_port(host), RealClock(), quantity=Quantity.COOLANT, module="7E8"
        )
        readback.open()
        assert reading(readback).celsius == 83.0
        assert readback.codes() == ("P0118",)
        readback.close()


def test_only_data_frames_count_and_bus_off_is_said():
    with VirtualHost([]) as host:
        port = virtual_port(host)
        port.open()
        host.bus.send(can.Message(arbitration_id=0x7E8, is_remote_frame=True))
        host.bus.send(can.Message(arbitration_id=0x04, is_error_frame=True, data=bytes(8)))
        assert port.receive(0.05) is None
        assert port.receive(0.05) is None
        host.say(Wire(0x7E8, False, b"\x01"))
        assert port.receive(5.0) == Frame(0x7E8, b"\x01", False)
        # The flag of bus-off in an error frame: linux/can/error.h, from memory.
        host.bus.send(can.Message(arbitration_id=0x40, is_error_frame=True, data=bytes(8)))
        with pytest.raises(ReadbackError, match=r"left the bus.*\(bus-off\)"):
            port.receive(5.0)
        port.close()


@pytest.mark.parametrize("line", [b"t7\r", b"t7E8\r", b"t7E88034105\r", b"t7E8zz\r", b"\xff\xff\r"])
def test_a_line_that_is_cut_short_is_no_frame(line):
    with BusPty([Traffic(50)], mangle=lambda _line: line) as adapter:
        port = serial_port(adapter)
        port.open()
        until_s = time.monotonic() + LONG_S
        while port.torn < 3 and time.monotonic() < until_s:
            assert port.receive(0.05) is None
        assert port.torn >= 3
        port.close()


def test_after_bytes_of_no_text_frames_come_again():
    count = 0

    def mangle(line):
        nonlocal count
        count += 1
        return b"\xff\xfe\r" if count == 3 else line

    with BusPty([Traffic(50)], mangle=mangle) as adapter:
        port = serial_port(adapter)
        port.open()
        until_s, frames = time.monotonic() + LONG_S, 0
        while (port.torn < 1 or frames < 10) and time.monotonic() < until_s:
            frames += port.receive(0.05) is not None
        assert port.torn == 1
        assert frames >= 10
        port.close()


def test_hidden_files_have_no_say(tmp_path, monkeypatch):
    """python-can would take settings from ~/.canrc: here, to hear what it says itself."""
    monkeypatch.setenv("HOME", str(tmp_path))
    (tmp_path / ".canrc").write_text("[default]\nreceive_own_messages = true\n")
    port = PythonCanPort("virtual", uuid.uuid4().hex, None)
    port.open()
    port.send(Frame(0x7DF, bytes(8)))
    assert port.receive(0.05) is None
    port.close()
