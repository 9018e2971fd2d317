"""The rules of the dialogue one by one, against a module that answers by a script."""

from __future__ import annotations

import pytest

from controller.readback.can.dialogue import Dialogue, Refused
from controller.readback.can.frames import Address
from controller.readback.can.services import CODE_QUESTIONS, Service, pid_question
from controller.readback.can.services_readback import Asking
from controller.stand_in.module import Wire

WANTED, FIRST, SECOND = (pid_question(pid, Service.CURRENT_DATA) for pid in (0x05, 0x00, 0x0C))


class Scripted:
    """Answers the n-th request as `script[n]` says: pairs of seconds later and the frame's data."""

    def __init__(self, *script):
        self.script = list(script)
        self.asked = []
        self.due = []

    def hear(self, wire, now_s):
        if wire.data[0] >> 4 == 3:
            return
        self.asked.append(bytes(wire.data[1 : 1 + wire.data[0]]))
        for later_s, data in self.script.pop(0) if self.script else ():
            self.say(now_s + later_s, data)

    def say(self, at_s, data):
        self.due.append((at_s, Wire(0x7E8, False, bytes.fromhex(data).ljust(8, b"\0"))))
        self.due.sort(key=lambda one: one[0])

    def next_s(self):
        return self.due[0][0] if self.due else None

    def leaving(self, now_s):
        out = []
        while self.due and self.due[0][0] <= now_s:
            out.append(self.due.pop(0)[1])
        return out


def talk(clock, fakes, *script, cleaners=(FIRST, SECOND)):
    module = Scripted(*script)
    bus = fakes.MemoryBus(clock, [module])
    bus.go_active()
    return Dialogue(bus, clock, Address(0x7E0, 0x7E8), cleaners), module


def asked(module):
    return [request.hex() for request in module.asked]


def test_a_late_answer_is_not_the_next_one(clock, fakes):
    dialogue, module = talk(
        clock, fakes, [(0.5, "03 41 05 11")], [(0.02, "06 41 00")], [(0.02, "03 41 05 22")]
    )
    assert dialogue.ask(WANTED) is None
    clock.sleep_s(0.2)
    assert dialogue.ask(WANTED) == b"\x22"
    assert asked(module) == ["0105", "0100", "0105"]


def test_an_answer_that_nobody_asked_for_makes_the_next_one_doubtful(clock, fakes):
    dialogue, module = talk(clock, fakes, [(0.02, "06 41 00")], [(0.02, "03 41 05 22")])
    module.say(0.1, "03 41 05 11")
    dialogue.listen(0.2)
    assert dialogue.ask(WANTED) == b"\x22"
    assert asked(module) == ["0100", "0105"]


def test_an_answer_that_waits_already_is_none_to_the_next_question(clock, fakes):
    dialogue, module = talk(clock, fakes, [(0.02, "06 41 00")], [(0.02, "03 41 05 22")])
    module.say(0.1, "03 41 05 11")
    clock.sleep_s(0.2)  # nobody listens
    assert dialogue.ask(WANTED) == b"\x22"


def test_a_cleaner_that_was_asked_before_proves_nothing(clock, fakes):
    """Its answer may be the one to its earlier asking, with the wanted one still to come."""
    dialogue, module = talk(clock, fakes, [], [], [(0.02, "04 41 0C")], [(0.02, "03 41 05 33")])
    assert dialogue.ask(FIRST) is None
    assert dialogue.ask(WANTED) is None
    assert dialogue.ask(WANTED) == b"\x33"
    assert asked(module) == ["0100", "0105", "010c", "0105"]


def test_a_cleaner_that_was_asked_only_afterwards_may_be_asked_again(clock, fakes):
    dialogue, module = talk(
        clock, fakes, [], [], [(0.02, "06 41 00")], [(0.02, "03 41 05 33")], cleaners=[FIRST]
    )
    assert dialogue.ask(WANTED) is None
    assert dialogue.ask(WANTED) is None
    clock.sleep_s(1.0)
    assert dialogue.ask(WANTED) == b"\x33"
    assert asked(module) == ["0105", "0100", "0100", "0105"]


