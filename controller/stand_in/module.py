"""A control module at the other end of a CAN bus, as a tester meets it.

Knows: services 01, 03, 04, 07, 0A and 22 (SAE J1979, ISO 14229, from memory), segments.
Must not know: adapters, how it is asked, readbacks, clocks. Time is an argument, in seconds.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from controller.module.model import ModuleReport

__all__ = ["DiagnosedModule", "Identity", "Trouble", "Wire"]


@dataclass(frozen=True, order=True)
class Wire:
    """A frame on the bus."""

    identifier: int
    extended: bool
    data: bytes


@dataclass(frozen=True, kw_only=True)
class Identity:
    """Which frames ask the module, and which it answers with."""

    all_modules: int = 0x7DF
    asked: int = 0x7E0
    answers: int = 0x7E8
    extended: bool = False

    @classmethod
    def of(cls, number: int, *, extended: bool) -> Identity:
        """Return the identity of the module with a number, from 0."""
        if not extended:
            return cls(asked=0x7E0 + number, answers=0x7E8 + number)
        address = 0x10 + number
        return cls(
            all_modules=0x18DB33F1,
            asked=0x18DA00F1 + (address << 8),
            answers=0x18DAF100 + address,
            extended=True,
        )


@dataclass(frozen=True, kw_only=True)
class Trouble:
    """What goes wrong with one answer.

    `late_s` is added to the time the module takes; `copies` of the answer leave, none when it is
    lost; `pending` so many pleas for patience go before it, each `pending_s` apart.
    """

    late_s: float = 0.0
    copies: int = 1
    pending: int = 0
    pending_s: float = 1.0
    wrong_parameter: bool = False


_FINE = Trouble()


def _no_trouble(_number: int, _request: bytes) -> Trouble:
    return _FINE


def _no_codes() -> Sequence[str]:
    return ()


@dataclass
class DiagnosedModule:
    """Answers a tester. `report` is asked for temperature and codes whenever a request comes in.

    Parameters of service 01 are in `parameters` by their number: functions that return their
    bytes. A module that does not queue drops what it is asked while it is busy.
    """

    report: Callable[[], ModuleReport]
    identity: Identity = field(default_factory=Identity)
    answer_s: float = 0.03
    queues: bool = True
    by_identifier: bool = False
    trouble: Callable[[int, bytes], Trouble] = _no_trouble
    pending_codes: Callable[[], Sequence[str]] = _no_codes
    permanent_codes: Callable[[], Sequence[str]] = _no_codes
    clear: Callable[[], None] = lambda: None
    refuses: Mapping[int, int] = field(default_factory=dict)
    """Services that are refused, with the reason's number."""
    extra: Mapping[int, Callable[[], bytes]] = field(default_factory=dict)
    hidden: frozenset[int] = frozenset()
    """Parameters that this module does not have."""

    def __post_init__(self) -> None:
        self.asked: list[tuple[float, bytes]] = []
        """Every request that was heard, with its time."""
        self._leaving: list[tuple[float, int, Wire]] = []
        self._number = 0
        self._busy_until_s = 0.0
        self._rest = b""
        self._waits = 0
        self.parameters: dict[int, Callable[[], bytes]] = {
            0x01: lambda: bytes([min(len(self.report().codes), 127), 0, 0, 0]),
            0x05: lambda: bytes([_degrees(self.report().celsius)]),
            0x0C: lambda: bytes(2),
            0x0D: lambda: bytes(1),
            0x0F: lambda: bytes([_degrees(20.0)]),
            0x1F: lambda: bytes(2),
            **self.extra,
        }
        for number in self.hidden:
            self.parameters.pop(number, None)

    def hear(self, wire: Wire, now_s: float) -> None:
        """Take a frame from the bus."""
        mine = self.identity
        to_all = wire.identifier == mine.all_modules
        if wire.extended != mine.extended or not (to_all or wire.identifier == mine.asked):
            return
        kind = wire.data[0] >> 4 if wire.data else 15
        if kind == 3 and not to_all:
            self._flow(wire.data[0] & 15, now_s)
        elif kind == 0 and 1 <= wire.data[0] < len(wire.data):
            self._request(wire.data[1 : 1 + wire.data[0]], to_all, now_s)

    def leaving(self, now_s: float) -> list[Wire]:
        """Return the frames that have left by now, in order."""
        out = []
        while self._leaving and self._leaving[0][0] <= now_s:
            out.append(heapq.heappop(self._leaving)[2])
        return out

    def next_s(self) -> float | None:
        """Return when the next frame leaves."""
        return self._leaving[0][0] if self._leaving else None

    # Requests

    def _request(self, request: bytes, to_all: bool, now_s: float) -> None:
        self.asked.append((now_s, request))
        if not self.queues and now_s < self._busy_until_s:
            return
        answer = self._answer(request, to_all)
        if answer is None:
            return
        trouble = self.trouble(len(self.asked) - 1, request)
        start_s = max(now_s, self._busy_until_s)
        for n in range(trouble.pending):
            plea = bytes([0x7F, request[0], 0x78])
            self._say(plea, start_s + self.answer_s + n * trouble.pending_s)
        wait_s = self.answer_s + trouble.pending * trouble.pending_s + trouble.late_s
        self._busy_until_s = start_s + wait_s
        if trouble.wrong_parameter and len(answer) > 1:
            answer = bytes([answer[0], answer[1] ^ 0x08, *answer[2:]])
        for _ in range(trouble.copies):
            self._say(answer, self._busy_until_s)

    def _answer(self, request: bytes, to_all: bool) -> bytes | None:
        service = request[0]
        if service in self.refuses:
            return bytes([0x7F, service, self.refuses[service]])
        match service:
            case 0x01 if len(request) == 2 and not self.by_identifier:
                value = self._parameter(request[1])
                if value is not None:
                    return bytes([0x41, request[1]]) + value
            case 0x22 if len(request) == 3 and self.by_identifier and request[1] == 0xF4:
                value = self._parameter(request[2])
                if value is not None:
                    return bytes([0x62, 0xF4, request[2]]) + value
            case 0x03:
                return _codes(0x43, self.report().codes)
            case 0x07:
                return _codes(0x47, self.pending_codes())
            case 0x0A:
                return _codes(0x4A, self.permanent_codes())
            case 0x04:
                self.clear()
                return b"\x44"
            case _:
                return None if to_all else bytes([0x7F, service, 0x11])
        return None if to_all else bytes([0x7F, service, 0x12])

    def _parameter(self, number: int) -> bytes | None:
        if number % 0x20 == 0:
            listed = {n for n in self.parameters if number < n <= number + 0x20}
            if any(n > number + 0x20 for n in self.parameters):
                listed.add(number + 0x20)
            if number and not listed:
                return None
            return sum(1 << (number + 0x20 - n) for n in listed).to_bytes(4, "big")
        value = self.parameters.get(number)
        return None if value is None else value()

    # Frames

    def _say(self, message: bytes, at_s: float) -> None:
        if len(message) <= 7:
            self._frame(bytes([len(message)]) + message, at_s)
            return
        self._frame(bytes([0x10 | len(message) >> 8, len(message) & 255]) + message[:6], at_s)
        self._rest = message[6:]

    def _flow(self, status: int, now_s: float) -> None:
        """Obey the tester: 0 send the rest, 1 wait for the next such frame, else give up."""
        rest = self._rest
        if status == 1:
            return
        self._rest = b""
        if status != 0:
            return
        for n, start in enumerate(range(0, len(rest), 7), 1):
            self._frame(bytes([0x20 | n & 15]) + rest[start : start + 7], now_s + n * 0.002)

    def _frame(self, data: bytes, at_s: float) -> None:
        self._number += 1
        wire = Wire(self.identity.answers, self.identity.extended, data.ljust(8, b"\x00"))
        heapq.heappush(self._leaving, (at_s, self._number, wire))


def _degrees(celsius: float) -> int:
    return min(max(round(celsius) + 40, 0), 255)


def _codes(begins: int, codes: Sequence[str]) -> bytes:
    pairs = b"".join(_two_bytes(code) for code in codes)
    return bytes([begins, len(codes)]) + pairs


def _two_bytes(code: str) -> bytes:
    """Return the two bytes of a code whose text begins with it: letter, digit, three hex digits."""
    letter, digits = code[0], int(code[1:5], 16)
    return (("PCBU".index(letter) << 14) + digits).to_bytes(2, "big")
