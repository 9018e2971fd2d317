"""The dialogue with an ohm meter: what it asks, what it believes, and what it never believes."""

from __future__ import annotations

import importlib.util
import math
import random
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from controller.clock import RealClock, VirtualClock
from controller.errors import ReadbackError
from controller.links.serial import SerialChannel
from controller.meters.base import MeterQuestion
from controller.meters.opening import scpi_meter
from controller.meters.scpi import ScpiOhmMeter
from controller.meters.settings import MeterSettings, Way, way_to
from controller.meters.visa import VisaChannel

_SPEC = importlib.util.spec_from_file_location(
    "rungwise_fake_meter", Path(__file__).with_name("fake_meter.py")
)
assert _SPEC is not None
assert _SPEC.loader is not None
fake: Any = importlib.util.module_from_spec(_SPEC)
sys.modules[_SPEC.name] = fake
_SPEC.loader.exec_module(fake)

QUESTION = MeterQuestion(number=1, count=1, state="0x1", expected_ohms=100.0)


def _quiet(meter: Any) -> tuple[ScpiOhmMeter, Any]:
    """A dialogue over a line on which nothing goes wrong unless it is told to."""
    clock = VirtualClock()
    line = fake.BadLine(meter, clock, random.Random(1))
    line.luck, line.late = dict.fromkeys(line.luck, 0.0), 0.0
    asked = ScpiOhmMeter(line, clock, timeout_s=2.0)
    asked.open()
    return asked, line


def test_it_asks_who_is_there_and_measures_with_four_wires() -> None:
    meter = fake.FakeMeter(lambda: 123.25)
    asked, _ = _quiet(meter)
    assert asked.identity == fake.IDENTITY
    assert asked.read_ohms() == 123.25
    assert meter.heard == ["*IDN?", "*CLS", "CONF:FRES", "SYST:ERR?", "READ?", "SYST:ERR?"]


def test_a_meter_without_four_wires_is_told_apart_from_one_that_is_silent() -> None:
    with pytest.raises(ReadbackError, match=r"refuses to measure ohms with 4 wires: -113.*wires"):
        _quiet(fake.FakeMeter(lambda: 1.0, four_wires=False))
    silent = fake.FakeMeter(lambda: 1.0)
    silent.mute = True
    with pytest.raises(ReadbackError, match=r"nothing answers \*IDN\?.*baud"):
        _quiet(silent)


# SCPI-1999, volume 1, 7.2.1.4 and 7.2.1.5: 9.9E37 is infinity, 9.91E37 is not-a-number.


@pytest.mark.parametrize("said", ["9.9E37", "+9.90000000E+37", "9.9E+37"])
def test_overrange_is_infinite(said: str) -> None:
    meter = fake.FakeMeter(lambda: 1.0)
    asked, _ = _quiet(meter)
    meter.script.append(said)
    assert math.isinf(asked.read_ohms())


@pytest.mark.parametrize(
    ("said", "words"), [("9.91E37", "no number"), ("-9.9E37", "overrange below zero")]
)
def test_what_is_no_number_is_refused(said: str, words: str) -> None:
    meter = fake.FakeMeter(lambda: 1.0)
    asked, _ = _quiet(meter)
    meter.script.append(said)
    with pytest.raises(ReadbackError, match=words):
        asked.read_ohms()


@pytest.mark.parametrize("said", ["nan", "inf", "1,5", "12 OHM", "", "0x10", "1e5\x1b[2J"])
def test_what_is_no_reading_is_asked_for_again(said: str) -> None:
    meter = fake.FakeMeter(lambda: 77.0)
    asked, _ = _quiet(meter)
    meter.script.append(said)
    assert asked.read_ohms() == 77.0


