"""The framing of the C core against the Python framing, and both against independent libraries."""

from __future__ import annotations

import ctypes
import json
from pathlib import Path
from typing import Any

import cobs.cobs
import pytest
from crccheck.crc import Crc16Ibm3740
from hypothesis import assume, given
from hypothesis import strategies as st

from firmware_protocol.framing import Decoder, Frame, encode_frame

pytestmark = pytest.mark.toolchain

LIMIT = 200
"""What the library under test is built for, in bytes of payload."""
NONE, GOOD, BAD = range(3)
VECTORS = Path(__file__).parents[2] / "firmware_protocol" / "vectors"


class CDecoder(ctypes.Structure):
    """`struct rung_decoder` of core/rung_frame.h."""

    _fields_ = (
        ("payload", ctypes.c_uint8 * LIMIT),
        ("length", ctypes.c_uint8),
        ("group_left", ctypes.c_uint8),
        ("ended", ctypes.c_bool),
        ("started", ctypes.c_bool),
        ("zero_due", ctypes.c_bool),
        ("broken", ctypes.c_bool),
        ("crc", ctypes.c_uint16),
    )


class Core:
    """The C framing, as functions of bytes."""

    def __init__(self, library: Path) -> None:
        self._c = ctypes.CDLL(str(library))
        self._c.rung_crc16.restype = ctypes.c_uint16
        self._c.rung_crc16.argtypes = (ctypes.c_uint16, ctypes.c_uint8)
        self._c.rung_frame_seal.restype = ctypes.c_uint8
        self._c.rung_frame_seal.argtypes = (ctypes.c_void_p, ctypes.c_uint8)
        self._c.rung_decoder_feed.restype = ctypes.c_int
        self._c.rung_decoder_feed.argtypes = (ctypes.POINTER(CDecoder), ctypes.c_uint8)

    def crc(self, data: bytes) -> int:
        crc = 0xFFFF
        for byte in data:
            crc = self._c.rung_crc16(crc, byte)
        return int(crc)

    def seal(self, head: bytes) -> bytes:
        """Return the frame around type, sequence and body."""
        room = (ctypes.c_uint8 * (len(head) + 4 + 8))(*([0xEE] * (len(head) + 12)))
        room[1 : 1 + len(head)] = list(head)
        size = self._c.rung_frame_seal(room, len(head))
        assert list(room[len(head) + 4 :]) == [0xEE] * 8, "written beyond the room it may have"
        return bytes(room[:size])

    def decode(self, data: bytes) -> tuple[list[bytes], int]:
        """Return the payloads in a stream, checksums stripped, and the count of bad frames."""
        decoder = CDecoder()
        frames, bad = [], 0
        for byte in data:
            result = self._c.rung_decoder_feed(ctypes.byref(decoder), byte)
            if result == GOOD:
                frames.append(bytes(decoder.payload[: decoder.length - 2]))
            bad += result == BAD
        return frames, bad


@pytest.fixture(scope="module")
def core(builds: Any) -> Core:
    return Core(builds.core())


def _python_decode(data: bytes) -> tuple[list[bytes], int]:
    decoder = Decoder(max_payload=LIMIT)
    frames = decoder.feed(data)
    return [bytes([f.type, f.sequence]) + f.body for f in frames], decoder.dropped


def _vectors(name: str) -> dict[str, Any]:
    loaded = json.loads((VECTORS / name).read_text())
    assert isinstance(loaded, dict)
    return loaded


heads = st.binary(min_size=2, max_size=LIMIT - 2) | st.lists(
    st.sampled_from([0, 1, 0xFF]), min_size=2, max_size=LIMIT - 2
).map(bytes)
# Streams that are likely to hold frames, pieces of frames and noise.
pieces = st.one_of(
    heads.map(lambda head: encode_frame(_frame(head))),
    st.tuples(heads, st.integers(0, 300), st.integers(1, 255)).map(lambda t: _spoilt(*t)),
    st.binary(max_size=40),
    st.sampled_from([b"\x00", b"\x00\x00", b"\x01\x00", b"\x01" * 210 + b"\x00", b"\xff" * 256]),
)