def test_a_late_answer_to_a_cleaner_cleans_as_well(clock, fakes):
    dialogue, module = talk(clock, fakes, [], [(0.4, "06 41 00")], [(0.02, "03 41 05 33")])
    assert dialogue.ask(WANTED) is None
    assert dialogue.ask(WANTED) is None
    dialogue.listen(0.5)
    assert dialogue.ask(WANTED) == b"\x33"
    assert asked(module) == ["0105", "0100", "0105"]


def test_a_slow_module_is_not_buried_in_questions(clock, fakes):
    dialogue, module = talk(clock, fakes)
    while clock.now_s() < 30.0:
        dialogue.ask(WANTED)
        clock.sleep_s(0.05)
    assert len(module.asked) <= 15


def test_what_is_never_answered_is_forgotten_in_the_end(clock, fakes):
    dialogue, module = talk(clock, fakes, [], [(0.02, "03 41 05 44")], cleaners=[])
    assert dialogue.ask(WANTED) is None
    clock.sleep_s(29.0)
    assert dialogue.ask(WANTED) is None
    clock.sleep_s(1.1)
    assert dialogue.ask(WANTED) == b"\x44"
    assert len(module.asked) == 2


def test_a_refusal_counts_where_nothing_else_can_be_meant(clock, fakes):
    dialogue, _ = talk(clock, fakes, [(0.02, "03 7F 01 12")])
    with pytest.raises(Refused, match="7F 01 12"):
        dialogue.ask(WANTED)


def test_a_refusal_that_may_be_a_late_one_counts_for_nothing(clock, fakes):
    dialogue, _ = talk(clock, fakes, [], [(0.02, "03 7F 01 12")])
    assert dialogue.ask(SECOND) is None
    assert dialogue.ask(WANTED) is None


def test_a_module_that_is_busy_is_asked_again_later(clock, fakes):
    dialogue, module = talk(
        *(clock, fakes, [(0.02, "03 7F 01 21")]),
        *([(0.02, "06 41 00")], [(0.02, "03 41 05 55")]),
    )
    assert dialogue.ask(WANTED) is None
    assert dialogue.ask(WANTED) == b"\x55"
    assert asked(module) == ["0105", "0100", "0105"]


def test_the_refusal_of_another_service_is_not_ours(clock, fakes):
    dialogue, _ = talk(clock, fakes, [(0.02, "03 7F 22 12"), (0.05, "03 41 05 66")])
    assert dialogue.ask(WANTED) == b"\x66"


def test_segments_may_take_their_time(clock, fakes):
    frames = [(0.05, "10 0A 43 04 01 17 01 18"), (0.8, "21 01 16 01 19")]
    dialogue, _ = talk(clock, fakes, frames)
    assert dialogue.ask(CODE_QUESTIONS[0][0]) == bytes.fromhex("04 01 17 01 18 01 16 01 19")


def test_a_lost_segment_ends_in_no_answer_and_not_in_a_hang(clock, fakes):
    frames = [(0.05, "10 0A 43 04 01 17 01 18")]
    dialogue, _ = talk(clock, fakes, frames)
    dialogue._port.nodes.append(fakes.chatter(every_s=0.001))
    assert dialogue.ask(CODE_QUESTIONS[0][0]) is None
    assert clock.now_s() < 2.0


def test_the_token_is_the_one_from_before_the_question(clock, fakes):
    dialogue, _ = talk(clock, fakes, [(0.02, "03 41 05 7B")])
    asking = Asking(
        dialogue,
        clock,
        name="module",
        question=WANTED,
        celsius=lambda data: data[0] - 40.0,
        interval_s=0.1,
    )
    tokens = iter((1, 2, 3))
    reading = asking.turn(lambda: next(tokens), 0.0)
    assert reading is not None
    assert (reading.token, reading.at_s) == (1, 0.0)
