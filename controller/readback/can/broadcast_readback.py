"""Readings that a module broadcasts by itself: listened to, nothing is ever sent.

Knows: which broadcast belongs to which prompt, how long silence may last.
Must not know: adapters beyond a port, how broadcasts are laid out, ladders, plans.

A broadcast may have been put together before the relays moved. So each carries the token that was
open when the one before it came: the first after a change never counts for it.
"""

from __future__ import annotations

import math

from controller.clock import Clock
from controller.errors import InputError, ReadbackError
from controller.readback.base import Reading
from controller.readback.can.frames import BusPort
from controller.readback.can.j1939 import DM1, Broadcast, Broadcasts, Temperature, active_codes
from controller.readback.can.owned_readback import OwnedReadback
from controller.readback.can.owner import TokenNow, owner_for

__all__ = ["FIRST_S", "SILENT_S", "BroadcastReadback", "Listening"]

SILENT_S = 12.0
"""A module that has been heard and then says nothing for so long is not there any more."""

FIRST_S = 5.0
"""How long senders are looked out for; a temperature is broadcast once a second or so."""

_CODES_S = 2.5
_CALL_S = 30.0


class BroadcastReadback(OwnedReadback):
    """Listens to one temperature. `module` is the sender's address, where several send it."""

    def __init__(
        self, port: BusPort, clock: Clock, *, quantity: Temperature, module: int | None = None
    ) -> None:
        self.name = f"broadcasts on the {port.name}"
        super().__init__(port)
        self._clock = clock
        self._quantity = quantity
        self._module = module
        self._listening: Listening | None = None

    def open(self) -> None:
        """Listen until the temperature has been broadcast; takes some seconds.

        Raises ReadbackError when nothing or something else is heard, InputError when several
        senders broadcast it.
        """
        self._port.open()
        listening = Listening(self._port, self._clock, self._quantity, name=self.name)
        listening.module = self._found(listening)
        self.name = listening.name = f"module {listening.module:02X} on the {self._port.name}"
        self._listening = listening
        self._owner = owner_for(self._clock, listening, name=self.name)

    def _found(self, listening: Listening) -> int:
        """Return the sender. Listens on for a while, to see whether there are two."""
        listening.listen(FIRST_S)
        what = f"SPN {self._quantity.spn} ({self._quantity.value})"
        senders = sorted(listening.senders)
        if not listening.frames:
            raise ReadbackError(
                f"nothing was heard on the bus in {FIRST_S:g} s",
                source=self.name,
                hint="is the ignition on, is the bit rate right, are the two wires swapped?",
            )
        if self._module is not None and self._module not in senders:
            names = ", ".join(f"{sender:02X}" for sender in senders) or "nobody"
            raise InputError.single(
                f"module {self._module:02X} does not broadcast {what}; heard from: {names}",
                where="readback.module",
            )
        if not senders:
            raise ReadbackError(
                f"there is traffic, but nobody broadcasts {what}",
                source=self.name,
                hint='a module that has to be asked is read with kind = "can"',
            )
        if self._module is None and len(senders) > 1:
            names = " and ".join(f"{sender:02X}" for sender in senders)
            raise InputError.single(
                f"{len(senders)} modules broadcast {what}: {names}",
                where="readback.module",
                hint=f'name one: module = "{senders[0]:02X}"',
            )
        return senders[0] if self._module is None else self._module

    def codes(self) -> tuple[str, ...] | None:
        """Return the active codes of the newest DM1; None when the module broadcasts none."""
        if self._owner is None or self._listening is None:
            return None
        return self._owner.call(self._listening.codes, wait_s=_CALL_S)


class Listening:
    """Hears broadcasts: an owner turns it."""

    def __init__(self, port: BusPort, clock: Clock, quantity: Temperature, *, name: str) -> None:
        self.name = name
        self.module: int | None = None
        self.frames = 0
        """How many frames of anybody have been heard."""
        self.senders: set[int] = set()
        """Who broadcasts the temperature."""
        self._port = port
        self._clock = clock
        self._quantity = quantity
        self._broadcasts = Broadcasts()
        self._token: int | None = None
        self._codes: tuple[str, ...] | None = None
        self._codes_s = -math.inf
        self._heard_s = clock.now_s()

    def turn(self, token_now: TokenNow, idle_s: float) -> Reading | None:
        """Hear frames until one is a reading, or `idle_s` have passed."""
        until_s = self._clock.now_s() + idle_s
        while True:
            broadcast, none_waits = self._next(max(until_s - self._clock.now_s(), 0.0))
            now_s = self._clock.now_s()
            if broadcast is not None and self._is_ours(broadcast):
                token, self._token = self._token, token_now()
                if token is not None and token == self._token:
                    celsius = self._quantity.celsius(broadcast.data)
                    return Reading(token=token, celsius=celsius, at_s=now_s)
            if now_s - self._heard_s >= SILENT_S:
                raise ReadbackError(
                    f"it broadcast, and then said nothing for {now_s - self._heard_s:.0f} s",
                    source=self.name,
                    hint="is the ignition still on, and is the plug still in?",
                )
            if now_s >= until_s and (none_waits or idle_s):
                return None

    def listen(self, seconds: float) -> None:
        """Hear what there is for a while."""
        until_s = self._clock.now_s() + seconds
        while (left_s := until_s - self._clock.now_s()) > 0:
            self._next(left_s)

    def codes(self) -> tuple[str, ...] | None:
        """Return the codes of the next DM1, for which it waits a little."""
        began_s = self._clock.now_s()
        while (left_s := began_s + _CODES_S - self._clock.now_s()) > 0:
            self._next(left_s)
            if self._codes_s >= began_s:
                return self._codes
        return None

    def _next(self, timeout_s: float) -> tuple[Broadcast | None, bool]:
        """Return a broadcast that the next frame completes, and whether no frame waits."""
        frame = self._port.receive(timeout_s)
        if frame is None:
            return None, True
        self.frames += 1
        if not frame.extended:
            return None, False
        broadcast = self._broadcasts.take(frame.identifier, frame.data, self._clock.now_s())
        if broadcast is None:
            return None, False
        if self._is_ours(broadcast):
            self._heard_s = self._clock.now_s()
        if broadcast.group == self._quantity.group:
            if self._quantity.celsius(broadcast.data) is not None:
                self.senders.add(broadcast.sender)
        elif broadcast.group == DM1 and broadcast.sender == self.module:
            self._codes, self._codes_s = active_codes(broadcast.data), self._clock.now_s()
        return broadcast, False

    def _is_ours(self, broadcast: Broadcast) -> bool:
        return broadcast.group == self._quantity.group and broadcast.sender == self.module