def test_a_late_reading_is_not_taken_for_the_next_one() -> None:
    now = [100.0]
    meter = fake.FakeMeter(lambda: now[0])
    asked, line = _quiet(meter)
    assert asked.read_ohms() == 100.0
    now[0] = 200.0
    line.late, line.latest_s = 1.0, 9.0
    line.chance = random.Random(3)
    failed = 0
    for _ in range(20):
        try:
            assert asked.read_ohms() == 200.0
        except ReadbackError:
            failed += 1
    assert 0 < failed < 20
    line.late = 0.0
    now[0] = 300.0
    assert asked.read_ohms() == 300.0


class _Trusting(ScpiOhmMeter):
    """The fault to find: it takes the next line for the answer to its question."""

    def _resynchronise(self) -> list[str]:
        return ['0,""']


class _Repeating(ScpiOhmMeter):
    """Another: it repeats one question, so that a late answer passes for the proof."""

    def _resynchronise(self) -> list[str]:
        for _ in range(20):
            self._outstanding.clear()
            try:
                return self._proof("*IDN?")
            except Exception:  # noqa: BLE001
                continue
        raise self._error("silent")


def _stale(dialogue: type[ScpiOhmMeter], readings: int, seed: int) -> tuple[int, int]:
    """Return how many readings were believed, and how many of them belong to an earlier value."""
    clock, chance = VirtualClock(), random.Random(seed)
    now = [0.0]
    line = fake.BadLine(fake.FakeMeter(lambda: now[0]), clock, chance)
    asked = dialogue(line, clock, timeout_s=2.0)
    luck, line.luck, line.late = line.luck, dict.fromkeys(line.luck, 0.0), 0.0
    asked.open()
    line.luck, line.late = luck, 0.15
    believed = stale = 0
    for index in range(readings):
        now[0] = 100.0 + index
        try:
            ohms = asked.read_ohms()
        except ReadbackError:
            continue
        believed += 1
        stale += ohms != now[0]
    return believed, stale


def test_no_reading_of_an_earlier_value_is_ever_believed(many: Callable[..., int]) -> None:
    readings = many(4000, 40_000)
    believed, stale = _stale(ScpiOhmMeter, readings, seed=5)
    assert believed > 0.9 * readings
    assert stale == 0


@pytest.mark.parametrize("faulty", [_Trusting, _Repeating])
def test_the_trial_finds_a_dialogue_without_proof(faulty: type[ScpiOhmMeter]) -> None:
    _, stale = _stale(faulty, 2000, seed=5)
    assert stale > 0


def _read(meter: Any, *, within_s: float = 20.0) -> float:
    meter.ask(QUESTION)
    until = time.monotonic() + within_s
    while (answer := meter.poll()) is None:
        assert time.monotonic() < until
        time.sleep(0.002)
    return float(answer)


@pytest.mark.pty
def test_over_a_serial_port() -> None:
    device = fake.FakeMeter(lambda: 2500.5)
    with fake.at_a_pty(device) as port:
        for name in (port, f"ASRL{port}::INSTR"):
            meter = scpi_meter(MeterSettings(port=name, settle_s=0.0, setup=("SYST:REM",)))
            meter.open()
            try:
                assert _read(meter) == 2500.5
            finally:
                meter.close()
    assert "SYST:REM" in device.heard


def test_over_a_socket_and_the_cable_pulled() -> None:
    device = fake.FakeMeter(lambda: 47.5)
    with fake.at_a_socket(device) as (port, pull):
        meter = scpi_meter(MeterSettings(port=f"TCPIP0::127.0.0.1::{port}::SOCKET", settle_s=0.0))
        meter.open()
        try:
            assert _read(meter) == 47.5
            pull()
            with pytest.raises(ReadbackError, match="meter at socket"):
                _read(meter)
        finally:
            meter.close()


def test_a_meter_that_is_asked_again_answers_the_last_question_only() -> None:
    now = [1.0]
    device = fake.FakeMeter(lambda: now[0])
    with fake.at_a_socket(device) as (port, _):
        meter = scpi_meter(MeterSettings(port=f"socket://127.0.0.1:{port}", settle_s=0.0))
        meter.open()
        try:
            meter.ask(QUESTION)
            now[0] = 2.0
            assert _read(meter) == 2.0
        finally:
            meter.close()


