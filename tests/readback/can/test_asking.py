"""From a bus to readings, and a sentence for each way in which that fails."""

from __future__ import annotations

import pytest

from controller.errors import InputError, ReadbackError
from controller.readback.base import Prompt
from controller.readback.can.frames import Addressing
from controller.readback.can.services import Quantity, Service
from controller.readback.can.services_readback import ServiceReadback, clear_codes_of
from controller.stand_in.module import Identity, Trouble

PROMPT = Prompt(token=7, step_index=0, text="?")


def opened(clock, fakes, *modules, quantity=Quantity.COOLANT, chatter=True, **named):
    bus = fakes.MemoryBus(clock, [*modules, *([fakes.chatter()] if chatter else [])])
    readback = ServiceReadback(bus, clock, quantity=quantity, **named)
    readback.open()
    return bus, readback


def reading(clock, readback, *, within_s=5.0, token=7):
    readback.ask(Prompt(token=token, step_index=0, text="?"))
    until_s = clock.now_s() + within_s
    while clock.now_s() < until_s:
        found = readback.poll()
        if found is not None:
            return found
        clock.sleep_s(0.05)
    return None


def refused(clock, fakes, *modules, error=InputError, **named):
    with pytest.raises(error) as caught:
        opened(clock, fakes, *modules, **named)
    return str(caught.value)


@pytest.mark.parametrize("addressing", Addressing)
@pytest.mark.parametrize("service", Service)
def test_a_reading_comes_in_both_lengths_by_both_services(clock, fakes, addressing, service):
    module = fakes.module(
        identity=Identity.of(0, extended=addressing is Addressing.LONG),
        by_identifier=service is Service.BY_IDENTIFIER,
    )
    bus, readback = opened(clock, fakes, module, addressing=addressing, service=service)
    began_s = clock.now_s()
    found = reading(clock, readback)
    assert found is not None
    assert (found.celsius, found.token) == (83.0, 7)
    assert began_s <= found.at_s < clock.now_s()
    assert all(frame.data[1] != 0x09 for frame in bus.sent)


@pytest.mark.parametrize(
    ("quantity", "extra", "celsius"),
    [
        (Quantity.INTAKE_AIR, {}, 20.0),
        (Quantity.AMBIENT_AIR, {0x46: lambda: b"\x28"}, 0.0),
        (Quantity.OIL, {0x5C: lambda: b"\x82"}, 90.0),
        (Quantity.COOLANT_1, {0x67: lambda: b"\x03\x50\x51"}, 40.0),
        (Quantity.COOLANT_2, {0x67: lambda: b"\x03\x50\x51"}, 41.0),
        (Quantity.COOLANT_2, {0x67: lambda: b"\x01\x50\x51"}, None),
    ],
)
def test_every_quantity(clock, fakes, quantity, extra, celsius):
    _, readback = opened(clock, fakes, fakes.module(extra=extra), quantity=quantity)
    found = reading(clock, readback)
    assert found is not None
    assert found.celsius == celsius


def test_nothing_is_sent_before_a_frame_has_been_heard(clock, fakes):
    bus = fakes.MemoryBus(clock, [fakes.module()])
    readback = ServiceReadback(bus, clock, quantity=Quantity.COOLANT)
    with pytest.raises(ReadbackError, match="nothing was heard on the bus in 3 s") as caught:
        readback.open()
    assert (bus.sent, bus.state) == ([], "listening")
    for cause in ("ignition", "bit rate", "wires swapped", "silent_bus"):
        assert cause in str(caught.value)
    readback.close()
    assert bus.state == "closed"


def test_a_silent_bus_is_asked_when_the_bench_says_so(clock, fakes):
    _, readback = opened(clock, fakes, fakes.module(), chatter=False, silent_bus=True)
    assert reading(clock, readback) is not None


def test_traffic_without_an_answer(clock, fakes):
    long = fakes.module(identity=Identity.of(0, extended=True))
    said = refused(clock, fakes, long, error=ReadbackError)
    assert "there is traffic, but no module answers" in said
    assert '"29-bit"' in said
    assert "gateway" in said


def test_no_module_lists_the_quantity(clock, fakes):
    said = refused(clock, fakes, fakes.module(), quantity=Quantity.OIL)
    assert "no module lists oil (parameter 5C); these answered: 7E8" in said


def test_two_modules_offer_it(clock, fakes):
    two = [
        fakes.module(celsius=value, identity=Identity.of(number, extended=False))
        for number, value in ((0, 83.0), (1, 20.0))
    ]
    said = refused(clock, fakes, *two)
    assert "2 modules offer coolant (parameter 05): 7E8 and 7E9" in said
    assert 'module = "7E8"' in said
    _, readback = opened(clock, fakes, *two, module="7e9")
    assert readback.name == "module 7E9 on the bus in memory"
    found = reading(clock, readback)
    assert found is not None
    assert found.celsius == 20.0
    assert "module 7EA does not answer; these do: 7E8, 7E9" in refused(
        clock, fakes, *two, module="7EA"
    )


