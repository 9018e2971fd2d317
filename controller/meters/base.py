"""What the measurement of a ladder may ask of a meter, whichever way its ohms come in.

Knows: the interface, and the plain data that crosses it.
Must not know: links, who reads the meter, what becomes of the ohms.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol, TypeAlias

from controller.readback.base import OperatorCommand

__all__ = ["Meter", "MeterAnswer", "MeterQuestion"]


@dataclass(frozen=True, kw_only=True)
class MeterQuestion:
    """One state whose ohms are wanted. `state` is as people write it, `number` counts from 1."""

    number: int
    count: int
    state: str
    expected_ohms: float

    @property
    def text(self) -> str:
        """The question in words."""
        return (
            f"State {self.number} of {self.count}, {self.state},"
            f" about {self.expected_ohms:.6g} ohm."
        )


MeterAnswer: TypeAlias = float | OperatorCommand
"""Ohms, infinite for more than the meter can tell, or what a person typed in their place."""


class Meter(Protocol):
    """A source of ohms. Polled, never blocking, but for `open`."""

    def open(self) -> None:
        """Find the meter, before any relay moves; may block for some seconds.

        Raises ReadbackError when it cannot be reached or refuses to measure.
        """

    def ask(self, question: MeterQuestion) -> None:
        """Begin a question; answers to earlier ones are stale from now on."""

    def poll(self) -> MeterAnswer | None:
        """Return the answer to the open question, once; None when there is none yet.

        Raises ReadbackError when no answer can be expected any more.
        """

    def close(self) -> None:
        """Let go of whatever is held. Never raises."""
