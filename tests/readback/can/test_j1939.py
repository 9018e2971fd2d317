"""Broadcasts of heavy machines: temperatures, codes, long broadcasts; nothing is ever sent."""

from __future__ import annotations

import random

import pytest

from controller.errors import InputError, ReadbackError
from controller.module.model import ModuleReport
from controller.readback.base import Prompt
from controller.readback.can.broadcast_readback import BroadcastReadback
from controller.readback.can.j1939 import Broadcasts, Temperature, active_codes
from controller.stand_in.broadcaster import BroadcastingModule, announce, dm1_of

MODES = [(110, 3), (110, 4), (105, 2), (524_287, 3)]
TEXTS = tuple(f"SPN {spn} FMI {mode}" for spn, mode in MODES)


def test_oil_and_intake_air():
    """SPN 175: 1/32 K a bit from -273, valid to FAFF; 2D00 is 87 degC. From memory."""
    oil = Temperature.OIL.celsius
    assert oil(bytes.fromhex("FFFF002DFFFFFFFF")) == 87.0
    assert oil(bytes.fromhex("FFFFFFFAFFFFFFFF")) == 0xFAFF / 32 - 273
    assert oil(bytes.fromhex("FFFF00FBFFFFFFFF")) is None
    assert oil(b"\xff\xff\x00") is None
    assert Temperature.INTAKE_AIR.celsius(bytes.fromhex("FFFF41FFFFFFFFFF")) == 25.0
    assert Temperature.INTAKE_AIR.celsius(b"") is None
    assert [(t.spn, t.group) for t in Temperature] == [(110, 65262), (105, 65270), (175, 65262)]


def test_codes_of_a_dm1():
    assert active_codes(dm1_of([])) == ()
    assert active_codes(dm1_of(MODES[:1])) == TEXTS[:1]
    assert active_codes(dm1_of(MODES)) == TEXTS
    assert active_codes(dm1_of(MODES)[:-1]) == TEXTS[:-1]  # three bytes are no code
    assert active_codes(b"\x00\xff" + b"\xff" * 6) == ()
    assert active_codes(b"\x04\xff\x6e\x00\x03\x81") == ("SPN 110 FMI 3 (older numbering)",)


def heard(wires, *, gap_s=0.05, late_at=None):
    broadcasts, now_s, found = Broadcasts(), 0.0, []
    for n, wire in enumerate(wires):
        now_s += 0.8 if n == late_at else gap_s
        broadcast = broadcasts.take(wire.identifier, wire.data, now_s)
        if broadcast is not None:
            found.append((broadcast.sender, active_codes(broadcast.data)))
    return found


LONG = announce(0xFECA, dm1_of(MODES), 0x00)
OTHER = announce(0xFECA, dm1_of([(175, 0), (174, 1)]), 0x21)
WHOLE = (0x00, TEXTS)


def test_a_long_broadcast_comes_together():
    assert heard(LONG) == [WHOLE]
    assert len(LONG) == 4


@pytest.mark.parametrize(
    ("wires", "expected"),
    [
        ([LONG[0], LONG[2], LONG[3]], []),
        ([LONG[0], LONG[1], LONG[3]], []),
        (LONG[1:], []),
        ([LONG[0], LONG[1], LONG[1], LONG[2], LONG[3]], []),
        ([LONG[0], LONG[2], LONG[1], LONG[3]], []),
        ([LONG[0], LONG[1], *LONG], [WHOLE]),
        (
            [LONG[0], OTHER[0], LONG[1], OTHER[1], LONG[2], OTHER[2], LONG[3]],
            [(0x21, ("SPN 175 FMI 0", "SPN 174 FMI 1")), WHOLE],
        ),
    ],
    ids=[
        *("first packet lost", "middle packet lost", "announcement lost", "packet repeated"),
        *("packets swapped", "begun anew", "interleaved with another sender"),
    ],
)
def test_what_is_not_whole_is_given_up(wires, expected):
    assert heard(wires) == expected


def test_a_late_packet_ends_it():
    assert heard(LONG, late_at=2) == []
    assert heard(LONG, gap_s=0.7) == [WHOLE]


