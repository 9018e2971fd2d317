"""Modbus on the line: what our board library sends and takes, and what the practice board does.

Published frames: tests/reference/modbus_rtu_frames.csv, whose first line names the source.
"""

from __future__ import annotations

import sys

import pytest

from controller.clock import VirtualClock
from controller.links.boards import ModbusBoard
from controller.links.channel import ChannelError
from controller.links.coils import Doubt
from controller.links.modbus_coils import ModbusCoils
from controller.practice.board import Outputs
from controller.practice.languages import ModbusLanguage


class Line:
    """A port whose other side is a script: what was sent, and what comes for it."""

    def __init__(self, *answers: bytes) -> None:
        self.sent: list[bytes] = []
        self._answers = list(answers)
        self._come = b""

    @property
    def in_waiting(self) -> int:
        return len(self._come)

    def write(self, data: bytes) -> int:
        self.sent.append(bytes(data))
        self._come += self._answers.pop(0) if self._answers else b""
        return len(data)

    def read(self, size: int) -> bytes:
        got, self._come = self._come[:size], self._come[size:]
        return got

    def close(self) -> None:
        pass


@pytest.fixture
def at_line(monkeypatch):
    def made(line: Line, **settings) -> ModbusCoils:
        monkeypatch.setattr(
            "controller.links.modbus_coils.open_exclusively", lambda *_args, **_more: line
        )
        board = ModbusBoard(url="line", step_ms=50, answer_s=0.02, **settings)
        coils = ModbusCoils(board, VirtualClock())
        coils.open()
        return coils

    return made


@pytest.fixture
def frames(reference_rows) -> dict[str, bytes]:
    rows = reference_rows("modbus_rtu_frames.csv")
    return {row["meaning"]: bytes.fromhex(row["frame_hex"]) for row in rows}


def test_the_published_frames_have_the_checksum_that_the_practice_board_makes(
    reference_rows,
) -> None:
    from controller.practice.languages import _framed

    rows = reference_rows("modbus_rtu_frames.csv")
    assert len(rows) >= 15
    for row in rows:
        assert _framed(bytes.fromhex(row["pdu_with_address_hex"])).hex() == bytes.fromhex(
            row["frame_hex"]
        ).hex(), row["meaning"]  # fmt: skip


def test_setting_ten_coils_is_the_published_request_and_takes_the_published_answer(
    at_line, frames
) -> None:
    line = Line(frames["FC15 response"])
    coils = at_line(line, unit=17, first_coil=19, outputs=10)
    coils.write(0x1CD)  # 1,0,1,1,0,0,1,1,1,0
    assert line.sent == [frames["FC15 request: coils 20..29 = 1,0,1,1,0,0,1,1,1,0"]]


def test_reading_coils_is_the_published_request_and_takes_the_published_answer(
    at_line, frames
) -> None:
    line = Line(frames["FC01 response"])
    coils = at_line(line, unit=17, first_coil=19, outputs=37)
    # "the status of outputs 27 to 20 is CD hex, 56 to 52 is 1B": Application Protocol V1.1b3, 6.1
    assert coils.read() == 0x1B0EB26BCD
    assert line.sent == [frames["FC01 request: slave 17, coils 20..56"]]


def test_the_published_exception_is_a_refusal_with_a_hint(at_line, frames) -> None:
    coils = at_line(Line(frames["exception to FC01, illegal data address"]), outputs=16)
    with pytest.raises(Exception, match="it has no such coils") as caught:
        coils.read()
    assert "first_coil" in caught.value.hint


@pytest.mark.parametrize(
    ("answer", "settings"),
    [
        ("FC01 response", {"unit": 18, "first_coil": 19, "outputs": 37}),
        ("FC01 response", {"unit": 17, "first_coil": 19, "outputs": 30}),
        ("FC01 response", {"unit": 17, "first_coil": 19, "outputs": 48}),
        ("FC01 response", {"unit": 17, "first_coil": 19, "outputs": 36}),  # its bit 37 is set
        ("FC15 response", {"unit": 17, "first_coil": 19, "outputs": 37}),
    ],
    ids=[
        "another unit",
        "fewer asked for",
        "more asked for",
        "bits beyond the last coil",
        "another function",
    ],
)
def test_an_answer_that_does_not_fit_a_reading_is_doubted(
    at_line, frames, answer, settings
) -> None:
    if answer == "FC01 response" and settings["outputs"] == 36:
        # 0x1B has five bits: the last of 37 coils is its fifth, and that is set.
        assert frames[answer][-3] >> 4 & 1
    with pytest.raises(Doubt):
        at_line(Line(frames[answer]), **settings).read()


@pytest.mark.parametrize("settings", [{"first_coil": 18}, {"outputs": 11}, {"unit": 16}])
def test_an_answer_that_does_not_fit_a_set_is_doubted(at_line, frames, settings) -> None:
    fitting = {"unit": 17, "first_coil": 19, "outputs": 10}
    with pytest.raises(Doubt):
        at_line(Line(frames["FC15 response"]), **{**fitting, **settings}).write(0)


@pytest.mark.parametrize("cut", [1, 3, 7])
def test_a_torn_or_damaged_answer_is_doubted_without_a_word_of_the_library(
    at_line, frames, cut: int, capfd
) -> None:
    settings = {"unit": 17, "first_coil": 19, "outputs": 37}
    good = frames["FC01 response"]
    for answer in (good[:cut], good[:cut] + bytes([good[cut] ^ 1]) + good[cut + 1 :], b""):
        with pytest.raises(Doubt):
            at_line(Line(answer), **settings).read()
    assert capfd.readouterr() == ("", "")


def test_without_its_library_it_is_said_what_to_install(monkeypatch) -> None:
    monkeypatch.setitem(sys.modules, "pymodbus.client", None)
    coils = ModbusCoils(ModbusBoard(url="line", outputs=8, step_ms=50), VirtualClock())
    with pytest.raises(ChannelError, match="library for Modbus is not installed") as caught:
        coils.open()
    assert caught.value.hint == "pip install 'rungwise[modbus]'"


def test_what_comes_unasked_is_doubted(at_line, frames) -> None:
    line = Line(frames["FC01 response"])
    coils = at_line(line, unit=17, first_coil=19, outputs=37)
    line._come = frames["FC01 response"]  # a late one
    with pytest.raises(Doubt, match="came unasked"):
        coils.read()
    assert line.sent == []
    coils.read()


def test_the_practice_board_answers_the_published_requests_as_published(frames) -> None:
    outputs = Outputs(100)
    outputs.set(0x1B0EB26BCD << 19)
    board = ModbusLanguage(unit=17)
    [request], rest = board.requests(frames["FC01 request: slave 17, coils 20..56"])
    assert rest == b""
    assert board.answer(outputs, request) == frames["FC01 response"]
    [request], _ = board.requests(frames["FC15 request: coils 20..29 = 1,0,1,1,0,0,1,1,1,0"])
    assert board.answer(outputs, request) == frames["FC15 response"]
    assert outputs.state >> 19 & 0x3FF == 0x1CD


def test_the_proof_that_the_line_is_clear_is_a_question_of_another_length(at_line) -> None:
    """Its answer cannot be taken for a late one; without an answer it is not asked again."""
    line = Line()
    coils = at_line(line, outputs=18)
    for _ in range(4):
        try:
            coils.clear()
        except Doubt:
            continue
    counts = [int.from_bytes(sent[4:6], "big") for sent in line.sent]
    assert counts == [8, 16, 32]
