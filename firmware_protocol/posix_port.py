"""A real board at a serial port, as an endpoint for the conformance checks. POSIX only.

Knows: termios, and the machine's clock. With the command it is the only part of this package that
does input, output or waiting.
Must not know: frames, checks.
"""

from __future__ import annotations

import fcntl
import os
import select
import termios
import time
import tty

from firmware_protocol.conformance.bench import Endpoint

__all__ = ["PosixPort"]

_CHUNK = 4096


class PosixPort(Endpoint):
    """A serial port, 115200 baud 8N1 unless told otherwise, held for this process alone.

    `close` does nothing, so that the port stays open from check to check (opening restarts many
    boards); `release` lets go of it. Raises OSError or termios.error when the port cannot be had.
    """

    patience_ms = 1000

    def __init__(self, path: str, *, baud: int = 115200) -> None:
        speed = getattr(termios, f"B{baud}", None)
        if speed is None:
            raise OSError(f"{baud} baud is not a speed this system knows")
        self._file = os.open(path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        try:
            fcntl.flock(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB)
            tty.setraw(self._file, termios.TCSANOW)
            settings = termios.tcgetattr(self._file)
            settings[2] &= ~(termios.PARENB | termios.CSTOPB | termios.CSIZE | termios.CRTSCTS)
            settings[2] |= termios.CS8 | termios.CLOCAL | termios.CREAD
            settings[4] = settings[5] = speed
            termios.tcsetattr(self._file, termios.TCSANOW, settings)
        except BaseException:
            os.close(self._file)
            raise

    def send(self, data: bytes) -> None:
        """Send bytes."""
        while data:
            select.select([], [self._file], [], 1.0)
            data = data[os.write(self._file, data) :]

    def receive(self, timeout_ms: int) -> bytes:
        """Return what has come."""
        ready, _, _ = select.select([self._file], [], [], timeout_ms / 1000)
        return os.read(self._file, _CHUNK) if ready else b""

    def advance(self, ms: int) -> None:
        """Wait."""
        time.sleep(ms / 1000)

    def release(self) -> None:
        """Let go of the port."""
        os.close(self._file)
