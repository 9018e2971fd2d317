"""Readings that a module gives when it is asked by services over CAN.

Knows: the order of approach, questions and their pace, when silence counts as the end.
Must not know: adapters beyond a port, ladders, plans.
"""

from __future__ import annotations

import math
from collections.abc import Callable

from controller.clock import Clock
from controller.errors import InputError, ReadbackError
from controller.readback.base import Reading
from controller.readback.can.dialogue import Dialogue, Refused
from controller.readback.can.discovery import approached
from controller.readback.can.frames import Addressing, BusPort
from controller.readback.can.owned_readback import OwnedReadback
from controller.readback.can.owner import TokenNow, owner_for
from controller.readback.can.services import (
    CLEAR_CODES,
    CODE_QUESTIONS,
    Quantity,
    Question,
    Service,
    codes_in,
    pid_question,
    refusal_words,
)

__all__ = [
    "CODES_CALL_S",
    "CODES_INTERVAL_S",
    "SILENT_S",
    "Asking",
    "ServiceReadback",
    "clear_codes_of",
]

SILENT_S = 12.0
"""A module that has answered and then says nothing for so long is not there any more."""

CODES_INTERVAL_S = 1.0
"""How often codes are asked for while they are watched, where nothing else is stated."""

CODES_CALL_S = 60.0
"""How long reading all codes may keep whoever owns the bus."""

_CODES_WAIT_S = 1.0
_BETWEEN_S = 0.1
_SLACK_S = 1e-9


class ServiceReadback(OwnedReadback):
    """Asks one module for one temperature, at most every `interval_s`.

    `module` names it by the identifier it answers with, where several offer the quantity.
    `silent_bus` lets questions go out on a bus on which nothing has been heard. Codes are read
    before and after a run; nothing is ever cleared here. After `watch_codes` each reading comes
    with the codes asked for right after it, and readings come `codes_interval_s` apart.
    """

    def __init__(
        self,
        port: BusPort,
        clock: Clock,
        *,
        quantity: Quantity,
        addressing: Addressing = Addressing.SHORT,
        service: Service = Service.CURRENT_DATA,
        module: str | None = None,
        interval_s: float = 0.25,
        codes_interval_s: float = CODES_INTERVAL_S,
        silent_bus: bool = False,
    ) -> None:
        self.name = f"module on the {port.name}"
        super().__init__(port)
        self._clock = clock
        self._quantity = quantity
        self._addressing = addressing
        self._service = service
        self._module = module
        self._interval_s = interval_s
        self._codes_interval_s = codes_interval_s
        self._watches_codes = False
        self._silent_bus = silent_bus
        self._asking: Asking | None = None

    def open(self) -> None:
        """Listen, find the module, and see that it knows the quantity; takes some seconds."""
        found = approached(
            self._port,
            self._clock,
            addressing=self._addressing,
            service=self._service,
            quantities=(self._quantity,),
            module=self._module,
            silent_bus=self._silent_bus,
        )
        self.name = f"module {found.address.name} on the {self._port.name}"
        self._asking = Asking(
            found.dialogue,
            self._clock,
            name=self.name,
            complaint=lambda: self._port.complaint,
            question=pid_question(self._quantity.pid, self._service),
            celsius=self._quantity.celsius,
            interval_s=(
                max(self._interval_s, self._codes_interval_s)
                if self._watches_codes
                else self._interval_s
            ),
            with_codes=self._watches_codes,
        )
        self._owner = owner_for(self._clock, self._asking, name=self.name)

    def watch_codes(self) -> None:
        """Tell codes with each reading; to be called before `open`."""
        self._watches_codes = True

    def codes(self) -> tuple[str, ...] | None:
        """Ask for stored, pending and permanent codes; None when the module refuses all three.

        Raises ReadbackError when it does not answer.
        """
        if self._owner is None or self._asking is None:
            return None
        return self._owner.call(self._asking.codes, wait_s=CODES_CALL_S)


