"""What the sweep may ask of a readback.

Knows: the interface, and that a reading belongs to one step only.
Must not know: terminals, simulation, protocols.

A readback is polled and never blocks: the run has to feed the ladder's hold-off meanwhile.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import Protocol, TypeAlias, runtime_checkable

__all__ = [
    "Answer",
    "ClearsCodes",
    "OperatorCommand",
    "Prompt",
    "Readback",
    "Reading",
    "WatchesCodes",
]


@dataclass(frozen=True, kw_only=True)
class Prompt:
    """What is being asked: belongs to one step, by its token. `text` is for people.

    `token` grows with every prompt of a run, repeats of a step included. `yes_or_no` asks whether
    something is seen, a running fan for example, in place of a temperature.
    """

    token: int
    step_index: int
    text: str
    yes_or_no: bool = False


@dataclass(frozen=True, kw_only=True)
class Reading:
    """A value reported back. `token` says which prompt it answers; another token is stale.

    `celsius` is None when the source has no temperature to give (a module that shows dashes).
    `at_s` is on the run's clock. `codes` are the fault codes the module holds, where known.
    `seen` answers a yes-or-no prompt, and says elsewhere whether the module's fan output is on;
    None where nobody can tell.
    """

    token: int
    celsius: float | None
    at_s: float
    volts: float | None = None
    codes: tuple[str, ...] = ()
    seen: bool | None = None


class OperatorCommand(Enum):
    """What a person may answer in place of a reading."""

    SKIP = "skip"
    REDO = "redo"
    STOP = "stop"


Answer: TypeAlias = Reading | OperatorCommand


class Readback(Protocol):
    """A source of readings."""

    @property
    def name(self) -> str:
        """The source's name for people."""

    @property
    def continuous(self) -> bool:
        """True when readings stream by themselves, so that settling can be watched.

        False when each prompt is answered once by a person, who has waited for it to settle.
        """

    def open(self) -> None:
        """Find the source, before any relay moves; may block for some seconds.

        Raises InputError when it can be seen that no reading will come, ReadbackError when the
        source cannot be reached.
        """

    def codes(self) -> tuple[str, ...] | None:
        """Return the fault codes the module holds now; None where this source cannot tell."""

    def ask(self, prompt: Prompt) -> None:
        """Begin a prompt; answers to earlier ones are stale from now on."""

    def poll(self) -> Answer | None:
        """Return the next answer to the open prompt, or None when there is none yet.

        Never blocks. Raises ReadbackError when no answer can be expected any more.
        """

    def close(self) -> None:
        """Let go of whatever is held. Never raises."""


@runtime_checkable
class ClearsCodes(Protocol):
    """What a readback offers as well where it can clear the module's fault codes."""

    def clear_codes(self) -> None:
        """Clear them all. Raises ReadbackError when that fails."""


@runtime_checkable
class WatchesCodes(Protocol):
    """What a readback offers that tells codes with its readings only when it is asked to."""

    def watch_codes(self) -> None:
        """From now on, read the codes anew for each reading. Call it before `open`."""
