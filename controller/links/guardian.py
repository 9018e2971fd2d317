"""The guardian: holds a board's port for another process, and parks when that one is gone.

Knows: coils, the orders that come in by standard input, when a silence is too long.
Must not know: ladders, plans, who gives the orders.

It parks when standard input ends (however its parent died, the system closes the pipe) and when no
order has come for the hold-off. It cannot do anything when the computer loses its power or crashes,
when the cable is pulled, when the board hangs, or when the guardian itself is killed.
"""

from __future__ import annotations

import json
import os
import queue
import signal
import sys
import threading
from contextlib import suppress
from typing import Any, TextIO

from controller.clock import Clock, RealClock
from controller.links.boards import board_of, coils_of
from controller.links.channel import ChannelError
from controller.links.coils import Coils, Doubt

__all__ = ["Guardian", "main"]

_TRIES_TO_PARK = 20
_END = ""


class Guardian:
    """Carries out orders on coils that it opens; `lines` gives them, an empty one is the end."""

    def __init__(self, lines: queue.Queue[str], answers: TextIO, clock: Clock) -> None:
        self._lines = lines
        self._answers = answers
        self._clock = clock
        self._coils: Coils | None = None
        self.port = ""
        self._park_state = 0
        self._hold_off_ms = 0
        self._driven = False
        self._written: int | None = None
        self._expired = False

    def serve(self) -> bool:
        """Carry out orders until they end; return whether the outputs are parked then.

        True also when nothing was ever driven.
        """
        while line := self._next():
            number, what, value = json.loads(line)
            try:
                answer = (number, *self._carried_out(what, value))
                self._answers.write(json.dumps(answer) + "\n")
                self._answers.flush()
            except OSError:  # nobody listens any more
                break
        parked = not self._driven or self._parked()
        if self._coils is not None:
            self._coils.close()
        return parked

    def _next(self) -> str:
        """Return the next order; parks when it is too long in coming."""
        while self._driven:
            try:
                return self._lines.get(timeout=self._hold_off_ms / 1000)
            except queue.Empty:
                self._expired = self._parked()
        return self._lines.get()

    def _carried_out(self, what: str, value: Any) -> tuple[Any, ...]:
        try:
            if self._expired:
                self._expired = False
                why = f"nothing was asked of the board for {self._hold_off_ms} ms"
                return "parked", f"{why}, and its guardian parked it", "start again"
            return "value", self._done(what, value)
        except Doubt as doubt:
            return "doubt", str(doubt)
        except ChannelError as error:
            return "error", error.message, error.hint

    def _done(self, what: str, value: Any) -> Any:
        if what == "open":
            board = board_of(value["board"])
            self._park_state, self._hold_off_ms = value["park_state"], value["hold_off_ms"]
            self._coils, self.port = coils_of(board, self._clock), board.url
            return self._coils.open()
        assert self._coils is not None  # noqa: S101 - the one who asks opens first
        match what:
            case "write":
                # Only what is read back counts; until then the outputs may be anything.
                self._driven, self._written = True, value
                return self._coils.write(value)
            case "read":
                told = self._coils.read()
                if told == self._written == self._park_state:
                    self._driven = False
                return told
            case "clear":
                return self._coils.clear()
        raise ValueError(f"unknown order {what!r}")

    def _parked(self) -> bool:
        """Set the park state until the board tells it; return whether it does."""
        assert self._coils is not None  # noqa: S101 - something has been driven
        for _ in range(_TRIES_TO_PARK):
            try:
                self._coils.clear()
                self._coils.write(self._park_state)
                if self._coils.read() == self._park_state:
                    self._driven = False
                    return True
            except Doubt:
                continue
            except ChannelError:
                return False
        return False


def _read_orders(lines: queue.Queue[str]) -> None:
    with suppress(OSError):
        for line in sys.stdin:
            lines.put(line)
    lines.put(_END)


def main() -> None:
    """Serve whoever has started this process; say on standard error what became of the ladder."""
    for name in ("SIGINT", "SIGTERM", "SIGHUP"):
        if number := getattr(signal, name, None):  # not every system has them all
            signal.signal(number, signal.SIG_IGN)  # what ends the program must not end its guardian
    lines: queue.Queue[str] = queue.Queue()
    threading.Thread(target=_read_orders, args=(lines,), daemon=True).start()
    guardian = Guardian(lines, sys.stdout, RealClock())
    parked = guardian.serve()
    if not parked:
        with suppress(OSError):
            sys.stderr.write(
                f"rungwise: the ladder at {guardian.port} could not be parked;"
                " unplug it from the module\n"
            )
            sys.stderr.flush()
    os._exit(0 if parked else 1)  # the thread that reads may be in a call that never returns