class Asking:
    """The same question again and again, at most every `interval_s`: an owner turns it.

    `with_codes` asks for the codes after each answer: they are never older than the reading.
    """

    def __init__(
        self,
        dialogue: Dialogue,
        clock: Clock,
        *,
        name: str,
        question: Question,
        celsius: Callable[[bytes], float | None],
        interval_s: float,
        complaint: Callable[[], str] = lambda: "",
        with_codes: bool = False,
    ) -> None:
        self._complaint = complaint
        self._with_codes = with_codes
        self._dialogue = dialogue
        self._clock = clock
        self._name = name
        self._question = question
        self._celsius = celsius
        self._interval_s = interval_s
        self.due_s = clock.now_s()
        self._silent_since_s = math.inf

    def turn(self, token_now: TokenNow, idle_s: float) -> Reading | None:
        """Ask when it is due and somebody waits; listen otherwise."""
        now_s = self._clock.now_s()
        token = token_now()
        if token is None or self.due_s - now_s > _SLACK_S:
            left_s = idle_s if token is None else min(idle_s, self.due_s - now_s)
            self._dialogue.listen(left_s)
            return None
        self.due_s = now_s + self._interval_s
        try:
            data = self._dialogue.ask(self._question)
        except Refused as refused:
            raise ReadbackError(
                "it refuses a parameter that it lists as supported:"
                f" {refusal_words(refused.service, refused.reason)}",
                source=self._name,
                hint="was it switched off and on, or to another session?",
            ) from None
        if data is None:
            self._require_life(now_s)
            return None
        try:
            celsius = self._celsius(data)
        except ValueError:
            return None
        asked_at_s = self._dialogue.asked_at_s
        codes = self.codes() if self._with_codes else ()
        if codes is None:
            raise ReadbackError(
                "it tells no fault codes: it refuses services 03, 07 and 0A",
                source=self._name,
                hint='let a person watch for the code: a bench with [readback] kind = "typed"',
            )
        return Reading(token=token, celsius=celsius, at_s=asked_at_s, codes=codes)

    def _require_life(self, asked_s: float) -> None:
        if self._dialogue.heard_s >= self._silent_since_s or self._silent_since_s == math.inf:
            self._silent_since_s = asked_s
        silent_s = self._clock.now_s() - self._silent_since_s
        if silent_s >= SILENT_S and self._dialogue.heard_s < self._silent_since_s:
            raise ReadbackError(
                f"it answered, and then said nothing for {silent_s:.0f} s{self._complaint()}",
                source=self._name,
                hint="is the ignition still on, and is the plug still in?",
            )

    def codes(self) -> tuple[str, ...] | None:
        """Return the codes of all three kinds, each once and with what kind it is."""
        found: dict[str, None] = {}
        told = False
        for question, kind in CODE_QUESTIONS:
            data = self._patiently(question)
            if data is None:
                continue
            told = True
            for code in data:
                if kind != " (pending)" or code not in found:
                    found.setdefault(f"{code}{kind}")
        return tuple(found) if told else None

    def _patiently(self, question: Question) -> tuple[str, ...] | None:
        until_s = self._clock.now_s() + SILENT_S
        while self._clock.now_s() < until_s:
            try:
                data = self._dialogue.ask(question, _CODES_WAIT_S)
                if data is not None:
                    return codes_in(question.answer + data)
            except Refused:
                return None
            except ValueError:
                pass  # cut short: once more
            self._dialogue.listen(_BETWEEN_S)
        raise ReadbackError(
            f"the module does not answer when asked for its codes ({question.name})",
            source=self._name,
            hint="is the ignition still on?",
        )


def clear_codes_of(
    port: BusPort,
    clock: Clock,
    *,
    addressing: Addressing,
    module: str,
    confirmed: Callable[[str, tuple[str, ...]], bool],
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Clear the codes of one module, once `confirmed` has said yes to its name and its codes.

    Returns the codes before and after. Raises InputError when it is not confirmed or refused,
    ReadbackError when the module does not answer. Freeze frames and readiness go as well.
    """
    try:
        found = approached(
            port,
            clock,
            addressing=addressing,
            service=Service.CURRENT_DATA,
            quantities=(),
            module=module,
        )
        asking = Asking(
            found.dialogue,
            clock,
            name=f"module {found.address.name} on the {port.name}",
            question=pid_question(0x00, Service.CURRENT_DATA),
            celsius=lambda _data: None,
            interval_s=0.0,
        )
        before = asking.codes() or ()
        if not confirmed(found.address.name, before):
            raise InputError.single("not confirmed; no code was cleared")
        try:
            answer = found.dialogue.ask(CLEAR_CODES, _CODES_WAIT_S)
        except Refused as refused:
            raise InputError.single(
                f"module {module} refuses to clear its codes:"
                f" {refusal_words(refused.service, refused.reason)}",
                where="--clear-codes",
                hint="most do so with the engine off only",
            ) from None
        if answer is None:
            raise ReadbackError(
                "the module did not confirm that its codes are cleared",
                source=port.name,
                hint="read them again before anything else",
            )
        return before, asking.codes() or ()
    finally:
        port.close()
