"""The host's side: what it sends, what it believes, when it gives up."""

from __future__ import annotations

import itertools

import pytest

from firmware_protocol.errors import LocalProtocolError, MessageError
from firmware_protocol.framing import Frame, encode_frame
from firmware_protocol.messages import (
    Apply,
    ErrorCode,
    Flag,
    Identify,
    IdentifyReply,
    Park,
    ParkReply,
    PathState,
    Status,
    StatusReply,
)
from firmware_protocol.session import (
    TRANSITIONS,
    GaveUp,
    Line,
    Refused,
    RepeatDue,
    Replied,
    Session,
    Signal,
)

# Heads (type, sequence, body) as in vectors/messages.json.
IDENTITY = bytes.fromhex("01 01 12 01 10 c8 2c 01 00 00 02 48 61 72 62 6f 75 72")


def frame(kind: int, sequence: int, body: bytes) -> bytes:
    return encode_frame(Frame(type=kind, sequence=sequence, body=body))


@pytest.fixture
def session() -> Session:
    """A session that has identified an 18-relay device; its next sequence number is 1."""
    session = Session()
    session.request(Identify(), 0.0)
    (event,) = session.receive(frame(0x81, 0, IDENTITY), 0.1)
    assert isinstance(event, Replied)
    assert isinstance(event.reply, IdentifyReply)
    assert session.relay_count == 18
    return session


def test_the_first_frame_follows_a_delimiter_and_later_ones_do_not(session: Session) -> None:
    assert Session().request(Identify(), 0.0) == b"\x00" + frame(0x01, 0, b"")
    assert session.request(Park(), 1.0) == frame(0x04, 1, b"")


def test_nothing_but_identify_comes_first() -> None:
    with pytest.raises(LocalProtocolError, match="first request"):
        Session().request(Status(), 0.0)


def test_sequence_numbers_change_with_every_request_and_wrap(session: Session) -> None:
    seen = []
    for index in range(260):
        data = session.request(Park(), float(index))
        sequence = (index + 1) % 256
        assert data == frame(0x04, sequence, b"")
        session.receive(frame(0x84, sequence, b"\x01"), float(index))
        seen.append(sequence)
    assert all(a != b for a, b in itertools.pairwise(seen))


def test_a_reply_whole_byte_by_byte_and_behind_noise(session: Session) -> None:
    reply = frame(0x84, 1, b"\x01")
    request = Park()
    session.request(request, 1.0)
    assert session.receive(reply, 1.0) == [
        Replied(request=request, reply=ParkReply(flags=Flag.PARKED), tries=1)
    ]
    session.request(request, 1.0)
    events = [e for b in frame(0x84, 2, b"\x01") for e in session.receive(bytes([b]), 1.0)]
    assert len(events) == 1
    session.request(request, 1.0)
    assert len(session.receive(b"\x07\x01\x02\x00" + frame(0x84, 3, b"\x01"), 1.0)) == 1
    assert session.dropped == 1


@pytest.mark.parametrize(
    ("kind", "sequence", "body"),
    [
        (0x84, 0, b"\x01"),  # the reply to an earlier request, late
        (0x84, 2, b"\x01"),  # one from the future
        (0x82, 1, b"\x01\x00\x00\x00\x00\xd0\x07\x00"),  # another type
        (0x04, 1, b""),  # our own request, echoed
        (0x84, 1, b""),  # no status byte
        (0x84, 1, b"\x01\x01"),  # too long
        (0xFF, 1, b"\x01\x05\x03\x00"),  # an error that names another request
        (0xFF, 0, b"\x01\x05\x04\x00"),  # an error with another sequence
    ],
)
def test_only_the_matching_reply_is_believed(
    session: Session, kind: int, sequence: int, body: bytes
) -> None:
    session.request(Park(), 1.0)
    assert session.receive(frame(kind, sequence, body), 1.0) == []
    assert session.ignored == 1
    assert session.line is Line.WAITING
    assert len(session.receive(frame(0x84, 1, b"\x01"), 1.1)) == 1


def test_nothing_is_believed_while_no_request_is_open(session: Session) -> None:
    assert session.receive(frame(0x84, 1, b"\x01"), 1.0) == []
    assert session.ignored == 1


def test_a_refusal_is_an_event(session: Session) -> None:
    request = Apply(start=0, path=(PathState(state=1, hold_ms=1),))
    session.request(request, 1.0)
    (event,) = session.receive(frame(0xFF, 1, b"\x11\x05\x03\x00"), 1.0)
    assert isinstance(event, Refused)
    assert event.error.code is ErrorCode.INTERLOCKED
    assert event.error.flags == Flag.PARKED | Flag.RESTARTED


def test_repeats_are_the_same_bytes_behind_a_delimiter_and_end(session: Session) -> None:
    request = Park()
    first = session.request(request, 1.0)
    assert session.tick(1.2) == []
    assert session.deadline_s == pytest.approx(1.25)
    for tries, now_s in ((2, 1.25), (3, 1.5), (4, 1.75)):
        assert session.tick(now_s) == [RepeatDue(data=b"\x00" + first, tries=tries)]
        assert session.tick(now_s) == []
    assert session.tick(2.0) == [GaveUp(request=request, tries=4, why=None)]
    assert session.line is Line.DIRTY
    assert session.deadline_s is None
    assert session.retries == 3


