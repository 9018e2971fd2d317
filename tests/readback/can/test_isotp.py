"""Long messages, against the independent implementation `can-isotp` (PyPI) as the oracle."""

from __future__ import annotations

import time
from collections import deque

import isotp
import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.readback.can.isotp import Reassembly, single_frame

GAP_MS = 60
"""The oracle keeps its own clock; its N_Cr is made short, so that the test need not wait long."""


class Oracle:
    """The same frames, to can-isotp."""

    def __init__(self):
        self.inbox = deque()
        self.outbox = []
        address = isotp.Address(isotp.AddressingMode.Normal_11bits, txid=0x7E0, rxid=0x7E8)
        self.layer = isotp.TransportLayerLogic(
            rxfn=lambda _timeout: self.inbox.popleft() if self.inbox else None,
            txfn=self.outbox.append,
            address=address,
            params={
                "stmin": 0,
                "blocksize": 0,
                "tx_padding": 0x00,
                "rx_consecutive_frame_timeout": GAP_MS,
                "max_frame_size": 4095,
                "logger_name": "oracle",
            },
        )

    def take(self, data):
        self.inbox.append(isotp.CanMessage(arbitration_id=0x7E8, dlc=len(data), data=data))
        self.layer.process()

    def messages(self):
        found = []
        while self.layer.available():
            found.append(bytes(self.layer.recv()))
        return found


def frames_of(message):
    """Segment a message, after ISO 15765-2 (from memory)."""
    if len(message) <= 7:
        return [(bytes([len(message)]) + message).ljust(8, b"\0")]
    out = [bytes([0x10 | len(message) >> 8, len(message) & 255]) + message[:6]]
    for n, start in enumerate(range(6, len(message), 7), 1):
        out.append((bytes([0x20 | n % 16]) + message[start : start + 7]).ljust(8, b"\0"))
    return out


LONG = bytes(range(1, 41))
OTHER = bytes(range(100, 120))
F, G = frames_of(LONG), frames_of(OTHER)
LATE = "late"

CASES = {
    "as it should be": F,
    "one frame": frames_of(b"\x41\x05\x7b"),
    "seven bytes": frames_of(bytes(7)),
    "eight bytes": frames_of(bytes(8)),
    "seventeen segments": frames_of(bytes(range(118))),
    "a segment lost": [*F[:2], *F[3:]],
    "the first segment lost": [F[0], *F[2:]],
    "the last segment lost": F[:-1],
    "the first frame lost": F[1:],
    "a segment repeated": [*F[:3], F[2], *F[3:]],
    "the first frame repeated": [F[0], *F],
    "two segments swapped": [F[0], F[2], F[1], *F[3:]],
    "lost, then whole": [*F[:2], *F[3:], *F],
    "a new long message in the middle": [*F[:3], *G],
    "a short message in the middle": [*F[:3], frames_of(b"\x41\x05\x7b")[0], *F[3:]],
    "a segment without a beginning": [F[1], *G],
    "length nought": [bytes(8), *F],
    "length beyond the frame": [b"\x07\x41\x05", *F],
    "longer than can be taken": [b"\x10\x00\x00\x01\x00\x00\x00\x00", F[1]],
    "a first frame cut short": [F[0][:5], *F[1:]],
    "a segment cut short": [*F[:2], F[2][:4], *F[3:]],
    "the last segment without padding": [*F[:-1], F[-1][: 1 + (len(LONG) - 6) % 7]],
    "flow control in the middle": [*F[:2], b"\x30" + bytes(7), *F[2:]],
    "a frame of no known kind": [*F[:2], b"\x45" + bytes(7), *F[2:]],
    "an empty frame": [F[0], b"", *F[1:]],
    "a segment too late": [*F[:2], LATE, *F[2:]],
}


def ours(frames):
    reassembly, now_s, found, replies = Reassembly(), 0.0, [], []
    for data in frames:
        if data is LATE:
            now_s += 1.5
            continue
        heard = reassembly.take(data, now_s)
        if heard.message is not None:
            found.append(heard.message)
        if heard.reply is not None:
            replies.append(heard.reply)
    return found, replies


def the_oracles(frames):
    oracle = Oracle()
    found = []
    for data in frames:
        if data is LATE:
            time.sleep(2.5 * GAP_MS / 1000)
            continue
        oracle.take(data)
        found += oracle.messages()
    return found, [bytes(message.data) for message in oracle.outbox]


@pytest.mark.parametrize("frames", CASES.values(), ids=CASES)
def test_every_fault_comes_to_the_same_messages(frames):
    assert ours(frames)[0] == the_oracles(frames)[0]


def test_one_difference_is_meant():
    """A first frame of a length that fits a single one is to be ignored (ISO 15765-2, from memory).

    The oracle takes it.
    """
    frames = [b"\x10\x05" + bytes(6), F[1], *F]
    assert ours(frames)[0] == [LONG]
    assert the_oracles(frames)[0] == [bytes(5), LONG]


def test_there_are_at_least_nineteen_faults():
    assert len(CASES) >= 19 + 5


@pytest.mark.parametrize("name", ["as it should be", "longer than can be taken", "one frame"])
def test_flow_control_is_the_same(name):
    assert ours(CASES[name])[1] == the_oracles(CASES[name])[1]


@given(st.binary(min_size=1, max_size=400))
def test_whatever_is_cut_up_comes_back(message):
    assert ours(frames_of(message))[0] == [message]


@given(
    st.lists(st.sampled_from([*F, *G, *frames_of(b"\x41\x05\x7b")]), max_size=20),
)
def test_any_order_of_frames_comes_to_the_same_messages(frames):
    assert ours(frames)[0] == the_oracles(frames)[0]


def test_only_what_fits_is_asked_in_one_frame():
    assert single_frame(b"\x01\x05") == bytes.fromhex("0201050000000000")
    for wrong in (b"", bytes(8)):
        with pytest.raises(ValueError, match="1 to 7"):
            single_frame(wrong)
