"""A module of a heavy machine that broadcasts its temperature and its codes (SAE J1939, memory).

Knows: two groups, long broadcasts.
Must not know: adapters, who listens, readbacks, clocks. Time is an argument, in seconds.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from controller.module.model import ModuleReport
from controller.stand_in.module import Wire

__all__ = ["BroadcastingModule", "announce", "dm1_of"]

_MODES = {"P0118": (110, 3), "P0117": (110, 4), "P0116": (110, 2)}


@dataclass
class BroadcastingModule:
    """Sends temperature and codes every `period_s`."""

    report: Callable[[], ModuleReport]
    source: int = 0x00
    period_s: float = 1.0

    def __post_init__(self) -> None:
        self._due_s: float | None = None
        self._later: list[tuple[float, Wire]] = []

    def hear(self, wire: Wire, now_s: float) -> None:
        """Whatever others say changes nothing."""

    def next_s(self) -> float | None:
        """Return when the next frame leaves."""
        later = self._later[0][0] if self._later else None
        return min((at for at in (self._due_s, later) if at is not None), default=None)

    def leaving(self, now_s: float) -> list[Wire]:
        """Return the frames that have left by now, in order."""
        if self._due_s is None:
            self._due_s = now_s
        while self._due_s <= now_s:
            report = self.report()
            coolant = min(max(round(report.celsius) + 40, 0), 250)
            data = bytes([coolant]) + b"\xff" * 7
            self._later.append((self._due_s, Wire(0x18FEEE00 | self.source, True, data)))
            modes = [_MODES.get(code[:5], (110, 31)) for code in report.codes]
            for n, wire in enumerate(announce(0xFECA, dm1_of(modes), self.source)):
                self._later.append((self._due_s + 0.05 * (n + 1), wire))
            self._due_s += self.period_s
        self._later.sort(key=lambda one: one[0])
        out = []
        while self._later and self._later[0][0] <= now_s:
            out.append(self._later.pop(0)[1])
        return out


def dm1_of(modes: Sequence[tuple[int, int]]) -> bytes:
    """Return the bytes of a DM1 with codes, each a parameter's number and a failure mode."""
    data = b"\x04\xff" if modes else b"\x00\xff"
    for spn, mode in modes or [(0, 0)]:
        data += bytes([spn & 255, spn >> 8 & 255, (spn >> 16) << 5 | mode, 1 if modes else 0])
    return data if len(data) > 8 else data.ljust(8, b"\xff")


def announce(group: int, data: bytes, source: int) -> list[Wire]:
    """Return the frames of a broadcast to all, long ones in packets."""
    if len(data) <= 8:
        return [Wire(0x18000000 | group << 8 | source, True, data)]
    count = -(-len(data) // 7)
    head = bytes([32, len(data) & 255, len(data) >> 8, count, 255])
    frames = [Wire(0x18ECFF00 | source, True, head + group.to_bytes(3, "little"))]
    for n in range(count):
        part = data[7 * n : 7 * n + 7].ljust(7, b"\xff")
        frames.append(Wire(0x18EBFF00 | source, True, bytes([n + 1]) + part))
    return frames
