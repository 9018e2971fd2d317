"""The simulated device and its channel: time, order, faults."""

from __future__ import annotations

import pytest

from controller.clock import VirtualClock
from controller.ladder.model import PathStep
from controller.links.channel import ChannelError
from controller.links.simulated import (
    ORDINARY,
    Direction,
    Fault,
    FaultKind,
    SimulatedChannel,
    SimulatedDevice,
    scripted_faults,
    seeded_faults,
    simulated_link,
)

STATUS = bytes.fromhex("05 02 01 4c 6b 00")  # from vectors/messages.json


def test_latchings_carry_the_time_at_which_they_were_due() -> None:
    clock = VirtualClock()
    clock.sleep_s(12.5)
    latched: list[tuple[float, int]] = []
    device = SimulatedDevice(
        relay_count=9, park_state=0, clock=clock, on_latch=lambda t, s: latched.append((t, s))
    )
    link = simulated_link(device)
    link.open()
    link.apply([PathStep(state=1, hold_ms=30), PathStep(state=2, hold_ms=40)])
    clock.sleep_s(100)
    device.catch_up()
    changes = [entry for entry in latched if entry[1]] + latched[-1:]
    assert [state for _, state in changes] == [1, 2, 0]
    assert [at_s for at_s, _ in changes] == pytest.approx([12.5, 12.53, 14.57], abs=2e-3)


def test_a_counter_that_wraps_changes_nothing_but_itself() -> None:
    records = []
    for counter_ms in (0, 2**32 - 50):
        clock = VirtualClock()
        latched: list[tuple[float, int]] = []
        device = SimulatedDevice(
            relay_count=9,
            park_state=0,
            clock=clock,
            on_latch=lambda t, s, latched=latched: latched.append((t, s)),
            counter_ms=counter_ms,
        )
        link = simulated_link(device)
        link.open()
        link.apply([PathStep(state=k, hold_ms=20) for k in range(1, 9)])
        clock.sleep_s(5)
        device.catch_up()
        records.append(latched)
    assert records[0] == records[1]
    assert len(records[0]) > 8


def test_an_hour_costs_nothing() -> None:
    clock = VirtualClock()
    link = simulated_link(SimulatedDevice(relay_count=9, park_state=0, clock=clock))
    link.open()
    for _ in range(720):
        clock.sleep_s(5)
        link.park()
    assert clock.now_s() >= 3600


def test_state_is_that_of_now() -> None:
    clock = VirtualClock()
    device = SimulatedDevice(relay_count=9, park_state=4, clock=clock)
    link = simulated_link(device)
    link.open(hold_off_ms=200)
    link.apply([PathStep(state=1, hold_ms=1)])
    assert device.state == 1
    clock.sleep_s(0.5)
    assert device.state == 4


def channel_with(*faults: tuple[Direction, int, Fault]) -> tuple[SimulatedChannel, VirtualClock]:
    clock = VirtualClock()
    device = SimulatedDevice(relay_count=9, park_state=0, clock=clock)
    script = {(direction, index): fault for direction, index, fault in faults}
    return SimulatedChannel(device, faults=scripted_faults(script)), clock


def test_a_delayed_reply_comes_late_and_what_follows_it_does_not_overtake() -> None:
    slow = Fault(kind=FaultKind.DELAY, delay_s=0.5)
    channel, clock = channel_with((Direction.TO_HOST, 0, slow))
    channel.write(STATUS)
    channel.write(b"\x00" + STATUS)
    assert channel.read(0.2) == b""
    assert clock.now_s() == pytest.approx(0.2)
    data = channel.read(1.0)
    assert clock.now_s() == pytest.approx(0.5)
    assert data.count(b"\x00") == 2


@pytest.mark.parametrize("kind", [FaultKind.DROP, FaultKind.RESET])
def test_what_is_lost_does_not_come(kind: FaultKind) -> None:
    channel, _ = channel_with((Direction.TO_HOST, 0, Fault(kind=kind)))
    channel.write(STATUS)
    assert channel.read(1.0) == b""
    channel.write(STATUS)
    assert channel.read(1.0)


def test_each_kind_of_fault_does_what_it_says() -> None:
    plain, _ = channel_with()
    plain.write(STATUS)
    right = plain.read(1.0)
    for kind, expected in (
        (FaultKind.DUPLICATE, right + right),
        (FaultKind.TRUNCATE, right[:4]),
        (FaultKind.CORRUPT, bytes([right[0], right[1] ^ 4]) + right[2:]),
    ):
        fault = Fault(kind=kind, keep=4, bit=10)
        channel, _ = channel_with((Direction.TO_HOST, 0, fault))
        channel.write(STATUS)
        assert channel.read(1.0) == expected, kind


def test_a_seed_gives_the_same_faults_again() -> None:
    def strikes(seed: int) -> list[Fault | None]:
        hook = seeded_faults(seed, 0.3, resets=True)
        return [hook(Direction.TO_DEVICE, index, b"abc") for index in range(200)]

    assert strikes(1) == strikes(1)
    assert strikes(1) != strikes(2)
    struck = [fault for fault in strikes(1) if fault]
    assert 30 <= len(struck) <= 90
    assert {fault.kind for fault in struck} == {*ORDINARY, FaultKind.RESET}


def test_an_unplugged_channel_fails_in_every_call_but_close() -> None:
    channel, _ = channel_with()
    channel.unplugged = True
    for call in (channel.open, channel.drain, lambda: channel.read(0), lambda: channel.write(b"")):
        with pytest.raises(ChannelError, match="unplugged"):
            call()
    channel.close()
