"""The dialogue with an ohm meter that speaks SCPI, over any channel.

Knows: the commands and answers (SCPI-1999 and IEEE 488.2), and what proves that an answer is new.
Must not know: what carries the bytes, ladders, threads.

An answer does not say which question it belongs to, so one that comes late would be taken for the
answer to the next question. A meter answers in the order in which it was asked. So after every
reading, and after everything that went wrong, a question of another kind is asked that has no
answer outstanding: *its* answer proves that everything earlier is out. There are two of that kind,
`*IDN?` and `SYST:ERR?`, and their answers look like nothing else. Only a reading with one number,
and nothing else before that proof, counts. What a line without checksum cannot show is a digit
that was changed on the way.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from contextlib import suppress

from controller.clock import Clock
from controller.errors import ReadbackError
from controller.links.channel import Channel, ChannelError
from controller.text import clean

__all__ = ["FORGET_S", "ScpiOhmMeter"]

FORGET_S = 30.0
"""After so long an answer that has not come counts as lost."""

_PROOF_S = 2.0
"""How long a meter that is idle may take to say who it is."""

_ATTEMPTS = 3
_STILL_THERE = "is it still switched on and connected?"
_PIECE_S = 0.05
_LONGEST_LINE = 4096
_SHOWN = 60

# SCPI-1999, volume 1, 7.2.1.4 and 7.2.1.5: infinity and not-a-number.
_OVERRANGE, _NOT_A_NUMBER = 9.9e37, 9.91e37

_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)(E[+-]?\d+)?", re.IGNORECASE)

_IDENTITY, _ERROR = "*IDN?", "SYST:ERR?"
_LOOKS = {
    # IEEE 488.2, 10.14: four fields. SCPI-1999, volume 2, 21.8: a number, then a quoted text.
    _IDENTITY: re.compile(r"[^,\"]*(,[^,\"]*){3,}"),
    _ERROR: re.compile(r"\s*[+-]?\d+\s*,\s*\".*\"\s*"),
}


class _NoAnswer(Exception):  # noqa: N818 - a way out of waiting, not an error
    """Nothing came in time."""


class ScpiOhmMeter:
    """Asks one meter for ohms, blocking. `wires` is 4 or 2; `setup` are commands sent once.

    Every failure is raised as ReadbackError. `abandon` ends what is waited for, from any thread.
    """

    def __init__(
        self,
        channel: Channel,
        clock: Clock,
        *,
        wires: int = 4,
        setup: Sequence[str] = (),
        timeout_s: float = 10.0,
        settle_s: float = 0.0,
    ) -> None:
        self.name = f"meter at {channel.port}"
        self.identity = ""
        """What the meter says it is, free of control characters; empty before `open`."""
        self._channel = channel
        self._clock = clock
        self._function = "FRES" if wires == 4 else "RES"
        self._wires = wires
        self._setup = tuple(setup)
        self._timeout_s = timeout_s
        self._settle_s = settle_s
        self._text = b""
        self._doubtful = False
        self._abandoned = False
        self._outstanding: dict[str, float] = {}

    def open(self) -> None:
        """Connect, ask who it is, and set it to measure ohms."""
        try:
            self._channel.open()
            self._greet()
        except ChannelError as error:
            raise self._error(error.message, error.hint) from None

    def read_ohms(self) -> float:
        """Start a new reading and return it; infinite when the meter says overrange."""
        try:
            self._pause(self._settle_s)
            for _ in range(_ATTEMPTS):
                ohms = self._one_reading()
                if ohms is not None:
                    return ohms
        except _NoAnswer:
            raise self._error("it does not answer any more", _STILL_THERE) from None
        except ChannelError as error:
            raise self._error(error.message, error.hint) from None
        raise self._error(
            f"no reading that can be believed in {_ATTEMPTS} attempts of {self._timeout_s:g} s",
            f"{_STILL_THERE} meter.timeout_s is for a slow one",
        )

    def abandon(self) -> None:
        """Let whatever is waited for fail soon."""
        self._abandoned = True

    def close(self) -> None:
        """Let go of the channel."""
        self._abandoned = True
        self._channel.close()

    def _greet(self) -> None:
        self._channel.drain()
        self._text = b""
        self._outstanding.clear()
        try:
            self._identify()
        except _NoAnswer:
            raise self._error(
                f"nothing answers {_IDENTITY}",
                "is it on, and set to remote and to this speed? baud and port stand in [meter]",
            ) from None
        # *CLS first: old errors are not of our making.
        for command in ("*CLS", *self._setup, f"CONF:{self._function}"):
            self._send(command)
        try:
            said = self._proof(_ERROR)
        except _NoAnswer:
            raise self._error(f"it does not answer {_ERROR}, as SCPI-1999 requires") from None
        if _complains(said[-1]):
            raise self._error(
                f"it refuses to measure ohms with {self._wires} wires: {clean(said[-1])[:_SHOWN]}",
                "see wires and setup in [meter]",
            )

    def _identify(self) -> None:
        try:
            said = self._proof(_IDENTITY)
        except _NoAnswer:  # the first bytes after switching on are often lost
            self._outstanding.clear()
            said = self._proof(_IDENTITY)
        self.identity = clean(said[-1]).strip()[:_SHOWN]

    def _one_reading(self) -> float | None:
        """Return a reading that is proven to be new; None when it has to be asked for again."""
        if self._take_what_came() or self._doubtful:
            self._resynchronise()
        self._doubtful = True
        self._send("READ?")
        try:
            first = self._line(self._timeout_s)
        except _NoAnswer:
            return None
        *between, proof = self._resynchronise()
        self._doubtful = False
        if between or _complains(proof) or not _NUMBER.fullmatch(first.strip()):
            return None
        return self._understood(float(first))

    def _understood(self, value: float) -> float:
        if math.isclose(abs(value), _NOT_A_NUMBER, rel_tol=1e-6):
            raise self._error("it answers NaN: no number", "does it still measure resistance?")
        if value >= 0.999 * _OVERRANGE:
            return math.inf
        if value <= -0.999 * _OVERRANGE:
            raise self._error("overrange below zero", "check its leads")
        return value

    def _resynchronise(self) -> list[str]:
        """Return what came up to an answer that proves everything earlier to be out.

        Where neither question has been answered, both count as lost in the end, and the first is
        asked once more. Raises _NoAnswer when that brings nothing either.
        """
        for question in (_ERROR, _IDENTITY):
            if question not in self._outstanding:
                with suppress(_NoAnswer):
                    return self._proof(question)
        newest_s = max(self._outstanding.values())
        self._pause(newest_s + FORGET_S - self._clock.now_s())
        self._take_what_came()
        self._outstanding.clear()
        return self._proof(_ERROR)

    def _proof(self, question: str) -> list[str]:
        """Ask a question that has no answer outstanding; return the lines up to its answer."""
        self._outstanding[question] = self._clock.now_s()
        self._send(question)
        lines = []
        while True:
            line = self._line(_PROOF_S)
            lines.append(line)
            kind = next((q for q, look in _LOOKS.items() if look.fullmatch(line)), None)
            if kind == question:
                self._outstanding.clear()
                return lines
            if kind is not None:
                self._outstanding.pop(kind, None)

    def _send(self, command: str) -> None:
        self._channel.write(command.encode("ascii") + b"\n")

    def _take_what_came(self) -> bool:
        """Take what came unasked; return whether there was anything."""
        data = self._text + self._channel.read(0.0)
        for line in data.decode("ascii", "replace").splitlines():
            for question, look in _LOOKS.items():
                if look.fullmatch(line):
                    self._outstanding.pop(question, None)
        self._text = b""
        return bool(data)

    def _line(self, timeout_s: float) -> str:
        """Return the next finished line; what is not finished in time is no line."""
        until_s = self._clock.now_s() + timeout_s
        while b"\n" not in self._text:
            left_s = until_s - self._clock.now_s()
            if left_s <= 0 or self._abandoned:
                raise _NoAnswer
            came = self._channel.read(left_s)
            if not came:
                self._clock.sleep_s(0.0)
            self._text = (self._text + came)[-_LONGEST_LINE:]
        line, _, self._text = self._text.partition(b"\n")
        return line.decode("ascii", "replace").strip("\r")

    def _pause(self, seconds: float) -> None:
        until_s = self._clock.now_s() + seconds
        while not self._abandoned and (left_s := until_s - self._clock.now_s()) > 0:
            self._clock.sleep_s(min(_PIECE_S, left_s))

    def _error(self, message: str, hint: str | None = None) -> ReadbackError:
        return ReadbackError(message, source=self.name, hint=hint)


def _complains(line: str) -> bool:
    """Return whether a line is the answer to SYST:ERR? and names an error."""
    return bool(_LOOKS[_ERROR].fullmatch(line)) and int(line.split(",")[0]) != 0