def test_identify_is_sent_anew_and_only_the_last_is_believed() -> None:
    session = Session(first_sequence=254)
    assert session.request(Identify(), 1.0) == b"\x00" + frame(0x01, 254, b"")
    for tries, sequence, now_s in ((2, 255, 1.25), (3, 0, 1.5)):
        (event,) = session.tick(now_s)
        assert event == RepeatDue(data=b"\x00" + frame(0x01, sequence, b""), tries=tries)
    # late replies to the first two, perhaps from before a restart
    for sequence in (254, 255):
        assert session.receive(frame(0x81, sequence, IDENTITY), 1.6) == []
    assert session.ignored == 2
    (event,) = session.receive(frame(0x81, 0, IDENTITY), 1.6)
    assert isinstance(event, Replied)
    assert session.request(Park(), 2.0) == frame(0x04, 1, b"")


def test_after_giving_up_the_next_request_starts_with_a_delimiter(session: Session) -> None:
    session.request(Park(), 1.0)
    for now_s in (2.0, 3.0, 4.0, 5.0):
        session.tick(now_s)
    assert session.request(Park(), 6.0) == b"\x00" + frame(0x04, 2, b"")
    # the reply to the request given up comes late and is not taken for the new one's
    assert session.receive(frame(0x84, 1, b"\x01"), 6.0) == []
    assert len(session.receive(frame(0x84, 2, b"\x01"), 6.0)) == 1


def test_a_late_reply_to_the_open_request_still_counts(session: Session) -> None:
    session.request(Park(), 1.0)
    session.tick(1.3)
    (event,) = session.receive(frame(0x84, 1, b"\x01"), 1.4)
    assert isinstance(event, Replied)
    assert event.tries == 2
    # and the second reply, to the repeat, is not taken for that of the next request
    session.request(Park(), 1.4)
    assert session.receive(frame(0x84, 1, b"\x01"), 1.5) == []


def test_half_a_reply_before_a_repeat_does_not_spoil_the_next(session: Session) -> None:
    session.request(Park(), 1.0)
    session.receive(frame(0x84, 1, b"\x01")[:4], 1.0)
    session.tick(1.25)
    assert len(session.receive(frame(0x84, 1, b"\x01"), 1.3)) == 1


@pytest.mark.parametrize(
    ("data", "word"),
    [(b"\x05\x84\x01\x01\xff\xff\x00", "corrupt"), (frame(0x84, 1, b""), "too short")],
)
def test_giving_up_says_what_came_instead(session: Session, data: bytes, word: str) -> None:
    session.request(Park(), 1.0)
    session.receive(data, 1.0)
    events = [event for now_s in (2.0, 3.0, 4.0, 5.0) for event in session.tick(now_s)]
    assert isinstance(events[-1], GaveUp)
    assert word in (events[-1].why or "")


def test_two_open_requests_are_our_own_mistake(session: Session) -> None:
    session.request(Park(), 1.0)
    with pytest.raises(LocalProtocolError, match="request sent does not fit"):
        session.request(Park(), 1.1)
    assert len(session.receive(frame(0x84, 1, b"\x01"), 1.1)) == 1


def test_a_request_may_be_abandoned_and_its_reply_is_not_believed(session: Session) -> None:
    session.request(Park(), 1.0)
    session.abandon()
    assert session.line is Line.DIRTY
    assert session.receive(frame(0x84, 1, b"\x01"), 1.1) == []
    with pytest.raises(LocalProtocolError):
        session.abandon()


def test_a_mask_too_wide_leaves_the_session_as_it_was(session: Session) -> None:
    wide = Apply(start=0, path=(PathState(state=1 << 18, hold_ms=1),))
    with pytest.raises(MessageError):
        session.request(wide, 1.0)
    assert session.line is Line.CLEAN
    assert session.request(Park(), 1.0) == frame(0x04, 1, b"")


def test_the_transitions_are_all_there_is() -> None:
    """Every pair of line and signal is in the table or raises, and every line can be reached."""
    for line, signal in itertools.product(Line, Signal):
        session = Session()
        session.line = line
        if (line, signal) in TRANSITIONS:
            session._signal(signal)
            assert session.line is TRANSITIONS[line, signal]
        else:
            with pytest.raises(LocalProtocolError):
                session._signal(signal)
    assert {Line.FRESH, *TRANSITIONS.values()} == set(Line)


def test_status_is_read_with_the_width_the_device_stated(session: Session) -> None:
    session.request(Status(), 1.0)
    body = bytes.fromhex("02 03 00 02 05 d0 07 ff")
    (event,) = session.receive(frame(0x82, 1, body), 1.0)
    assert isinstance(event, Replied)
    assert event.reply == StatusReply(
        flags=Flag.MOVING, state=0x20003, steps_left=5, hold_off_ms=2000, dropped=255
    )


@pytest.mark.parametrize("wrong", [{"reply_timeout_s": 0.0}, {"tries": 0}])
def test_a_session_without_time_or_tries_cannot_be_made(wrong: dict) -> None:
    with pytest.raises(LocalProtocolError):
        Session(**wrong)
