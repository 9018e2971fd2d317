"""Questions to one module, and which answer belongs to which question.

Knows: questions and answers of one module, frames, time.
Must not know: what is asked for, other modules, adapters.

A late answer carries nothing that tells it from the answer to the next question of the same kind.
So after a question that was not answered in time, or an answer that nobody asked for, the line
counts as dirty. It is cleaned by a *different* question, one to which no answer can be under way:
modules answer in order, so its answer proves that everything asked before has been answered or
dropped. Asking the same question again proves nothing.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from controller.clock import Clock
from controller.readback.can.frames import Address, BusPort, Frame
from controller.readback.can.isotp import LONGEST_GAP_S, Reassembly, single_frame
from controller.readback.can.services import (
    RESPONSE_PENDING,
    TRY_AGAIN,
    Question,
    refusal,
)

__all__ = ["ANSWER_S", "FORGOTTEN_S", "PENDING_S", "Dialogue", "Refused"]

ANSWER_S = 0.25
"""How long an answer may take: 50 ms for the module (P2, from memory), the rest for the adapter."""

PENDING_S = 5.0
"""How long it may take after the module has asked for patience (P2*, from memory)."""

FORGOTTEN_S = 30.0
"""A question that was never answered is not answered any more after this."""

_MOST_PENDING = 10
_LONGEST_DRAIN_S = 0.05


class Refused(Exception):  # noqa: N818 - an answer, not an error of ours
    """The module has refused a question."""

    def __init__(self, service: int, reason: int) -> None:
        self.service = service
        self.reason = reason
        super().__init__(f"7F {service:02X} {reason:02X}")


class Dialogue:
    """Asks one module. `cleaners` are questions that it answers, the more the better.

    `cleans` is False in tests alone: to see that stale readings come through without it.
    """

    def __init__(
        self,
        port: BusPort,
        clock: Clock,
        address: Address,
        cleaners: Sequence[Question],
        *,
        cleans: bool = True,
    ) -> None:
        self._port = port
        self._clock = clock
        self._address = address
        self.cleaners = list(cleaners)
        self._cleans = cleans
        self._incoming = Reassembly()
        self._outstanding: dict[bytes, float] = {}
        """How answers begin that may still be under way, and since when."""
        self._dirty = False
        self._segment_s = -math.inf
        self.asked_at_s = -math.inf
        """When the last question left."""
        self.heard_s = -math.inf
        """When the module has last answered anything."""
        self.refused: Refused | None = None
        """The last refusal."""

    @property
    def dirty(self) -> bool:
        """Whether an earlier answer may still be under way."""
        return self._dirty

    def ask(self, question: Question, wait_s: float = ANSWER_S) -> bytes | None:
        """Return what stands behind the beginning of the answer; None when none can be believed.

        Clears up first when the line is dirty. Raises Refused when the module says no.
        """
        now_s = self._clock.now_s()
        self._outstanding = {
            answer: since_s
            for answer, since_s in self._outstanding.items()
            if now_s - since_s < FORGOTTEN_S
        }
        self._drain()
        if self._cleans and self._dirty and not self._cleaned(question):
            return None
        return self._exchange(question, wait_s)

    def listen(self, seconds: float) -> None:
        """Hear what comes unasked for a while: it makes the line dirty."""
        until_s = self._clock.now_s() + seconds
        while True:
            left_s = until_s - self._clock.now_s()
            self._unasked(self._port.receive(max(left_s, 0.0)))
            if self._clock.now_s() >= until_s:
                return

    def _drain(self) -> None:
        """Hear what waits already: it was sent before the next question."""
        until_s = self._clock.now_s() + _LONGEST_DRAIN_S
        while self._clock.now_s() < until_s:
            frame = self._port.receive(0.0)
            if frame is None:
                return
            self._unasked(frame)

    def _cleaned(self, wanted: Question) -> bool:
        for cleaner in list(self.cleaners):
            if cleaner.answer in self._outstanding or cleaner == wanted:
                continue
            self.cleaners.remove(cleaner)
            self.cleaners.append(cleaner)  # another one next time
            answered = self._exchange(cleaner, ANSWER_S, cleaning=True) is not None
            if answered:
                self._outstanding.clear()
                self._dirty = False
            return answered
        return False

    def _exchange(
        self, question: Question, wait_s: float, *, cleaning: bool = False
    ) -> bytes | None:
        self.asked_at_s = self._clock.now_s()
        self._send(single_frame(question.request))
        until_s = self.asked_at_s + wait_s
        pending = 0
        while (left_s := until_s - self._clock.now_s()) > 0:
            frame = self._port.receive(left_s)
            message = None if frame is None else self._message(frame)
            if message is None:
                if self._incoming.under_way:
                    until_s = max(until_s, self._segment_s + LONGEST_GAP_S)
                continue
            if message.startswith(question.answer):
                return self._believed(message[len(question.answer) :], cleaning=cleaning)
            said_no = refusal(message)
            if said_no is None or said_no[0] != question.request[0]:
                self._stray(message)
            elif said_no[1] == RESPONSE_PENDING and pending < _MOST_PENDING:
                pending += 1
                until_s = self._clock.now_s() + PENDING_S
            elif cleaning or self._dirty or said_no[1] == TRY_AGAIN:
                break  # a refusal does not say what it refuses: it may be a late one
            else:
                self.refused = Refused(*said_no)
                raise self.refused
        self._dirty = True
        self._outstanding[question.answer] = self.asked_at_s
        return None

    def _believed(self, value: bytes, *, cleaning: bool) -> bytes | None:
        """Return an answer that is as hoped for, unless the line has become dirty meanwhile."""
        if cleaning or not self._dirty or not self._cleans:
            return value
        return None

    def _unasked(self, frame: Frame | None) -> None:
        message = None if frame is None else self._message(frame)
        if message is not None:
            self._stray(message)

    def _stray(self, message: bytes) -> None:
        """Note an answer that nobody waits for; another like it may be under way."""
        self._dirty = True
        length = {0x41: 2, 0x62: 3}.get(message[0], 1)
        self._outstanding[message[:length]] = self._clock.now_s()

    def _message(self, frame: Frame) -> bytes | None:
        """Return the module's message that a frame completes."""
        address = self._address
        if frame.identifier != address.response_id or frame.extended != address.extended:
            return None
        self._segment_s = self._clock.now_s()
        heard = self._incoming.take(frame.data, self._segment_s)
        if heard.reply is not None:
            self._send(heard.reply)
        if heard.lost:
            self._dirty = True
        if heard.message is not None:
            self.heard_s = self._clock.now_s()
        return heard.message

    def _send(self, data: bytes) -> None:
        address = self._address
        self._port.send(Frame(address.request_id, data, address.extended))