def test_of_two_modules_the_one_that_knows_it_is_asked(clock, fakes):
    other = fakes.module(identity=Identity.of(1, extended=False), hidden=frozenset({0x05}))
    _, readback = opened(clock, fakes, fakes.module(), other)
    assert "7E8" in readback.name


def test_refused_when_asked_first(clock, fakes):
    said = refused(clock, fakes, fakes.module(refuses={0x01: 0x12}))
    assert "the module refuses to be asked: 7F 01 12, the parameter is not supported" in said
    assert 'service = "22"' in said


def test_refused_in_mid_run(clock, fakes):
    module = fakes.module()
    _, readback = opened(clock, fakes, module)
    assert reading(clock, readback) is not None
    module.refuses = {0x01: 0x12}
    with pytest.raises(ReadbackError, match="that it lists as supported: 7F 01 12"):
        reading(clock, readback, token=8)


def test_answered_and_then_silent(clock, fakes):
    module = fakes.module()
    bus, readback = opened(clock, fakes, module)
    assert reading(clock, readback) is not None
    bus.nodes.remove(module)
    began_s = clock.now_s()
    with pytest.raises(ReadbackError, match=r"then said nothing for 1[23] s"):
        reading(clock, readback, within_s=60.0, token=8)
    assert 12 <= clock.now_s() - began_s < 16


def test_a_module_that_asks_for_patience_twice_is_waited_for(clock, fakes):
    module = fakes.module(by_identifier=True)
    _, readback = opened(clock, fakes, module, service=Service.BY_IDENTIFIER)
    module.trouble = lambda _number, _request: Trouble(pending=2, pending_s=2.0)
    began_s = clock.now_s()
    found = reading(clock, readback, within_s=20.0)
    assert found is not None
    assert found.celsius == 83.0
    assert clock.now_s() - began_s > 4.0
    assert found.at_s == pytest.approx(began_s, abs=0.01)


def test_no_service_but_the_known_ones_is_ever_used(clock, fakes):
    module = fakes.module(codes=("P0118",))
    bus, readback = opened(clock, fakes, module)
    readback.codes()
    reading(clock, readback)
    asked = {frame.data[1] for frame in bus.sent if frame.data[0] >> 4 == 0}
    assert asked == {0x01, 0x03, 0x07, 0x0A}


# Codes


def test_codes_of_all_kinds_the_long_answer_in_segments(clock, fakes):
    stored = ("P0117", "P0118", "P0116 coolant range", "U0100")
    module = fakes.module(
        codes=stored,
        pending_codes=lambda: ("P0118", "P0119"),
        permanent_codes=lambda: ("P0117",),
    )
    _, readback = opened(clock, fakes, module)
    assert readback.codes() == (
        *("P0117", "P0118", "P0116", "U0100"),
        *("P0119 (pending)", "P0117 (permanent)"),
    )


def test_a_module_that_tells_no_codes(clock, fakes):
    module = fakes.module(refuses={0x03: 0x11, 0x07: 0x11, 0x0A: 0x11})
    _, readback = opened(clock, fakes, module)
    assert readback.codes() is None


def test_a_module_that_is_silent_about_its_codes(clock, fakes):
    module = fakes.module()
    bus, readback = opened(clock, fakes, module)
    bus.nodes.remove(module)
    with pytest.raises(ReadbackError, match="does not answer when asked for its codes"):
        readback.codes()


def test_codes_are_cleared_of_one_named_module_and_only_when_confirmed(clock, fakes):
    cleared, shown = [], []
    module = fakes.module(codes=("P0118",), clear=lambda: cleared.append(0))
    other = fakes.module(
        codes=("U0100",), identity=Identity.of(1, extended=False), clear=lambda: cleared.append(1)
    )
    bus = fakes.MemoryBus(clock, [module, other, fakes.chatter()])

    def clear(answer):
        def confirmed(name, codes):
            shown.append((name, codes))
            return answer

        return clear_codes_of(
            bus, clock, addressing=Addressing.SHORT, module="7E8", confirmed=confirmed
        )

    with pytest.raises(InputError, match="not confirmed; no code was cleared"):
        clear(False)
    assert cleared == []
    clear(True)
    assert cleared == [0]
    assert shown == [("7E8", ("P0118",))] * 2
    fours = [frame for frame in bus.sent if frame.data[:2] == b"\x01\x04"]
    assert [frame.identifier for frame in fours] == [0x7E0]
    assert bus.state == "closed"
    module.refuses = {0x04: 0x22}
    with pytest.raises(InputError, match="refuses to clear its codes: 7F 04 22, conditions"):
        clear(True)
