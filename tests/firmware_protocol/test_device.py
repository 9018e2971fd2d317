"""The device state machine against the dialogues, and what the dialogues cannot show."""

from __future__ import annotations

import pytest
from cobs import cobs
from hypothesis import given
from hypothesis import strategies as st

from firmware_protocol.bodies import encode_request
from firmware_protocol.device import Device, DeviceConfig, SenseSample
from firmware_protocol.errors import MessageError
from firmware_protocol.framing import Frame, encode_frame
from firmware_protocol.messages import (
    Apply,
    Clear,
    Flag,
    HoldOff,
    Identify,
    Kind,
    PathState,
    Status,
)


def device_of(dialogue: dict, latched: list) -> Device:
    """Make the device a dialogue describes; latchings that change nothing are not kept."""
    config = dict(dialogue["config"])
    now_ms = config.pop("counter_ms")
    forbidden = config.pop("forbidden")
    samples = [
        SenseSample(raw=raw, full_scale=full_scale, reference_mv=reference_mv)
        for raw, full_scale, reference_mv in config.pop("sense")
    ]

    def sense(channel: int) -> SenseSample | None:
        return samples[channel] if channel < len(samples) else None

    def on_latch(at_ms: int, state: int) -> None:
        if not latched or latched[-1][1] != state:
            latched.append([at_ms, state])

    return Device(
        DeviceConfig(
            **config, sense=sense if samples else None, forbidden=lambda s: s in forbidden
        ),
        now_ms=now_ms,
        on_latch=on_latch,
    )


@pytest.mark.parametrize("how", ["whole", "byte by byte", "with a leading delimiter"])
def test_dialogues(vector_file, framed, how: str) -> None:
    dialogues = vector_file("dialogues")["dialogues"]
    assert dialogues
    for dialogue in dialogues:
        latched: list[list[int]] = []
        device = device_of(dialogue, latched)
        for step in dialogue["steps"]:
            where = f"{dialogue['name']}: {step}"
            at_ms = step["at_ms"]
            if "event" in step:
                {"restart": device.restart, "fault": device.set_fault}[step["event"]](at_ms)
                continue
            raw = "send_raw" in step
            data = bytes.fromhex(step["send_raw"]) if raw else framed(bytes.fromhex(step["send"]))
            expected = framed(bytes.fromhex(step["expect"])) if step["expect"] else b""
            if how == "byte by byte":
                got = b"".join(device.receive(bytes([byte]), at_ms) for byte in data)
            elif how == "whole" or raw:
                got = device.receive(data, at_ms)
            else:
                got = device.receive(b"\x00" + data, at_ms)
            assert got == expected, where
        assert latched == dialogue["latched"], dialogue["name"]


def test_ticking_often_or_never_latches_the_same(vector_file, framed) -> None:
    for dialogue in vector_file("dialogues")["dialogues"]:
        latched: list[list[int]] = []
        device = device_of(dialogue, latched)
        now_ms = dialogue["config"]["counter_ms"]
        for step in dialogue["steps"]:
            while now_ms != step["at_ms"]:
                now_ms = (now_ms + 1) % 2**32
                device.tick(now_ms)
            if "event" in step:
                {"restart": device.restart, "fault": device.set_fault}[step["event"]](now_ms)
            elif "send" in step:
                device.receive(framed(bytes.fromhex(step["send"])), now_ms)
            else:
                device.receive(bytes.fromhex(step["send_raw"]), now_ms)
        assert latched == dialogue["latched"], dialogue["name"]


def ask(device: Device, request, now_ms: int, sequence: int, count: int = 9) -> bytes:
    kind, body = encode_request(request, count)
    reply = device.receive(encode_frame(Frame(type=kind, sequence=sequence, body=body)), now_ms)
    return cobs.decode(reply[:-1])[:-2]


def clear(device: Device, now_ms: int) -> None:
    ask(device, Identify(), now_ms, 0xFE)
    assert ask(device, Clear(flags=Flag.RESTARTED), now_ms, 0xFF)[0] == Kind.CLEAR | 0x80


@given(
    counter=st.integers(0, 2**32 - 1),
    holds=st.lists(st.integers(1, 5000), min_size=1, max_size=16),
    late=st.integers(0, 100_000),
)
def test_a_path_keeps_its_times_wherever_the_counter_is_and_however_late_the_call(
    counter: int, holds: list[int], late: int
) -> None:
    latched: list[tuple[int, int]] = []
    device = Device(
        DeviceConfig(relay_count=9),
        now_ms=counter,
        on_latch=lambda at_ms, state: latched.append((at_ms, state)),
    )
    clear(device, counter)
    ask(device, HoldOff(time_ms=60000), counter, 1)
    path = tuple(PathState(state=k + 1, hold_ms=h) for k, h in enumerate(holds))
    ask(device, Apply(start=0, path=path), counter, 2)
    device.tick(counter + late)
    due, expected = 0, [(counter, 0)]
    for step in path:
        if due <= late and due < 60000:
            expected.append(((counter + due) % 2**32, step.state))
        due += step.hold_ms
    if late >= 60000:
        expected.append(((counter + 60000) % 2**32, 0))
    assert latched == expected


@given(st.lists(st.binary(max_size=60), max_size=20))
def test_garbage_never_moves_a_relay_or_raises(pieces: list[bytes]) -> None:
    latched: list[int] = []
    device = Device(DeviceConfig(relay_count=9), on_latch=lambda _, state: latched.append(state))
    clear(device, 0)
    for index, piece in enumerate(pieces):
        device.receive(piece, index)
    assert set(latched) == {0}


@given(st.integers(1, 64), st.integers(0x01, 0x7F), st.binary(max_size=80))
def test_every_sound_request_gets_one_reply_with_its_sequence(
    count: int, kind: int, body: bytes
) -> None:
    device = Device(DeviceConfig(relay_count=count))
    reply = device.receive(encode_frame(Frame(type=kind, sequence=77, body=body)), 5)
    assert reply.count(b"\x00") == 1
    head = cobs.decode(reply[:-1])[:-2]
    assert head[0] in (kind | 0x80, 0xFF)
    assert head[1] == 77


def test_the_time_until_something_is_due() -> None:
    device = Device(DeviceConfig(relay_count=9))
    assert device.next_due_in_ms(0) is None
    clear(device, 0)
    ask(device, Apply(start=0, path=(PathState(state=1, hold_ms=30),)), 10, 1)
    assert device.next_due_in_ms(10) == 30
    assert device.next_due_in_ms(35) == 5
    ask(device, Status(), 40, 2)
    assert device.next_due_in_ms(41) == 1999
    device.tick(2040)
    assert device.next_due_in_ms(2040) is None


@pytest.mark.parametrize(
    "config",
    [
        {"relay_count": 0},
        {"relay_count": 65},
        {"relay_count": 4, "park_state": 16},
        {"relay_count": 64, "max_payload": 100},
        {"relay_count": 4, "name": "a name that is far too long"},
    ],
)
def test_a_board_that_cannot_be_is_refused(config: dict) -> None:
    with pytest.raises(MessageError):
        DeviceConfig(**config)
