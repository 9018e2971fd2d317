"""Lines from standard input that are there now, without ever waiting for one.

Knows: a POSIX file descriptor.
Must not know: what the lines mean.

No thread: `select` with no timeout says whether a read would return at once. A terminal in its
usual line mode is ready only when a line is finished. (A thread that sits in a read of standard
input cannot be ended, and can bring down the interpreter on exit.)
"""

from __future__ import annotations

import os
import select
from collections.abc import Callable
from typing import TypeAlias

__all__ = ["LineSource", "StdinLines", "TypedLines"]

LineSource: TypeAlias = Callable[[], str | None]
"""Returns the next finished line, or None when none waits; never blocks. EOFError at the end."""


class TypedLines:
    """What a person types, line by line; `ended` once there will be no more."""

    def __init__(self, source: LineSource) -> None:
        self.ended = False
        self._source = source

    def next(self) -> str | None:
        """Return the next finished line; None when none waits, or there will be no more."""
        if self.ended:
            return None
        try:
            return self._source()
        except EOFError:
            self.ended = True
            return None


class StdinLines:
    """A source of lines; call it for the next one. Bytes that are not UTF-8 are replaced."""

    def __init__(self, descriptor: int = 0) -> None:
        self._descriptor = descriptor
        self._pending = b""
        self._ended = False

    def __call__(self) -> str | None:
        """Return the next finished line without its end, or None when there is none yet.

        A last line without line end counts. Raises EOFError when there will be no more.
        """
        while b"\n" not in self._pending and not self._ended:
            if not self._read():
                return None
        if not self._pending:
            raise EOFError
        line, _, self._pending = self._pending.partition(b"\n")
        return line.decode("utf-8", errors="replace").removesuffix("\r")

    def _read(self) -> bool:
        """Read what waits; return whether anything, the end included, was there."""
        try:
            ready, _, _ = select.select([self._descriptor], [], [], 0)
            if not ready:
                return False
            data = os.read(self._descriptor, 4096)
        except (OSError, ValueError):
            data = b""  # closed, or the terminal has gone
        self._pending += data
        self._ended = not data
        return True
