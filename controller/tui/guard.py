"""What ends the program from outside: signals and a terminal that has gone.

Knows: which signals mean the end, and that the ladder parks before the process goes.
Must not know: Textual, what is being run.

A terminal that stops reading can block the main thread in a write. So the handlers only set flags
and write a byte into a pipe; a thread of its own watches that pipe and the terminal, and when the
screen has not gone by itself after the bench was closed, it ends the process.
"""

from __future__ import annotations

import os
import select
import signal
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from types import FrameType
from typing import Protocol

from controller.errors import ExitCode

__all__ = ["Guard"]

_HANG_UP: signal.Signals | None = getattr(signal, "SIGHUP", None)
_ENDING = tuple(n for n in (signal.SIGINT, signal.SIGTERM, _HANG_UP) if n is not None)
PARK_WITHIN_S = 20.0
LEAVE_WITHIN_S = 3.0


class _Watched(Protocol):
    def stop(self) -> None: ...
    def join(self, timeout_s: float | None = None) -> bool: ...


class Guard:
    """Watches over one run of the program.

    `watched` returns what may be driving now, or None. `leave` asks the screen to go; it is
    called from another thread. `ended` is set when an end was asked for from outside.
    """

    def __init__(self, watched: Callable[[], _Watched | None], leave: Callable[[], None]) -> None:
        self._watched = watched
        self._leave = leave
        self._gone = threading.Event()
        self._read, self._write = os.pipe()
        self.ended = False

    @contextmanager
    def on_duty(self) -> Iterator[None]:
        """Handle signals and watch the terminal inside the block. Main thread only."""
        before = {number: signal.signal(number, self._handle) for number in _ENDING}
        watcher = threading.Thread(target=self._watch, name="rungwise-guard", daemon=True)
        watcher.start()
        try:
            yield
        finally:
            self._gone.set()
            os.write(self._write, b".")
            for number, handler in before.items():
                signal.signal(number, handler)

    def _handle(self, _number: int, _frame: FrameType | None) -> None:
        self._stop()
        with suppress(OSError):
            os.write(self._write, b"!")

    def _stop(self) -> None:
        self.ended = True
        driving = self._watched()
        if driving is not None:
            driving.stop()

    def _watch(self) -> None:
        poll = select.poll()
        poll.register(self._read, select.POLLIN)
        if sys.__stdin__ is not None and sys.__stdin__.isatty():
            # Asking for no event still tells of a hang-up.
            poll.register(sys.__stdin__.fileno(), 0)
        poll.poll()
        if self._gone.is_set():
            return
        self._stop()
        with suppress(Exception):
            self._leave()
        driving = self._watched()
        parked = driving is None or driving.join(PARK_WITHIN_S)
        if not self._gone.wait(LEAVE_WITHIN_S):
            os._exit(ExitCode.INTERRUPTED if parked else ExitCode.LINK_FAULT)