def _frame(head: bytes) -> Frame:
    return Frame(type=head[0], sequence=head[1], body=head[2:])


def _spoilt(head: bytes, at: int, flip: int) -> bytes:
    data = bytearray(encode_frame(_frame(head)))
    data[at % len(data)] ^= flip
    return bytes(data)


@given(data=st.binary(max_size=300))
def test_checksum_agrees_with_an_independent_library(core: Core, data: bytes) -> None:
    # crccheck: independent implementation of the catalogue of parametrised CRC algorithms
    assert core.crc(data) == Crc16Ibm3740.calc(data)


def test_checksum_has_the_vectors_values(core: Core) -> None:
    cases = _vectors("crc.json")["cases"]
    assert cases
    for case in cases:
        assert core.crc(bytes.fromhex(case["data_hex"])) == case["crc"], case["name"]


@given(head=heads)
def test_frames_agree_with_python_and_an_independent_library(core: Core, head: bytes) -> None:
    frame = core.seal(head)
    assert frame == encode_frame(_frame(head))
    # cobs: independent implementation of Cheshire and Baker's encoding
    payload = head + Crc16Ibm3740.calc(head).to_bytes(2, "little")
    assert frame == cobs.cobs.encode(payload) + b"\x00"


def test_frames_are_those_of_the_vectors(core: Core) -> None:
    vectors = _vectors("framing.json")
    assert vectors["frames"]
    for case in vectors["frames"]:
        head, frame = bytes.fromhex(case["head_hex"]), bytes.fromhex(case["frame_hex"])
        assert core.seal(head) == frame, case["name"]
        assert core.decode(frame) == ([head], 0), case["name"]
    for case in _vectors("messages.json")["messages"]:
        head, frame = bytes.fromhex(case["head_hex"]), bytes.fromhex(case["frame_hex"])
        assert core.seal(head) == frame, case["name"]


@given(stream=st.lists(pieces, max_size=8).map(b"".join))
def test_streams_decode_as_in_python(core: Core, stream: bytes) -> None:
    assert core.decode(stream) == _python_decode(stream)


@given(head=heads, cut=st.integers(0, 300))
def test_half_a_frame_spoils_only_itself(core: Core, head: bytes, cut: int) -> None:
    frame = encode_frame(_frame(head))
    half = frame[: cut % (len(frame) - 1)]
    # One torn frame in 65536 has a sound checksum all the same (b"\xff\xff\x00", cut before its
    # last byte); what protects relays then is that an apply states its own length.
    assume(not _sound(half))
    frames, bad = core.decode(half + b"\x00" + frame)
    assert frames == [head]
    assert bad == (1 if half else 0)


def _sound(encoded: bytes) -> bool:
    """Judge by independent libraries whether bytes without a delimiter are a frame."""
    try:
        payload = cobs.cobs.decode(encoded)
    except cobs.cobs.DecodeError:
        return False
    return len(payload) >= 4 and Crc16Ibm3740.calc(payload[:-2]) == int.from_bytes(
        payload[-2:], "little"
    )


def test_the_limit_is_exact(core: Core) -> None:
    longest, longer = bytes(LIMIT - 2), bytes(LIMIT - 1)
    assert core.decode(core.seal(longest)) == ([longest], 0)
    assert core.decode(core.seal(longer)) == ([], 1)


def test_vectors_of_what_is_no_frame(core: Core) -> None:
    vectors = _vectors("framing.json")
    assert vectors["rejected"]
    assert vectors["ignored"]
    for case in vectors["rejected"]:
        data = bytes.fromhex(case["bytes_hex"])
        assert core.decode(data) == ([], case["dropped"]), case["name"]
    for case in vectors["ignored"]:
        assert core.decode(bytes.fromhex(case["bytes_hex"])) == ([], 0), case["name"]