def test_no_code_is_ever_invented(many):
    """Whatever is lost, repeated or swapped: what comes through was sent."""
    sent = {WHOLE, (0x21, ("SPN 175 FMI 0", "SPN 174 FMI 1"))}
    chance = random.Random(4)
    whole = 0
    for _ in range(many(300, 20_000)):
        wires = [*LONG, *OTHER, *LONG]
        for _ in range(chance.randrange(4)):
            at = chance.randrange(len(wires) - 1)
            match chance.randrange(3):
                case 0:
                    del wires[at]
                case 1:
                    wires.insert(at, wires[at])
                case _:
                    wires[at], wires[at + 1] = wires[at + 1], wires[at]
        found = heard(wires)
        whole += len(found)
        assert set(found) <= sent
    assert whole > 200


# The readback


class Machine:
    def __init__(self, celsius=83.0, codes=()):
        self.celsius = celsius
        self.codes = codes

    def report(self):
        return ModuleReport(celsius=self.celsius, volts=1.0, codes=self.codes)


def opened(clock, fakes, *modules, **named):
    bus = fakes.MemoryBus(clock, modules)
    readback = BroadcastReadback(bus, clock, quantity=Temperature.COOLANT, **named)
    readback.open()
    return bus, readback


def readings(clock, readback, token, seconds):
    readback.ask(Prompt(token=token, step_index=0, text="?"))
    until_s = clock.now_s() + seconds
    found = []
    while clock.now_s() < until_s:
        reading = readback.poll()
        if reading is not None:
            found.append(reading)
        clock.sleep_s(0.1)
    return found


def test_the_first_broadcast_after_a_change_never_counts(clock, fakes):
    machine = Machine()
    _, readback = opened(clock, fakes, BroadcastingModule(machine.report), fakes.chatter())
    for token in range(1, 6):
        machine.celsius = 10.0 * token
        began_s = clock.now_s()
        found = readings(clock, readback, token, 4.3)
        assert {(r.celsius, r.token) for r in found} == {(10.0 * token, token)}
        assert all(r.at_s - began_s > 0.99 for r in found)
        assert 3 <= len(found) <= 4


def test_nothing_is_ever_sent(clock, fakes):
    machine = Machine(codes=("P0118", "P0117"))
    bus, readback = opened(clock, fakes, BroadcastingModule(machine.report))
    readback.codes()
    readings(clock, readback, 1, 10.0)
    readback.close()
    assert bus.sent == []


def test_codes_short_and_long(clock, fakes):
    machine = Machine()
    _, readback = opened(clock, fakes, BroadcastingModule(machine.report))
    assert readback.codes() == ()
    machine.codes = ("P0118",)
    clock.sleep_s(1.2)
    readings(clock, readback, 1, 1.0)
    assert readback.codes() == ("SPN 110 FMI 3",)
    machine.codes = ("P0118", "P0117")
    readings(clock, readback, 1, 1.0)
    assert readback.codes() == ("SPN 110 FMI 3", "SPN 110 FMI 4")


def test_sentences(clock, fakes):
    def said(error, *modules, **named):
        with pytest.raises(error) as caught:
            opened(clock, fakes, *modules, **named)
        return str(caught.value)

    module, second = (BroadcastingModule(Machine().report, source=s) for s in (0x00, 0x21))
    assert "nothing was heard on the bus in 5 s" in said(ReadbackError)
    assert "nobody broadcasts SPN 110 (coolant)" in said(ReadbackError, fakes.chatter())
    assert "2 modules broadcast SPN 110 (coolant): 00 and 21" in said(InputError, module, second)
    both = said(InputError, module, second, module=0x05)
    assert "module 05 does not broadcast SPN 110 (coolant); heard from: 00, 21" in both
    _, readback = opened(clock, fakes, module, second, module=0x21)
    assert readback.name == "module 21 on the bus in memory"


def test_a_module_that_falls_silent(clock, fakes):
    module = BroadcastingModule(Machine().report)
    bus, readback = opened(clock, fakes, module, fakes.chatter())
    assert readings(clock, readback, 1, 3.0)
    bus.nodes.remove(module)
    with pytest.raises(ReadbackError, match=r"it broadcast, and then said nothing for 1[23] s"):
        readings(clock, readback, 2, 20.0)
