"""What the sweep may ask of a link, whichever way the ladder is reached.

Knows: the interface, and the plain data that crosses it.
Must not know: bytes, ports, simulation.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

from controller.errors import RelayKnowledge
from controller.ladder.model import PathStep

__all__ = ["Link", "LinkIdentity", "LinkStatus", "SenseReading"]


@dataclass(frozen=True, kw_only=True)
class LinkIdentity:
    """Who answered. `name` is already free of control characters.

    Only what the device itself has said: None stands for what a device of its kind does not tell.
    """

    name: str
    protocol_version: int | None
    relay_count: int | None
    park_state: int | None
    max_path: int | None
    can_sense: bool
    boots: int | None


@dataclass(frozen=True, kw_only=True)
class LinkStatus:
    """What the device says of itself now, and how the link has fared since it was opened.

    None stands for what a device of its kind cannot know: that is not the same as False. Where the
    host times every change, `slowest_ms` is the slowest since the last status, if it took longer
    than was planned for.
    """

    state: int
    parked: bool
    moving: bool | None
    hold_off_expired: bool | None
    fault: bool | None
    restarted: bool | None
    hold_off_ms: int | None
    retries: int
    dropped: int
    slowest_ms: int | None = None


@dataclass(frozen=True, kw_only=True)
class SenseReading:
    """What the board's own analogue input saw; `full_scale_volts` are those of its whole scale."""

    volts: float
    raw: int
    full_scale: int
    full_scale_volts: float


class Link(Protocol):
    """A blocking way to one ladder. No call blocks longer than a path takes plus the retries.

    Every failure is raised as LinkError, which says what is known of the relay state.
    """

    @property
    def port(self) -> str:
        """The link's name for people: a device path, a URL, ``simulated``."""

    @property
    def relays(self) -> RelayKnowledge:
        """What is known of the relay state right now, from what has been acknowledged."""

    def open(self, *, hold_off_ms: int = 2000) -> LinkIdentity:
        """Connect, identify, park, clear the sticky flags and set the hold-off time."""

    def apply(self, path: Sequence[PathStep]) -> LinkStatus:
        """Run a path from the state last acknowledged; return when its last hold has passed.

        Returns the status that showed it, which has fed the hold-off. Paths longer than the device
        takes at once are sent in pieces.
        """

    def park(self) -> None:
        """Park and wait for the acknowledgement."""

    def feed(self) -> LinkStatus:
        """Ask for the status, which also feeds the hold-off. Raises when the device restarted."""

    def sense(self, channel: int = 0) -> SenseReading:
        """Read the board's analogue input."""

    def close(self) -> None:
        """Park as far as possible, and let go of the port. Never raises."""
