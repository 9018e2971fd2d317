"""Lines of text as coils: which replies are taken, and which are doubted."""

from __future__ import annotations

import pytest

from controller.clock import VirtualClock
from controller.links.ascii_coils import AsciiCoils
from controller.links.boards import AsciiBoard
from controller.links.coils import Doubt


class Line:
    """A channel whose other side is a script."""

    port = "line"

    def __init__(self, clock: VirtualClock, *answers: bytes) -> None:
        self.sent: list[bytes] = []
        self.come = b""
        self._clock = clock
        self._answers = list(answers)

    def open(self) -> None:
        pass

    def write(self, data: bytes) -> None:
        self.sent.append(data)
        self.come += self._answers.pop(0) if self._answers else b""

    def read(self, timeout_s: float) -> bytes:
        if not self.come:
            self._clock.sleep_s(timeout_s)
        got, self.come = self.come[:3], self.come[3:]  # as bytes trickle in
        return got

    def drain(self) -> None:
        self.come = b""

    def close(self) -> None:
        pass


def at_line(*answers: bytes, **more) -> tuple[AsciiCoils, Line]:
    clock = VirtualClock()
    line = Line(clock, *answers)
    words = {
        "set": "put {hex}",
        "set_reply": "took {hex}",
        "read": "tell",
        "read_reply": "has {hex}",
    }
    board = AsciiBoard(url="line", outputs=10, step_ms=50, **{**words, **more})
    return AsciiCoils(board, clock, channel=line), line


def test_a_set_and_a_reading() -> None:
    coils, line = at_line(b"took 2A5\r\n", b"has 2A5\r\n")
    coils.write(0x2A5)
    assert coils.read() == 0x2A5
    assert line.sent == [b"put 2A5\r\n", b"tell\r\n"]


@pytest.mark.parametrize(
    ("answer", "why"),
    [
        (b"took 2A4\r\n", "another state than was set"),
        (b"has 2A5\r\n", "not that to a set"),
        (b"took 2A5", "an answer without its line ending"),
        (b"t\xffok\r\n", "not text"),
        (b"x" * 2000, "an answer without its line ending"),
        (b"", "no answer"),
    ],
)
def test_a_reply_to_a_set_that_does_not_fit_is_doubted(answer: bytes, why: str) -> None:
    coils, _ = at_line(answer)
    with pytest.raises(Doubt, match=why):
        coils.write(0x2A5)


def test_what_comes_unasked_is_doubted_before_anything_is_sent() -> None:
    coils, line = at_line(b"has 001\r\nhas 002\r\n")
    assert coils.read() == 1
    with pytest.raises(Doubt, match=r"\d bytes came unasked"):
        coils.write(3)
    assert len(line.sent) == 1
    coils.clear()
    line._answers = [b"has 003\r\n"]
    assert coils.read() == 3


def test_an_echo_comes_first_and_has_to_be_that_of_the_command() -> None:
    coils, _ = at_line(b"tell\rhas 001\r", b"tull\rhas 001\r", ending="\r", echo=True)
    assert coils.read() == 1
    with pytest.raises(Doubt, match="the echo 'tull' is not that of the command"):
        coils.read()


def test_a_set_that_is_not_answered_is_not_waited_for() -> None:
    coils, line = at_line(set_reply=None)
    coils.write(1)
    assert line.sent == [b"put 001\r\n"]


def test_a_name_proves_that_the_line_is_clear_and_is_not_asked_for_twice() -> None:
    coils, line = at_line(b"", identify="who", identify_reply="is {name}")
    with pytest.raises(Doubt):
        coils.clear()
    coils.clear()  # the first question may be answered yet: another answer would prove nothing
    assert line.sent == [b"who\r\n"]
