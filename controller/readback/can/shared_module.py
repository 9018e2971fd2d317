"""One module on one bus that is asked for several temperatures in turn, a readback for each.

Knows: whose turn it is to ask, to whom an answer belongs, that the bus is opened and let go once.
Must not know: adapters beyond a port, ladders, plans.

All questions go through one dialogue: what is still under way is counted for the module, and an
answer to one temperature's question may prove that one to the other's is not late.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeVar

from controller.clock import Clock
from controller.readback.base import Reading
from controller.readback.can.discovery import approached
from controller.readback.can.frames import Addressing, BusPort
from controller.readback.can.owned_readback import OwnedReadback
from controller.readback.can.owner import MOST_KEPT, Owner, TokenNow, owner_for
from controller.readback.can.services import Quantity, Service, pid_question
from controller.readback.can.services_readback import CODES_CALL_S, Asking

__all__ = ["Asked", "shared_module"]

_Returned = TypeVar("_Returned")
_ANY_TOKEN = 0
"""The owner is kept turning; each seat has the token that counts."""


@dataclass(frozen=True, kw_only=True)
class Asked:
    """A temperature that is asked for, at most every `interval_s`."""

    quantity: Quantity
    interval_s: float


def shared_module(
    port: BusPort,
    clock: Clock,
    asked: Sequence[Asked],
    *,
    addressing: Addressing,
    service: Service,
    module: str | None,
    silent_bus: bool,
) -> tuple[SharedReadback, ...]:
    """Return a readback for each temperature; nothing is opened yet.

    The first to be opened finds the module, which has to list all of them.
    """
    shared = _Shared(
        port, clock, asked, addressing=addressing, service=service, module=module, silent=silent_bus
    )
    return tuple(SharedReadback(port, shared, number) for number in range(len(asked)))


class SharedReadback(OwnedReadback):
    """The readings of one temperature. The first one of a module tells its codes, for all."""

    def __init__(self, port: BusPort, shared: _Shared, number: int) -> None:
        super().__init__(port)
        self._shared = shared
        self._number = number
        self.name = f"module on the {port.name}"

    def open(self) -> None:
        """Listen and find the module, unless another one has; takes some seconds then."""
        self._shared.open()
        self.name = self._shared.name
        self._owner = self._shared.seats[self._number]

    def codes(self) -> tuple[str, ...] | None:
        """Ask for stored, pending and permanent codes; None when the module refuses all three.

        Raises ReadbackError when it does not answer.
        """
        if self._owner is None or self._number:
            return None
        return self._owner.call(self._shared.seats[0].asking.codes, wait_s=CODES_CALL_S)

    def close(self) -> None:
        """Ask no more; the last one to close lets go of the bus."""
        self._owner = None
        self._shared.close(self._number)


class _Shared:
    """The bus, its one owner, and a seat for each temperature."""

    def __init__(
        self,
        port: BusPort,
        clock: Clock,
        asked: Sequence[Asked],
        *,
        addressing: Addressing,
        service: Service,
        module: str | None,
        silent: bool,
    ) -> None:
        self._port = port
        self._clock = clock
        self._asked = tuple(asked)
        self._addressing = addressing
        self._service = service
        self._module = module
        self._silent = silent
        self._owner: Owner | None = None
        self._open = set(range(len(self._asked)))
        self.name = ""
        self.seats: tuple[_Seat, ...] = ()

    def open(self) -> None:
        """Approach the bus once, however many ask for it."""
        if self._owner is not None:
            return
        found = approached(
            self._port,
            self._clock,
            addressing=self._addressing,
            service=self._service,
            quantities=tuple(one.quantity for one in self._asked),
            module=self._module,
            silent_bus=self._silent,
        )
        self.name = f"module {found.address.name} on the {self._port.name}"
        askings = [
            Asking(
                found.dialogue,
                self._clock,
                name=self.name,
                complaint=lambda: self._port.complaint,
                question=pid_question(one.quantity.pid, self._service),
                celsius=one.quantity.celsius,
                interval_s=one.interval_s,
            )
            for one in self._asked
        ]
        turns = _InTurn()
        self._owner = owner_for(self._clock, turns, name=self.name)
        self.seats = tuple(_Seat(asking, self._owner) for asking in askings)
        turns.seats = self.seats
        self._owner.open_prompt(_ANY_TOKEN)

    def close(self, number: int) -> None:
        """Take one away; with the last one the owner stops."""
        self._open.discard(number)
        if self._open:
            if self.seats:
                self.seats[number].stop()
            return
        if self._owner is not None:
            self._owner.stop()
        self._port.close()


class _Seat:
    """The owner as one readback sees it: a token and a box of its own."""

    def __init__(self, asking: Asking, owner: Owner) -> None:
        self.asking = asking
        self.token: int | None = None
        self.box: deque[Reading] = deque(maxlen=MOST_KEPT)
        self._owner = owner

    def open_prompt(self, token: int | None) -> None:
        """Readings belong to this token from now on, unless they were asked for before."""
        self.token = token
        self.box.clear()

    def poll(self) -> Reading | None:
        """Return the next reading of this temperature; let the owner go on where there is none."""
        if not self.box:
            self._owner.poll()
        return self.box.popleft() if self.box else None

    def call(self, function: Callable[[], _Returned], *, wait_s: float) -> _Returned:
        """Return what a function returns that may use the bus meanwhile."""
        return self._owner.call(function, wait_s=wait_s)

    def stop(self) -> None:
        """Ask for this temperature no more."""
        self.token = None


class _InTurn:
    """Lets every seat that waits for a reading ask in its turn; puts answers into its box."""

    def __init__(self) -> None:
        self.seats: tuple[_Seat, ...] = ()
        self._next = 0

    def turn(self, _token_now: TokenNow, idle_s: float) -> None:
        """Do one round for the next seat that waits; listen where none does."""
        count = len(self.seats)
        order = [self.seats[(self._next + n) % count] for n in range(count)]
        waiting = [seat for seat in order if seat.token is not None]
        if not waiting:
            if order:
                order[0].asking.turn(lambda: None, idle_s)
            return
        seat = min(waiting, key=lambda one: one.asking.due_s)  # the first in order where equal
        self._next = (self.seats.index(seat) + 1) % count
        reading = seat.asking.turn(lambda: seat.token, idle_s)
        if reading is not None:
            seat.box.append(reading)
