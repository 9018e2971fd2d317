"""A bus with modules on it behind a pseudo-terminal, where an adapter would be.

Knows: pseudo-terminals, one thread, what is due when.
Must not know: what modules say, readbacks.
"""

from __future__ import annotations

import os
import select
import termios
import threading
import tty
from collections.abc import Callable, Sequence
from contextlib import suppress
from types import TracebackType
from typing import Protocol

from controller.clock import Clock, RealClock
from controller.stand_in.line_adapter import LineAdapter
from controller.stand_in.module import Wire

__all__ = ["BusPty", "Node", "Traffic"]

_LONGEST_NAP_S = 0.2
_CHUNK = 4096


class Node(Protocol):
    """Something on the bus."""

    def hear(self, wire: Wire, now_s: float) -> None:
        """Take a frame of somebody else."""

    def leaving(self, now_s: float) -> list[Wire]:
        """Return the frames that have left by now."""

    def next_s(self) -> float | None:
        """Return when the next frame leaves."""


class Traffic:
    """What goes on between other modules: `per_s` frames a second that concern nobody here."""

    def __init__(self, per_s: float) -> None:
        self.per_s = per_s
        self._count = 0
        self._begun_s: float | None = None

    def hear(self, wire: Wire, now_s: float) -> None:
        """Nothing concerns it."""

    def next_s(self) -> float | None:
        """Return when the next frame leaves."""
        if self.per_s <= 0 or self._begun_s is None:
            return None
        return self._begun_s + (self._count + 1) / self.per_s

    def leaving(self, now_s: float) -> list[Wire]:
        """Return the frames that have left by now."""
        if self.per_s <= 0:
            return []
        if self._begun_s is None:
            self._begun_s = now_s
        due = int((now_s - self._begun_s) * self.per_s) - self._count
        out = []
        for _ in range(max(due, 0)):
            self._count += 1
            number = self._count
            data = bytes([number & 255, number >> 8 & 255, 0x55, 0xAA, 0, 0, 0, number % 7])
            out.append(Wire(0x100 + number * 37 % 0x500, False, data))
        return out


class BusPty:
    """Serves an adapter at `path` while its context lasts. POSIX only.

    `mangle` gets every line on its way to the host and returns the bytes that really go there.
    What the host does not take in time is dropped, as adapters do.
    """

    def __init__(
        self,
        nodes: Sequence[Node],
        *,
        clock: Clock | None = None,
        bus_bitrate: int = 500_000,
        mangle: Callable[[bytes], bytes] = lambda line: line,
    ) -> None:
        self.nodes = list(nodes)
        self.adapter = LineAdapter(self._heard, bus_bitrate=bus_bitrate)
        self.mangle = mangle
        self.dropped = 0
        """How many lines the host was too slow for."""
        self._clock = clock or RealClock()
        self._stop = threading.Event()
        self._ours, self._theirs = os.openpty()
        tty.setraw(self._theirs, termios.TCSANOW)
        os.set_blocking(self._ours, False)
        self.path = os.ttyname(self._theirs)
        self._wake_read, self._wake_write = os.pipe()
        self._thread = threading.Thread(target=self._serve, name="bus-pty", daemon=True)

    def __enter__(self) -> BusPty:
        self._thread.start()
        return self

    def __exit__(
        self,
        _kind: type[BaseException] | None,
        _error: BaseException | None,
        _trace: TracebackType | None,
    ) -> None:
        self.unplug()
        for end in (self._wake_read, self._wake_write):
            os.close(end)

    def unplug(self) -> None:
        """Take the adapter away; the path is gone for good."""
        if self._stop.is_set():
            return
        self._stop.set()
        os.write(self._wake_write, b"x")
        if self._thread.is_alive():
            self._thread.join()
        for end in (self._theirs, self._ours):
            os.close(end)

    def _heard(self, wire: Wire) -> None:
        now_s = self._clock.now_s()
        for node in self.nodes:
            node.hear(wire, now_s)

    def _serve(self) -> None:
        while not self._stop.is_set():
            now_s = self._clock.now_s()
            lines = b"".join(
                self.mangle(self.adapter.deliver(wire))
                for node in self.nodes
                for wire in node.leaving(now_s)
            )
            self._write(lines)
            due = [at_s for node in self.nodes if (at_s := node.next_s()) is not None]
            nap_s = min([_LONGEST_NAP_S, *(at_s - self._clock.now_s() for at_s in due)])
            ready, _, _ = select.select([self._ours, self._wake_read], [], [], max(nap_s, 0.001))
            if self._ours in ready:
                with suppress(OSError):  # the host may close at any moment
                    self._write(self.adapter.receive(os.read(self._ours, _CHUNK)))

    def _write(self, data: bytes) -> None:
        if not data:
            return
        try:
            written = os.write(self._ours, data)
        except OSError:
            written = 0
        if written < len(data):
            self.dropped += data[written:].count(b"\r")
