"""Questions to one module, and which answer belongs to which question.

Knows: questions and answers of one module, frames, time.
Must not know: what is asked for, other modules, adapters.

A late answer carries nothing that tells it from the answer to the next question of the same kind.
So a question to which an answer may still be under way is not asked again before it is certain
that it is not: by the answer to a *different* question, asked after it. Modules answer in order,
so that answer proves that everything asked before has been answered or dropped. Asking the same
question again proves nothing.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from contextlib import suppress

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

LONGEST_PAUSE_S = 3.0
"""The longest pause between two tries to clean."""

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
        self._under_way: dict[bytes, list[float]] = {}
        """How answers begin that may still be under way, and when they were asked for."""
        self._pause_s = 0.0
        self._next_cleaning_s = -math.inf
        self._segment_s = -math.inf
        self.asked_at_s = -math.inf
        """When the last question left."""
        self.heard_s = -math.inf
        """When the module has last answered anything."""

    def ask(self, question: Question, wait_s: float = ANSWER_S) -> bytes | None:
        """Return what stands behind the beginning of the answer; None when none can be believed.

        Cleans first where an earlier answer may be under way. Raises Refused when the module
        says no.
        """
        self._forget()
        self._drain()
        if self._cleans and question.answer in self._under_way and not self._cleaned(question):
            return None
        return self._exchange(question, wait_s)

    def listen(self, seconds: float) -> None:
        """Hear for a while what comes unasked."""
        until_s = self._clock.now_s() + seconds
        while True:
            left_s = until_s - self._clock.now_s()
            self._unasked(self._port.receive(max(left_s, 0.0)))
            if self._clock.now_s() >= until_s:
                return

    def _forget(self) -> None:
        """Expect no more what has not come for long."""
        self._out_of_date(self._clock.now_s() - FORGOTTEN_S)

    def _out_of_date(self, until_s: float) -> None:
        """Nothing that was asked up to this time is under way any more.

        A question that was asked again since keeps its earlier askings too: a second copy of the
        answer to one of them cannot be told from the answer to the next.
        """
        self._under_way = {
            answer: asked for answer, asked in self._under_way.items() if asked[-1] > until_s
        }

    def _drain(self) -> None:
        """Hear what waits already: it was sent before the next question."""
        until_s = self._clock.now_s() + _LONGEST_DRAIN_S
        while self._clock.now_s() < until_s:
            frame = self._port.receive(0.0)
            if frame is None:
                return
            self._unasked(frame)

    def _cleaned(self, wanted: Question) -> bool:
        """Ask something else; return whether that proves that the wanted answer is not under way.

        A cleaner that has been asked already will do as well, if all its asking came later.
        """
        if self._clock.now_s() < self._next_cleaning_s:
            return False
        last_s = self._under_way[wanted.answer][-1]
        for cleaner in self.cleaners:
            asked = self._under_way.get(cleaner.answer, ())
            if asked and asked[0] <= last_s:  # so it is for the wanted one itself
                continue
            self.cleaners.remove(cleaner)
            self.cleaners.append(cleaner)  # another one next time
            with suppress(Refused):
                self._exchange(cleaner, ANSWER_S)
            certain = wanted.answer not in self._under_way
            # Who is slow is not to be buried in questions: a queue of them only grows.
            self._pause_s = 0.0 if certain else min(2 * self._pause_s + ANSWER_S, LONGEST_PAUSE_S)
            self._next_cleaning_s = self._clock.now_s() + self._pause_s
            return certain
        return False

    def _exchange(self, question: Question, wait_s: float) -> bytes | None:
        self.asked_at_s = asked_s = self._clock.now_s()
        self._send(single_frame(question.request))
        until_s = asked_s + wait_s
        pending = 0
        while (left_s := until_s - self._clock.now_s()) > 0:
            frame = self._port.receive(left_s)
            message = None if frame is None else self._message(frame)
            if message is None:
                if self._incoming.under_way:
                    until_s = max(until_s, self._segment_s + LONGEST_GAP_S)
                continue
            if message.startswith(question.answer):
                self._under_way.setdefault(question.answer, []).append(asked_s)
                self._answered(question.answer)
                return message[len(question.answer) :]
            said_no = refusal(message)
            if said_no is None or said_no[0] != question.request[0]:
                self._stray(message)
            elif said_no[1] == RESPONSE_PENDING and pending < _MOST_PENDING:
                pending += 1
                until_s = self._clock.now_s() + PENDING_S
            elif said_no[1] == TRY_AGAIN or self._under_way:
                break  # a refusal does not say what it refuses: it may be a late one
            else:
                raise Refused(*said_no)
        self._under_way.setdefault(question.answer, []).append(asked_s)
        return None

    def _answered(self, answer: bytes) -> None:
        """An answer has come: to the first asking of its kind, as far as is known."""
        self._out_of_date(self._under_way[answer][0])

    def _unasked(self, frame: Frame | None) -> None:
        message = None if frame is None else self._message(frame)
        if message is not None:
            self._stray(message)

    def _stray(self, message: bytes) -> None:
        """Take an answer that is not waited for. One that is not late may have others behind it."""
        answer = message[: {0x41: 2, 0x62: 3}.get(message[0], 1)]
        if answer in self._under_way:
            self._answered(answer)
        else:
            self._under_way[answer] = [-math.inf, self._clock.now_s()]  # whenever it was asked

    def _message(self, frame: Frame) -> bytes | None:
        """Return the module's message that a frame completes."""
        address = self._address
        if frame.identifier != address.response_id or frame.extended != address.extended:
            return None
        self._segment_s = self._clock.now_s()
        heard = self._incoming.take(frame.data, self._segment_s)
        if heard.reply is not None:
            self._send(heard.reply)
        if heard.message is not None:
            self.heard_s = self._clock.now_s()
        return heard.message

    def _send(self, data: bytes) -> None:
        address = self._address
        self._port.send(Frame(address.request_id, data, address.extended))
