"""The simulated device behind a real pseudo-terminal, so that a serial library is in the loop.

Knows: pseudo-terminals, and one thread that serves the device.
Must not know: what is at the other end of the terminal.
"""

from __future__ import annotations

import os
import select
import termios
import threading
import tty
from contextlib import suppress
from types import TracebackType

from controller.links.simulated import SimulatedDevice

__all__ = ["PtyDevice"]

_CHUNK = 4096
_LONGEST_NAP_S = 0.5


class PtyDevice:
    """Serves a device at `path` while its context lasts. POSIX only.

    `muted` makes the device deaf and dumb. On a real clock the device keeps its deadlines by
    itself; on a virtual one call `catch_up` after moving the clock. `on_latch` of the device is
    called from the serving thread, or from whoever calls `catch_up`, `restart` or `set_fault`.
    """

    def __init__(self, device: SimulatedDevice) -> None:
        self.device = device
        self.muted = False
        self.received = 0
        """Bytes the device has taken, and answered if an answer was due."""
        self.sent = 0
        """Bytes the device has sent."""
        self._lock = threading.Lock()
        self._stop = threading.Event()
        self._ours, self._theirs = os.openpty()
        # Raw from the start: an echo of the first bytes would look like frames to the host.
        tty.setraw(self._theirs, termios.TCSANOW)
        self.path = os.ttyname(self._theirs)
        self._wake_read, self._wake_write = os.pipe()
        self._thread = threading.Thread(target=self._serve, name="pty-device", daemon=True)

    def __enter__(self) -> PtyDevice:
        self._thread.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.unplug()
        for end in (self._wake_read, self._wake_write):
            os.close(end)

    def catch_up(self) -> None:
        """Do everything that has fallen due up to now."""
        with self._lock:
            self.device.catch_up()

    def restart(self) -> None:
        """Take the device's supply away for a moment."""
        with self._lock:
            self.device.restart()

    def set_fault(self) -> None:
        """Let the board find something wrong with itself."""
        with self._lock:
            self.device.set_fault()

    def unplug(self) -> None:
        """Take the terminal away, as when a USB cable is pulled; the path is gone for good."""
        if self._stop.is_set():
            return
        self._stop.set()
        os.write(self._wake_write, b"x")
        if self._thread.is_alive():
            self._thread.join()
        for end in (self._theirs, self._ours):
            os.close(end)

    def _serve(self) -> None:
        while not self._stop.is_set():
            with self._lock:
                self.device.catch_up()
                due_s = self.device.next_due_in_s()
            nap_s = _LONGEST_NAP_S if due_s is None else min(due_s, _LONGEST_NAP_S)
            ready, _, _ = select.select([self._ours, self._wake_read], [], [], max(nap_s, 0.0005))
            if self._ours in ready:
                self._answer()

    def _answer(self) -> None:
        """Take what has come and send back what is due."""
        with suppress(OSError):  # the host's side may close at any moment
            data = os.read(self._ours, _CHUNK)
            if not self.muted:
                with self._lock:
                    reply = self.device.receive(data)
                while reply:
                    written = os.write(self._ours, reply)
                    self.sent += written
                    reply = reply[written:]
            self.received += len(data)
