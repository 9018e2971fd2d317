"""A practice board: outputs, a log of them, and everything that can go wrong with an exchange.

Knows: what outputs do, and how an answer is spoiled.
Must not know: the language a board speaks, terminals, clocks.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Protocol

__all__ = ["FAULTS", "Answer", "Board", "Faults", "Language", "Outputs"]

FAULTS = (
    *("late", "lost", "unheard", "short", "wrong-unit", "wrong-count"),
    *("stuck", "dip", "silence", "garbage", "gone"),
)
"""late: the answer comes late, in order. lost: it never comes. unheard: nor is the request carried
out. short: its end is missing. wrong-unit: somebody else answers. wrong-count: it speaks of too few
outputs. stuck: one output stays as it is from now on. dip: the supply goes for a moment, all
outputs fall off. silence: nothing is heard for the next four requests. garbage: something else
comes in its place. gone: the port disappears."""

_SILENT_FOR = 4


class Outputs:
    """So many outputs; bit i of `state` is output i. Every change is told to `on_change`."""

    def __init__(self, count: int, on_change: Callable[[int], None] = lambda _state: None) -> None:
        self.count = count
        self.state = 0
        self.stuck = 0
        self._on_change = on_change

    def set(self, state: int) -> None:
        """Switch; what is stuck stays."""
        new = (state & ~self.stuck) | (self.state & self.stuck)
        if new != self.state:
            self.state = new
            self._on_change(new)

    def dip(self) -> None:
        """Lose the supply for a moment: everything falls off, what is stuck as well."""
        if self.state:
            self.state = 0
            self._on_change(0)


class Faults:
    """Chooses what goes wrong: on average with one of `every` requests, the same for one seed."""

    def __init__(
        self, kinds: Sequence[str] = (), *, every: int = 10, seed: int = 1, late_s: float = 0.5
    ) -> None:
        for kind in kinds:
            if kind not in FAULTS:
                raise ValueError(f"no fault {kind!r}: there is {', '.join(FAULTS)}")
        self._kinds = tuple(kinds)
        self._every = every
        self._late_s = late_s
        self.chance = random.Random(seed)  # noqa: S311 - a simulation, nothing to guard

    def next(self) -> str | None:
        """Return the fault of the next request; None for a good one."""
        if not self._kinds or self.chance.randrange(self._every):
            return None
        return self.chance.choice(self._kinds)

    def delay_s(self) -> float:
        """Return how late a late answer is."""
        return self.chance.uniform(0.0, self._late_s)


@dataclass(frozen=True, kw_only=True)
class Answer:
    """What goes back for a request: bytes, after how many seconds; `gone` ends the port."""

    data: bytes = b""
    delay_s: float = 0.0
    gone: bool = False


class Language(Protocol):
    """What a board understands, and how its answers look."""

    def requests(self, data: bytes) -> tuple[list[bytes], bytes]:
        """Return the whole requests in what has come, and what is left over."""

    def answer(self, outputs: Outputs, request: bytes) -> bytes:
        """Carry a request out; return the answer, nothing for what is not meant for this board."""

    def of_another(self, answer: bytes) -> bytes:
        """Return an answer as somebody else would give it."""

    def of_fewer(self, answer: bytes) -> bytes:
        """Return an answer that speaks of too few outputs."""


class Board:
    """A board that speaks a language, and sometimes fails to. `handled` counts its requests."""

    def __init__(self, outputs: Outputs, language: Language, faults: Faults) -> None:
        self.outputs = outputs
        self.language = language
        self.faults = faults
        self.handled = 0
        self._rest = b""
        self._silent = 0

    def receive(self, data: bytes) -> list[Answer]:
        """Take what has come; return what goes back, in order."""
        requests, self._rest = self.language.requests(self._rest + data)
        return [self._handle(request) for request in requests]

    def forget(self) -> None:
        """Give up a request that has come in part."""
        self._rest = b""

    def _handle(self, request: bytes) -> Answer:
        self.handled += 1
        if self._silent:
            self._silent -= 1
            return Answer()
        return self.spoiled(self.faults.next(), request)

    def spoiled(self, fault: str | None, request: bytes) -> Answer:
        """Carry a request out with a fault."""
        chance, outputs = self.faults.chance, self.outputs
        match fault:
            case "unheard":
                return Answer()
            case "silence":
                self._silent = _SILENT_FOR - 1
                return Answer()
            case "gone":
                return Answer(gone=True)
            case "dip":
                outputs.dip()
                return Answer()
            case "stuck":
                outputs.stuck |= 1 << chance.randrange(outputs.count)
        good = self.language.answer(outputs, request)
        match fault:
            case "lost":
                return Answer()
            case "late":
                return Answer(data=good, delay_s=self.faults.delay_s())
            case "short":
                return Answer(data=good[: chance.randrange(max(1, len(good)))])
            case "garbage":
                return Answer(data=chance.randbytes(chance.randrange(1, 20)))
            case "wrong-unit" if good:
                return Answer(data=self.language.of_another(good))
            case "wrong-count" if good:
                return Answer(data=self.language.of_fewer(good))
        return Answer(data=good)
