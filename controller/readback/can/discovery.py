"""Finding the module: is anybody there, who answers, who knows the parameter.

Knows: the order in which a bus is approached, and a sentence for each way in which it fails.
Must not know: adapters, steps, readings.

Nothing is sent before a frame has been heard, because a frame heard whole shows that the bit rate
is right; an adapter that takes part at a wrong one disturbs every other conversation on the bus
(common practice, no source).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from controller.clock import Clock
from controller.errors import InputError, ReadbackError
from controller.readback.can.dialogue import Dialogue, Refused
from controller.readback.can.frames import Address, Addressing, BusPort, Frame
from controller.readback.can.isotp import Reassembly, single_frame
from controller.readback.can.services import (
    Quantity,
    Question,
    Service,
    pid_question,
    refusal,
    refusal_words,
    supported_pids,
)

__all__ = ["LISTEN_S", "Found", "approached", "find_module", "hear_traffic"]

LISTEN_S = 3.0
"""How long a bus may stay silent before it counts as dead."""

_COLLECT_S = 0.5
_TRIES = 3


@dataclass(frozen=True, kw_only=True)
class Found:
    """The module to ask, everything it lists, and the dialogue with it."""

    address: Address
    pids: frozenset[int]
    dialogue: Dialogue


def approached(
    port: BusPort,
    clock: Clock,
    *,
    addressing: Addressing,
    service: Service,
    quantities: Sequence[Quantity],
    module: str | None,
    silent_bus: bool = False,
) -> Found:
    """Open a bus, hear it, only then take part, and return the module that is meant.

    `silent_bus` lets questions go out where nothing has been heard. Raises as its parts do.
    """
    port.open()
    if not silent_bus:
        hear_traffic(port, clock)
    port.go_active()
    return find_module(
        port,
        clock,
        addressing=addressing,
        service=service,
        quantities=quantities,
        module=module,
    )


def hear_traffic(port: BusPort, clock: Clock) -> None:
    """Wait for a frame of anybody. Raises ReadbackError when the bus is silent."""
    until_s = clock.now_s() + LISTEN_S
    while (left_s := until_s - clock.now_s()) > 0:
        if port.receive(left_s) is not None:
            return
    raise ReadbackError(
        f"nothing was heard on the bus in {LISTEN_S:g} s, and nothing was sent",
        source=port.name,
        hint="is the ignition on, is the bit rate right, are the two wires swapped? Behind a"
        " gateway that only answers: silent_bus = true, once the bit rate is certain",
    )


def find_module(
    port: BusPort,
    clock: Clock,
    *,
    addressing: Addressing,
    service: Service,
    quantities: Sequence[Quantity],
    module: str | None = None,
) -> Found:
    """Return the one module that knows all quantities, or the one named.

    `quantities` is empty where only codes are of interest. Raises InputError when the bench file
    has to say more or something else, ReadbackError when nobody answers.
    """
    answers = _modules(port, clock, addressing, service)
    if module is not None:
        answers = _named(answers, module)
    found = []
    for address, first in answers.items():
        pids, dialogue = _pids(port, clock, address, service, first)
        if all(one.pid in pids for one in quantities):
            found.append(Found(address=address, pids=pids, dialogue=dialogue))
    if len(found) == 1:
        return found[0]
    names = ", ".join(address.name for address in answers)
    each = [f"{one.value} (parameter {one.pid:02X})" for one in quantities]
    what = "".join(f" {words}" for words in (" and ".join(each),) if words)
    if not found:
        raise InputError.single(
            f"no module lists{what}; these answered: {names}",
            where="readback.quantity",
            hint="ask for another quantity, or type the readings",
        )
    offering = " and ".join(one.address.name for one in found)
    raise InputError.single(
        f"{len(found)} modules offer{what}: {offering}",
        where="readback.module",
        hint=f'name one: module = "{found[0].address.name}"',
    )


def _modules(
    port: BusPort, clock: Clock, addressing: Addressing, service: Service
) -> dict[Address, bytes]:
    """Return the modules that answer, each with the four bytes of what it lists from 01 to 20."""
    question = pid_question(0x00, service)
    request = Frame(
        addressing.functional_id, single_frame(question.request), addressing is Addressing.LONG
    )
    refused: tuple[int, int] | None = None
    for _ in range(_TRIES):
        port.send(request)
        found: dict[Address, bytes] = {}
        until_s = clock.now_s() + _COLLECT_S
        while (left_s := until_s - clock.now_s()) > 0:
            frame = port.receive(left_s)
            address = None if frame is None else addressing.address_of(frame)
            if frame is None or address is None:
                continue
            message = Reassembly().take(frame.data, clock.now_s()).message or b""
            if message.startswith(question.answer):
                found[address] = message[len(question.answer) :]
            refused = refusal(message) or refused
        if found:
            return found
    if refused is not None:
        raise InputError.single(
            f"the module refuses to be asked: {refusal_words(*refused)}",
            where="readback.service",
            hint='newer modules want service = "22", older ones "01"',
        )
    other = "29-bit" if addressing is Addressing.SHORT else "11-bit"
    raise ReadbackError(
        f"there is traffic, but no module answers{port.complaint}",
        source=port.name,
        hint=f'is it one of addressing = "{other}", or does a gateway keep questions out?',
    )


def _named(answers: dict[Address, bytes], module: str) -> dict[Address, bytes]:
    for address, first in answers.items():
        if address.name == module.upper():
            return {address: first}
    names = ", ".join(address.name for address in answers)
    raise InputError.single(
        f"module {module} does not answer; these do: {names}", where="readback.module"
    )


def _pids(
    port: BusPort, clock: Clock, address: Address, service: Service, first: bytes
) -> tuple[frozenset[int], Dialogue]:
    """Ask a module for all it lists; the dialogue then cleans by what it answers for certain."""
    pids = supported_pids(0x00, first)
    dialogue = Dialogue(port, clock, address, _cleaners(pids, service))
    for base in range(0x20, 0xE0, 0x20):
        if base not in pids:
            break
        for _ in range(_TRIES):
            try:
                more = dialogue.ask(pid_question(base, service))
            except Refused:
                break
            if more is not None:
                pids |= supported_pids(base, more)
                break
    dialogue.cleaners = _cleaners(pids, service)
    return pids, dialogue


def _cleaners(pids: frozenset[int], service: Service) -> list[Question]:
    """Return questions that the module answers: its lists, then single values."""
    lists = [base for base in range(0x00, 0xE0, 0x20) if base == 0 or base in pids]
    values = sorted(pid for pid in pids if pid % 0x20)
    return [pid_question(pid, service) for pid in (*lists, *values)]
