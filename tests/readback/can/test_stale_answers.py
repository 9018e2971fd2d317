"""No reading is ever the answer to an earlier question, however late the module answers."""

from __future__ import annotations

import random

import pytest

from controller.readback.can.dialogue import Dialogue
from controller.readback.can.frames import Address
from controller.readback.can.services import Quantity, Service, pid_question
from controller.readback.can.services_readback import Asking
from controller.stand_in.module import Trouble

QUESTION = pid_question(0x05, Service.CURRENT_DATA)
CLEANERS = [pid_question(pid, Service.CURRENT_DATA) for pid in (0x00, 0x01, 0x0C, 0x0D, 0x0F, 0x1F)]


def readings(clock, fakes, count, *, queues, cleans=True, seed=1, trouble=None, dialogue=Dialogue):
    """Return readings as (value, what was asked at that time); each answer tells its question."""
    chance = random.Random(seed)

    def late(_number, _request):
        if chance.random() < 0.15:
            return Trouble(late_s=chance.uniform(0.0, 3.0))
        return Trouble()

    module = fakes.module(queues=queues, trouble=trouble or late)
    module.parameters[0x05] = lambda: bytes([len(module.asked) % 256])
    bus = fakes.MemoryBus(clock, [module])
    bus.go_active()
    asking = Asking(
        dialogue(bus, clock, Address(0x7E0, 0x7E8), CLEANERS, cleans=cleans),
        clock,
        name="module",
        question=QUESTION,
        celsius=Quantity.COOLANT.celsius,
        interval_s=0.25,
    )
    found = []
    while len(found) < count:
        reading = asking.turn(lambda: 1, 0.0)
        clock.sleep_s(0.1)
        if reading is None:
            continue
        asked = [n for n, (at_s, _) in enumerate(module.asked) if at_s == reading.at_s]
        assert [module.asked[n][1] for n in asked] == [b"\x01\x05"]
        found.append((int(reading.celsius + 40), (asked[0] + 1) % 256))
        if len(module.asked) > 1024:
            del module.asked[:768]  # a multiple of 256, so that the count stays what it is
    return found


def stale(found):
    return sum(value != expected for value, expected in found)


@pytest.mark.parametrize("queues", [True, False], ids=["queueing", "dropping"])
def test_none_of_some_hundred_readings_is_stale(clock, fakes, queues):
    assert stale(readings(clock, fakes, 400, queues=queues)) == 0


@pytest.mark.soak
@pytest.mark.parametrize("queues", [True, False], ids=["queueing", "dropping"])
def test_none_of_twenty_thousand_readings_is_stale(clock, fakes, queues):
    assert stale(readings(clock, fakes, 20_000, queues=queues)) == 0


@pytest.mark.parametrize(("queues", "least"), [(True, 100), (False, 10)])
def test_without_the_cleaning_question_many_are_stale(clock, fakes, queues, least):
    """The planted fault: this is what the rule is for, and the test above would see it."""
    assert stale(readings(clock, fakes, 400, queues=queues, cleans=False)) >= least


class SameAgain(Dialogue):
    """The planted fault: cleans by the question that it wants to ask."""

    def _cleaned(self, wanted):
        if self._exchange(wanted, 0.25) is None:
            return False
        self._under_way.clear()
        return True


def test_asking_the_same_question_again_does_not_clean(clock, fakes):
    assert stale(readings(clock, fakes, 400, queues=True, dialogue=SameAgain)) >= 10


@pytest.mark.parametrize(
    "trouble",
    [
        Trouble(copies=0),
        Trouble(copies=2),
        Trouble(wrong_parameter=True),
        Trouble(pending=2, pending_s=0.5),
        Trouble(late_s=5.0),
    ],
    ids=["lost", "repeated", "wrong parameter", "pending twice", "very late"],
)
def test_one_trouble_in_ten_leaves_no_stale_reading(clock, fakes, trouble):
    def sometimes(number, _request):
        return trouble if number % 10 == 3 else Trouble()

    assert stale(readings(clock, fakes, 100, queues=True, trouble=sometimes)) == 0
