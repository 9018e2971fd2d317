"""Messages against the vectors, and their own validation."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from firmware_protocol import messages
from firmware_protocol.bodies import decode_reply, decode_request, encode_reply, encode_request
from firmware_protocol.errors import MessageError
from firmware_protocol.framing import Frame, encode_frame
from firmware_protocol.messages import (
    Apply,
    Capability,
    Clear,
    ErrorCode,
    ErrorReply,
    Flag,
    HoldOff,
    IdentifyReply,
    Kind,
    PathState,
    SenseReply,
    mask_width,
    printable,
)


def build(case: dict) -> object:
    """Make the message a vector describes."""
    fields = dict(case["fields"])
    if "path" in fields:
        fields["path"] = tuple(PathState(state=s, hold_ms=h) for s, h in fields["path"])
    if "flags" in fields:
        fields["flags"] = Flag(fields["flags"])
    if "capabilities" in fields:
        fields["capabilities"] = Capability(fields["capabilities"])
    if "code" in fields:
        fields["code"] = ErrorCode(fields["code"])
    return getattr(messages, case["message"])(**fields)


def test_vectors(vector_file, framed) -> None:
    cases = vector_file("messages")["messages"]
    for case in cases:
        head, count = bytes.fromhex(case["head_hex"]), case["relay_count"]
        assert framed(head) == bytes.fromhex(case["frame_hex"]), case["name"]
        request = case["side"] == "request"
        encode = encode_request if request else encode_reply
        decode = decode_request if request else decode_reply
        message = build(case)
        kind, body = encode(message, count)
        assert bytes([kind, head[1]]) + body == head, case["name"]
        assert decode(head[0], head[2:], count) == message, case["name"]
        frame = encode_frame(Frame(type=kind, sequence=head[1], body=body))
        assert frame.hex(" ") == case["frame_hex"], case["name"]


def test_vectors_have_every_request_reply_and_error(vector_file) -> None:
    cases = vector_file("messages")["messages"]
    heads = [bytes.fromhex(case["head_hex"]) for case in cases]
    assert {head[0] for head in heads} >= {*Kind, *(kind | 0x80 for kind in Kind), 0xFF}
    assert {head[3] for head in heads if head[0] == 0xFF} == set(ErrorCode)


def test_malformed_vectors_are_refused(vector_file) -> None:
    cases = vector_file("messages")["malformed"]
    assert cases
    for case in cases:
        head = bytes.fromhex(case["head_hex"])
        decode = decode_request if case["side"] == "request" else decode_reply
        try:
            message = decode(head[0], head[2:], case["relay_count"])
        except MessageError:
            continue
        pytest.fail(f"{case['name']} was read as {message}")


@given(st.integers(0, 255), st.binary(max_size=196), st.integers(1, 64))
def test_any_body_decodes_to_itself_or_is_refused(kind: int, body: bytes, count: int) -> None:
    for decode, encode in ((decode_request, encode_request), (decode_reply, encode_reply)):
        try:
            message = decode(kind, body, count)
        except MessageError:
            continue
        assert encode(message, count) == (kind, body)


@pytest.mark.parametrize(("relays", "width"), [(1, 1), (8, 1), (9, 2), (16, 2), (17, 3), (64, 8)])
def test_mask_width(relays: int, width: int) -> None:
    assert mask_width(relays) == width


@pytest.mark.parametrize(
    "make",
    [
        lambda: PathState(state=-1, hold_ms=1),
        lambda: PathState(state=1 << 64, hold_ms=1),
        lambda: PathState(state=1, hold_ms=0),
        lambda: PathState(state=1, hold_ms=5001),
        lambda: Apply(start=0, path=()),
        lambda: Apply(start=0, path=(PathState(state=0, hold_ms=1),) * 17),
        lambda: HoldOff(time_ms=199),
        lambda: HoldOff(time_ms=60001),
        lambda: Clear(flags=Flag.PARKED),
        lambda: SenseReply(flags=Flag(0), channel=0, raw=5, full_scale=4, reference_mv=1),
    ],
)
def test_a_message_out_of_range_cannot_be_made(make) -> None:
    with pytest.raises(MessageError):
        make()


def test_a_mask_wider_than_the_device_is_refused() -> None:
    apply = Apply(start=0, path=(PathState(state=1 << 9, hold_ms=1),))
    encode_request(apply, 10)
    with pytest.raises(MessageError, match="not a mask of 9 relays"):
        encode_request(apply, 9)


def test_an_unknown_error_code_is_kept() -> None:
    reply = decode_reply(0xFF, bytes([0, 99, 3, 0]), 9)
    assert reply == ErrorReply(flags=Flag(0), code=99, request_type=3)


def test_printable_strips_what_could_steer_a_terminal() -> None:
    assert printable("Bench\x1b[2J ladder\x07\r\n") == "Bench[2J ladder"
    assert printable("\u202eabc\u200b\x9b") == "abc"
    assert printable("Prüfstand Ω 7") == "Prüfstand Ω 7"


@given(st.text(max_size=50))
def test_printable_leaves_only_printable_and_is_idempotent(text: str) -> None:
    clean = printable(text)
    assert printable(clean) == clean
    assert not any(ord(c) < 32 or 0x7F <= ord(c) < 0xA0 for c in clean)


def test_the_longest_apply_must_fit_the_payload() -> None:
    fields = {
        "flags": Flag(0),
        "version": 1,
        "capabilities": Capability(0),
        "boots": 0,
        "park_state": 0,
        "name": "",
    }
    IdentifyReply(relay_count=64, max_path=16, max_payload=173, **fields)
    with pytest.raises(MessageError, match="max_payload must be 173"):
        IdentifyReply(relay_count=64, max_path=16, max_payload=172, **fields)