def test_nobody_at_the_port_is_said_before_anything_else() -> None:
    meter = scpi_meter(MeterSettings(port="/dev/nothing-here"))
    with pytest.raises(ReadbackError, match="there is no such port"):
        meter.open()
    meter.close()


def test_closing_ends_what_is_waited_for() -> None:
    device = fake.FakeMeter(lambda: 1.0)
    with fake.at_a_socket(device) as (port, _):
        meter = scpi_meter(MeterSettings(port=f"socket://127.0.0.1:{port}", timeout_s=120.0))
        meter.open()
        device.mute = True
        meter.ask(QUESTION)
        meter.close()  # returns: the thread has ended


@pytest.mark.parametrize(
    ("name", "way", "opened"),
    [
        # Forms of VPP-4.3 (The VISA Library), table 4.3.1.
        ("/dev/ttyUSB1", Way.PORT, "/dev/ttyUSB1"),
        ("socket://192.0.2.7:5025", Way.PORT, "socket://192.0.2.7:5025"),
        ("ASRL/dev/ttyUSB1::INSTR", Way.PORT, "/dev/ttyUSB1"),
        ("TCPIP0::192.0.2.7::5025::SOCKET", Way.PORT, "socket://192.0.2.7:5025"),
        ("TCPIP::192.0.2.7::INSTR", Way.VISA, "TCPIP::192.0.2.7::INSTR"),
        ("USB0::0x1234::0x5678::SN1::INSTR", Way.VISA, "USB0::0x1234::0x5678::SN1::INSTR"),
        ("GPIB0::22::INSTR", Way.VISA, "GPIB0::22::INSTR"),
    ],
)
def test_a_resource_name_says_what_opens_it(name: str, way: Way, opened: str) -> None:
    assert way_to(name) == (way, opened)


@pytest.mark.parametrize("name", ["ASRL1::INSTR", "VXI0::1::INSTR", "a::b"])
def test_a_resource_name_that_says_nothing_is_refused(name: str) -> None:
    with pytest.raises(ValueError, match="::"):
        way_to(name)


def test_without_the_extra_a_visa_resource_says_what_to_install(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setitem(sys.modules, "pyvisa", None)
    with pytest.raises(ReadbackError, match=r"rungwise\[meter\]"):
        ScpiOhmMeter(VisaChannel("GPIB0::1::INSTR"), RealClock()).open()


class _Terminated(VisaChannel):
    """A raw socket has no end of message but the line's; we open sockets ourselves."""

    def open(self) -> None:
        super().open()
        self._resource.read_termination = "\n"


@pytest.mark.filterwarnings("default")
def test_the_dialogue_goes_through_a_visa_library() -> None:
    # A raw socket by the library, as no instrument of another kind is at hand.
    pytest.importorskip("pyvisa_py", reason="the extra rungwise[meter] is not installed")
    device = fake.FakeMeter(lambda: 815.0)
    with fake.at_a_socket(device) as (port, _):
        channel = _Terminated(f"TCPIP0::127.0.0.1::{port}::SOCKET")
        asked = ScpiOhmMeter(channel, RealClock(), timeout_s=2.0)
        try:
            asked.open()
            assert [asked.read_ohms() for _ in range(3)] == [815.0] * 3
            device.mute = True
            asked.abandon()
            with pytest.raises(ReadbackError):
                asked.read_ohms()
        finally:
            asked.close()


def test_importing_a_meter_loads_no_visa_library() -> None:
    import subprocess

    code = "import sys, controller.bench.wiring; assert 'pyvisa' not in sys.modules"
    subprocess.run([sys.executable, "-c", code], check=True)


def test_a_channel_that_fails_names_the_meter_not_the_ladder() -> None:
    asked = ScpiOhmMeter(SerialChannel("/dev/nothing-here"), RealClock())
    with pytest.raises(ReadbackError, match=r"^meter at /dev/nothing-here: "):
        asked.open()
