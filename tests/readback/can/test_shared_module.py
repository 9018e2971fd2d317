"""Two temperatures of one module over one bus: asked in turn, none stale, none mistaken."""

from __future__ import annotations

import random

import pytest

from controller.clock import RealClock
from controller.errors import InputError, ReadbackError
from controller.readback.base import Prompt
from controller.readback.can.dialogue import Dialogue
from controller.readback.can.frames import Addressing
from controller.readback.can.services import Quantity, Service
from controller.readback.can.shared_module import Asked, shared_module
from controller.stand_in.module import Trouble

COOLANT, AIR = 0x05, 0x0F


def pair(bus, clock, *, quantities=(Quantity.COOLANT, Quantity.INTAKE_AIR), **named):
    return shared_module(
        bus,
        clock,
        [Asked(quantity=one, interval_s=0.25) for one in quantities],
        **{
            "addressing": Addressing.SHORT,
            "service": Service.CURRENT_DATA,
            "module": None,
            "silent_bus": False,
            **named,
        },
    )


def counting(fakes, **named):
    """Return a module whose values say how many requests it had been sent when it answered."""
    made = fakes.module(**named)
    made.parameters[COOLANT] = lambda: bytes([len(made.asked) % 128])
    made.parameters[AIR] = lambda: bytes([128 + len(made.asked) % 128])
    return made


def prompt(token):
    return Prompt(token=token, step_index=0, text="")


def taken(clock, readbacks, count):
    """Poll both until one of them has given so many readings; return those of each."""
    found = [[], []]
    for token, readback in enumerate(readbacks, 1):
        readback.ask(prompt(token))
    while min(map(len, found)) < count:
        for one, readback in zip(found, readbacks, strict=True):
            reading = readback.poll()
            if reading is not None:
                one.append(reading)
        clock.sleep_s(0.02)
    return found


def wrong_and_stale(module, found):
    """Return how many readings are of the other temperature, and how many of an earlier asking."""
    wrong = stale = 0
    for token, (pid, base) in enumerate(((COOLANT, 0), (AIR, 128)), 1):
        for reading in found[token - 1]:
            value = int(reading.celsius + 40)
            number = next(n for n, (at_s, _) in enumerate(module.asked) if at_s >= reading.at_s)
            assert reading.token == token
            wrong += module.asked[number][1] != bytes([0x01, pid]) or not 0 <= value - base < 128
            stale += value - base != (number + 1) % 128
    return wrong, stale


def troubles(seed=5):
    chance = random.Random(seed)
    kinds = (
        Trouble(copies=0),
        Trouble(copies=2),
        Trouble(late_s=0.4),
        Trouble(late_s=2.0),
        Trouble(pending=2, pending_s=0.5),
    )
    return lambda _number, _request: chance.choice(kinds) if chance.random() < 0.2 else Trouble()


def run(clock, fakes, count, **named):
    module = counting(fakes, **named)
    readbacks = pair(fakes.MemoryBus(clock, [fakes.chatter(), module]), clock)
    for readback in readbacks:
        readback.open()
    module.trouble = troubles()
    return wrong_and_stale(module, taken(clock, readbacks, count))


@pytest.mark.parametrize("queues", [True, False], ids=["queueing", "dropping"])
def test_none_of_some_hundred_readings_is_wrong_or_stale(clock, fakes, queues):
    assert run(clock, fakes, 200, queues=queues) == (0, 0)


@pytest.mark.soak
@pytest.mark.parametrize("queues", [True, False], ids=["queueing", "dropping"])
def test_none_of_some_thousand_readings_is_wrong_or_stale(clock, fakes, queues):
    assert run(clock, fakes, 3000, queues=queues) == (0, 0)


@pytest.mark.soak
def test_where_each_copy_counts_as_another_answer_some_are_stale(clock, fakes, monkeypatch):
    """The planted fault: a second copy is taken for the answer to the question asked next."""

    def each_by_itself(self, until_s):
        left = {
            answer: [at_s for at_s in asked if at_s > until_s]
            for answer, asked in self._under_way.items()
        }
        self._under_way = {answer: asked for answer, asked in left.items() if asked}

    monkeypatch.setattr(Dialogue, "_out_of_date", each_by_itself)
    wrong, stale = run(clock, fakes, 3000, queues=True)
    assert wrong == 0
    assert stale >= 1


def test_without_the_cleaning_question_many_are_stale(clock, fakes, monkeypatch):
    """The planted fault: the tests above would see it."""
    monkeypatch.setattr(Dialogue, "_cleaned", lambda _self, _wanted: True)
    wrong, stale = run(clock, fakes, 200)
    assert wrong == 0
    assert stale >= 10


def test_both_are_asked_equally_often_and_each_only_while_somebody_waits(clock, fakes):
    module = counting(fakes)
    first, second = readbacks = pair(fakes.MemoryBus(clock, [fakes.chatter(), module]), clock)
    for readback in readbacks:
        readback.open()
    assert first.name == second.name == "module 7E8 on the bus in memory"
    before = len(module.asked)
    for _ in range(50):
        assert first.poll() is None
        assert second.poll() is None
        clock.sleep_s(0.02)
    assert len(module.asked) == before
    found = taken(clock, readbacks, 20)
    assert abs(len(found[0]) - len(found[1])) <= 1
    first.close()
    del module.asked[:]
    for _ in range(100):
        second.poll()
        clock.sleep_s(0.02)
    assert {request for _, request in module.asked} == {bytes([0x01, AIR])}


def test_the_bus_is_opened_once_and_let_go_by_the_last_one(clock, fakes):
    bus = fakes.MemoryBus(clock, [fakes.chatter(), counting(fakes)])
    first, second = pair(bus, clock)
    first.open()
    sent = len(bus.sent)
    second.open()
    assert len(bus.sent) == sent
    first.close()
    first.close()
    assert bus.state == "active"
    second.close()
    assert bus.state == "closed"


def test_codes_are_told_once(clock, fakes):
    bus = fakes.MemoryBus(clock, [fakes.chatter(), fakes.module(codes=("P0118", "P0113"))])
    first, second = pair(bus, clock)
    assert first.codes() is None
    first.open()
    second.open()
    assert first.codes() == ("P0118", "P0113")
    assert second.codes() is None


def test_the_module_has_to_list_both(clock, fakes):
    one = fakes.module(hidden=frozenset({AIR}))
    readbacks = pair(fakes.MemoryBus(clock, [fakes.chatter(), one]), clock)
    with pytest.raises(InputError, match=r"no module lists coolant \(parameter 05\) and intake"):
        readbacks[0].open()
    for readback in readbacks:
        readback.close()


def test_silence_ends_it_for_both(clock, fakes):
    module = counting(fakes)
    readbacks = pair(fakes.MemoryBus(clock, [fakes.chatter(), module]), clock)
    for readback in readbacks:
        readback.open()
    module.trouble = lambda _number, _request: Trouble(copies=0)
    with pytest.raises(ReadbackError, match="it answered, and then said nothing"):
        taken(clock, readbacks, 1)


def test_a_thread_of_its_own_serves_both_in_real_time(fakes):
    clock = RealClock()
    module = counting(fakes)
    bus = fakes.MemoryBus(clock, [module])
    readbacks = pair(bus, clock, silent_bus=True)
    for readback in readbacks:
        readback.open()
    try:
        assert wrong_and_stale(module, taken(clock, readbacks, 4)) == (0, 0)
    finally:
        for readback in readbacks:
            readback.close()
