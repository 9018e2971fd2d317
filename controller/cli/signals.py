"""Ctrl-C, termination and a lost terminal as a wish to stop, not as an exception.

Knows: which signals mean that the ladder is to be parked.
Must not know: what is being run.
"""

from __future__ import annotations

import signal
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import FrameType

__all__ = ["STOPPING", "interruptible", "stopping_by"]

_HANG_UP: signal.Signals | None = getattr(signal, "SIGHUP", None)
"""A lost terminal, where the system has such a signal."""

STOPPING = tuple(n for n in (signal.SIGINT, signal.SIGTERM, _HANG_UP) if n is not None)


@contextmanager
def stopping_by(stop: Callable[[], None]) -> Iterator[None]:
    """Call `stop`, however often, when a signal asks for the end inside the block.

    An exception raised in the middle of a write or of an exchange with the ladder would leave
    either half done; so would Python's own way with SIGTERM and SIGHUP, which skips `finally`.
    """

    def handle(_number: int, _frame: FrameType | None) -> None:
        stop()

    # Whoever started the program with nohup wants it to outlive its terminal.
    heard = [n for n in STOPPING if n != _HANG_UP or signal.getsignal(n) != signal.SIG_IGN]
    before = {number: signal.signal(number, handle) for number in heard}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


@contextmanager
def interruptible() -> Iterator[None]:
    """Let Ctrl-C raise KeyboardInterrupt inside the block: for questions while all is parked."""
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)
