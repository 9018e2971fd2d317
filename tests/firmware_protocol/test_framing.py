"""Framing against published COBS examples, the `cobs` library, and laws."""

from __future__ import annotations

import csv
import itertools
from pathlib import Path

import pytest
from cobs import cobs
from hypothesis import given
from hypothesis import strategies as st

from firmware_protocol.errors import FrameError, LocalProtocolError
from firmware_protocol.framing import (
    Decoder,
    Frame,
    cobs_decode,
    cobs_encode,
    decode_frame,
    encode_frame,
)

REFERENCE = Path(__file__).parents[1] / "reference" / "cobs_vectors.csv"

frames = st.builds(
    Frame,
    type=st.integers(0, 255),
    sequence=st.integers(0, 255),
    body=st.one_of(st.binary(max_size=196), st.integers(0, 196).map(bytes)),
)


def chunks(data: bytes, cuts: list[int]) -> list[bytes]:
    edges = [0, *sorted(cut % (len(data) + 1) for cut in cuts), len(data)]
    return [data[a:b] for a, b in itertools.pairwise(edges)]


def spelled_out(text: str) -> bytes:
    """Read ``FF 01..FE 00 (256)``: bytes, runs of bytes, and a remark about the length."""
    out = bytearray()
    for word in text.partition("(")[0].split():
        first, _, last = word.partition("..")
        out += bytes(range(int(first, 16), int(last or first, 16) + 1))
    return bytes(out)


def test_published_cobs_examples() -> None:
    rows = list(csv.DictReader(REFERENCE.read_text("utf-8").splitlines()[1:]))
    assert len(rows) >= 6
    for row in rows:
        raw, encoded = spelled_out(row["raw_hex"]), spelled_out(row["encoded_hex"])
        assert cobs_encode(raw) == encoded
        assert cobs_decode(encoded) == raw


@given(st.binary(max_size=1200))
def test_cobs_equals_the_library(data: bytes) -> None:
    assert cobs_encode(data) == cobs.encode(data)
    assert cobs_decode(cobs_encode(data)) == data


@pytest.mark.parametrize("length", [253, 254, 255, 508, 509])
@pytest.mark.parametrize("tail", [b"", b"\x00", b"\x00\x01"])
def test_cobs_at_the_ends_of_full_blocks(length: int, tail: bytes) -> None:
    data = b"\x01" * length + tail
    assert cobs_encode(data) == cobs.encode(data)
    assert cobs_decode(cobs.encode(data)) == data


@given(st.binary(max_size=40))
def test_cobs_refuses_what_the_library_refuses(data: bytes) -> None:
    try:
        expected: bytes | None = cobs.decode(data) if data else None
    except cobs.DecodeError:
        expected = None
    if expected is None:
        with pytest.raises(FrameError):
            cobs_decode(data)
    else:
        assert cobs_decode(data) == expected


@given(frames)
def test_frames_equal_the_oracles(framed, frame: Frame) -> None:
    assert encode_frame(frame) == framed(bytes([frame.type, frame.sequence]) + frame.body)


@given(st.lists(frames, max_size=5), st.lists(st.integers(0, 10**6), max_size=12))
def test_round_trip_in_any_chunks(sent: list[Frame], cuts: list[int]) -> None:
    data = b"".join(encode_frame(frame) for frame in sent)
    decoder = Decoder()
    got = [frame for chunk in chunks(data, cuts) for frame in decoder.feed(chunk)]
    assert got == sent
    assert decoder.dropped == 0


@given(st.binary(max_size=2000), st.lists(st.integers(0, 10**6), max_size=8), frames)
def test_garbage_never_raises_and_never_hides_the_next_frame(
    garbage: bytes, cuts: list[int], frame: Frame
) -> None:
    whole, split = Decoder(), Decoder()
    tail = b"\x00" + encode_frame(frame)
    expected = whole.feed(garbage + tail)
    got = [f for chunk in chunks(garbage + tail, cuts) for f in split.feed(chunk)]
    assert got == expected
    assert split.dropped == whole.dropped
    assert got[-1] == frame


@given(frames, st.integers(0, 10**6))
def test_a_single_bit_error_is_always_found(frame: Frame, bit: int) -> None:
    data = encode_frame(frame)
    wrong = bytearray(data)
    bit %= 8 * (len(data) - 1)
    wrong[bit // 8] ^= 1 << bit % 8
    assert frame not in Decoder().feed(bytes(wrong))


@pytest.mark.parametrize("how", ["whole", "byte by byte", "with a tail"])
def test_vectors(vector_file, framed, how: str) -> None:
    cases = vector_file("framing")["frames"]
    assert cases
    for case in cases:
        head, data = bytes.fromhex(case["head_hex"]), bytes.fromhex(case["frame_hex"])
        assert framed(head) == data, case["name"]
        frame = Frame(type=head[0], sequence=head[1], body=head[2:])
        assert encode_frame(frame) == data, case["name"]
        decoder = Decoder()
        if how == "whole":
            got = decoder.feed(data)
        elif how == "byte by byte":
            got = [f for byte in data for f in decoder.feed(bytes([byte]))]
        else:
            got = decoder.feed(data + data[:3])
        assert got == [frame], case["name"]
        assert decoder.dropped == 0


@pytest.mark.parametrize("step", [1, 7, 10_000])
def test_vectors_that_are_dropped(vector_file, step: int) -> None:
    file = vector_file("framing")
    for case in file["rejected"]:
        data = bytes.fromhex(case["bytes_hex"])
        decoder = Decoder()
        for at in range(0, len(data), step):
            assert decoder.feed(data[at : at + step]) == [], case["name"]
        assert decoder.dropped == case["dropped"], case["name"]
    for case in file["ignored"]:
        decoder = Decoder()
        assert decoder.feed(bytes.fromhex(case["bytes_hex"])) == []
        assert decoder.dropped == 0


def test_a_limit_below_the_largest_is_exact() -> None:
    fits = Frame(type=1, sequence=0, body=b"\x01" * 28)
    above = Frame(type=1, sequence=0, body=b"\x01" * 29)
    decoder = Decoder(max_payload=32)
    assert decoder.feed(encode_frame(fits)) == [fits]
    assert decoder.feed(encode_frame(above)) == []
    assert decoder.dropped == 1


def test_memory_stays_bounded_however_long_the_noise() -> None:
    decoder = Decoder(max_payload=32)
    for _ in range(1000):
        decoder.feed(b"\xa5" * 1000)
    assert len(decoder._held) <= 33
    assert decoder.dropped == 0
    decoder.feed(b"\x00")
    assert decoder.dropped == 1


def test_reset_forgets_half_a_frame_without_counting_it() -> None:
    frame = Frame(type=2, sequence=9)
    decoder = Decoder()
    decoder.feed(encode_frame(frame)[:3])
    decoder.reset()
    assert decoder.feed(encode_frame(frame)) == [frame]
    assert decoder.dropped == 0


def test_too_long_a_frame_is_our_own_mistake() -> None:
    with pytest.raises(LocalProtocolError, match="201 bytes"):
        encode_frame(Frame(type=1, sequence=1, body=bytes(197)))


def test_a_short_payload_is_named() -> None:
    with pytest.raises(FrameError, match="3 bytes is too short"):
        decode_frame(cobs_encode(b"\x01\x02\x03"))
