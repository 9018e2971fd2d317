"""Coils of a board that takes lines of text: one command, one line back, each checked.

Knows: lines over a channel, and what makes a reply one to this question.
Must not know: any board's words, what is believed of relays.
"""

from __future__ import annotations

from controller.clock import Clock
from controller.links.ascii_words import Words
from controller.links.boards import AsciiBoard
from controller.links.channel import Channel
from controller.links.coils import Doubt
from controller.links.serial import SerialChannel
from firmware_protocol.messages import printable

__all__ = ["AsciiCoils"]

_LONGEST_LINE = 512
_SLICE_S = 0.05


class AsciiCoils:
    """A board of text lines at a serial port, or at the other end of any channel."""

    def __init__(self, board: AsciiBoard, clock: Clock, *, channel: Channel | None = None) -> None:
        self._board = board
        self._clock = clock
        self._channel = channel or SerialChannel(board.url, baud=board.baud)
        self._words = Words(board.outputs)
        self._ending = board.ending.encode("ascii")
        self._got = b""
        self._unnamed = 0  # questions after the name that were never answered

    @property
    def port(self) -> str:
        """The channel's name."""
        return self._channel.port

    def open(self) -> str | None:
        """Open the port and ask who is there, where the board can tell."""
        self._channel.open()
        self._got, self._unnamed = b"", 0
        return None if self._board.identify is None else self._identified()

    def write(self, state: int) -> None:
        """Set all outputs; a reply that repeats the state has to repeat this one."""
        board = self._board
        self._say(board.set, state)
        if board.set_reply is None:
            return
        line = self._line()
        told = self._words.state_in(board.set_reply, line)
        if told not in (None, state):
            raise Doubt(f"the reply {printable(line)!r} repeats another state than was set")
        if not self._words.fits(board.set_reply, line):
            raise Doubt(f"the reply {printable(line)!r} is not that to a set")

    def read(self) -> int:
        """Return what the board says of its outputs."""
        self._say(self._board.read, 0)
        line = self._line()
        state = self._words.state_in(self._board.read_reply, line)
        if state is None:
            raise Doubt(
                f"the reply {printable(line)!r} does not tell {self._board.outputs} outputs"
            )
        return state

    def clear(self) -> None:
        """Wait out what may be under way, and let the board's name prove that it is out.

        Boards answer in order: once it has said its name, to a question that was not asked before,
        every earlier answer has come. Where it cannot say one, the waiting has to do.
        """
        until_s = self._clock.now_s() + self._board.answer_s + self._board.wait_out_s
        while self._clock.now_s() < until_s:
            self._channel.read(_SLICE_S)
        self._channel.drain()
        self._got = b""
        if self._board.identify is not None and not self._unnamed:
            self._identified()

    def close(self) -> None:
        """Let go of the port."""
        self._channel.close()

    def _identified(self) -> str:
        board = self._board
        assert board.identify is not None  # noqa: S101 - asked of boards that have it
        assert board.identify_reply is not None  # noqa: S101 - the loader requires it with identify
        self._unnamed += 1
        self._say(board.identify, 0)
        line = self._line()
        name = self._words.name_in(board.identify_reply, line)
        if name is None:
            raise Doubt(f"the reply {printable(line)!r} is not that to identify")
        self._unnamed = 0
        return printable(name)

    def _say(self, pattern: str, state: int) -> None:
        self._got += self._channel.read(0.0)
        if self._got:
            raise Doubt(f"{len(self._got)} bytes came unasked")
        command = self._words.filled(pattern, state)
        self._channel.write(command.encode("ascii") + self._ending)
        if self._board.echo and (line := self._line()) != command:
            raise Doubt(f"the echo {printable(line)!r} is not that of the command")

    def _line(self) -> str:
        """Return the next line without its ending. Raises Doubt."""
        until_s = self._clock.now_s() + self._board.answer_s
        while self._ending not in self._got:
            left_s = until_s - self._clock.now_s()
            if left_s <= 0 or len(self._got) > _LONGEST_LINE:
                raise Doubt("an answer without its line ending" if self._got else "no answer")
            self._got += self._channel.read(min(left_s, _SLICE_S))
        line, _, self._got = self._got.partition(self._ending)
        try:
            return line.decode("ascii")
        except UnicodeDecodeError:
            raise Doubt("an answer that is not text") from None
