"""A real board at a serial port, as an endpoint for the conformance checks. POSIX only.

With the command it is the only part of this package that does input, output or waiting.
"""

from __future__ import annotations

import fcntl
import os
import select
import struct
import termios
import time
import tty
from collections.abc import Callable

from firmware_protocol.conformance.endpoint import Endpoint, NotApplicable, Pace
from firmware_protocol.messages import REPEAT_AFTER_MS, TRIES

__all__ = ["PosixPort"]

_CHUNK = 4096
_DTR = struct.pack("I", termios.TIOCM_DTR)
_PULSE_S = 0.1
_BACK_WITHIN_S = 15.0
"""How long a port may be gone whose board was without power."""


class PosixPort(Endpoint):
    """A serial port, 115200 baud 8N1 unless told otherwise, held for this process alone.

    `close` does nothing, so that the port stays open from check to check (opening restarts many
    boards); `release` lets go of it. `restarter` is what restarts the board, where anything does;
    `boot_ms` how long the board is left in peace after that. Raises OSError or termios.error when
    the port cannot be had.
    """

    patience_ms = REPEAT_AFTER_MS
    tries = TRIES
    pace = Pace.STEADY

    def __init__(self, path: str, *, baud: int = 115200, boot_ms: int = 2000) -> None:
        speed = getattr(termios, f"B{baud}", None)
        if speed is None:
            raise OSError(f"{baud} baud is not a speed this system knows")
        self.path = path
        self.byte_ms = 10_000 / baud
        self.boot_ms = boot_ms
        self.restarter: Callable[[], None] | None = None
        self._speed = speed
        self._file = self._open()

    def _open(self) -> int:
        file = os.open(self.path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
            tty.setraw(file, termios.TCSANOW)
            settings = termios.tcgetattr(file)
            settings[2] &= ~(termios.PARENB | termios.CSTOPB | termios.CSIZE | termios.CRTSCTS)
            settings[2] |= termios.CS8 | termios.CLOCAL | termios.CREAD
            settings[4] = settings[5] = self._speed
            termios.tcsetattr(file, termios.TCSANOW, settings)
        except BaseException:
            os.close(file)
            raise
        return file

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

    def now_ms(self) -> float:
        """Return the machine's monotonic clock."""
        return time.monotonic() * 1000

    def restart(self) -> None:
        """Restart the board and let it boot, with nothing sent to its boot loader."""
        if self.restarter is None:
            raise NotApplicable("nothing restarts the board (see --restart)")
        self.restarter()
        self.advance(self.boot_ms)

    def pulse_dtr(self) -> None:
        """Release DTR for a moment, which resets boards that are wired for it.

        Raises OSError where the port has no such line.
        """
        fcntl.ioctl(self._file, termios.TIOCMBIC, _DTR)
        time.sleep(_PULSE_S)
        fcntl.ioctl(self._file, termios.TIOCMBIS, _DTR)

    def reopen(self) -> None:
        """Open the port afresh: one that is a part of the board goes when the power goes.

        Raises OSError when it does not come back.
        """
        self.release()
        deadline_s = time.monotonic() + _BACK_WITHIN_S
        while True:
            try:
                self._file = self._open()
            except (OSError, termios.error) as error:
                if time.monotonic() > deadline_s:
                    raise OSError(f"the port did not come back: {error}") from None
                time.sleep(0.2)
            else:
                return

    def release(self) -> None:
        """Let go of the port."""
        os.close(self._file)
