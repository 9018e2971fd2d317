"""The ladder as a thing: relays, rungs, groups, leads. Data only.

Knows: what a ladder is made of and what its ratings are.
Must not know: files, sensors, targets, how a state is reached.

A state is a plain int: bit i set means that relay i is energised.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass
from enum import Enum

__all__ = ["Contacts", "Group", "GroupKind", "Ladder", "PathStep", "Relay", "Rung"]


class Contacts(Enum):
    """Whether the contact is open or closed while the relay is at rest."""

    NORMALLY_OPEN = "normally-open"
    NORMALLY_CLOSED = "normally-closed"


class GroupKind(Enum):
    """How the rungs of a group are joined."""

    SERIES = "series"
    PARALLEL = "parallel"


@dataclass(frozen=True, kw_only=True)
class Relay:
    """One relay: its contact and how fast it moves. Uncertainties are standard (k = 1).

    `operate_ms` is from coil on to the first touch of the contact it moves to, `release_ms` from
    coil off likewise; `bounce_ms` is how long the contact then chatters. `rated_operations` is
    None when the maker does not say.
    """

    index: int
    contacts: Contacts = Contacts.NORMALLY_OPEN
    contact_ohms: float = 0.0
    contact_uncertainty_ohms: float = 0.0
    operate_ms: float = 5.0
    release_ms: float = 5.0
    bounce_ms: float = 2.0
    rated_operations: int | None = None


@dataclass(frozen=True, kw_only=True)
class Rung:
    """One resistor and its relay. `uncertainty_ohms` is standard (k = 1).

    A tolerance of p percent is taken as a rectangular distribution: p/100 * ohms / sqrt(3)
    (JCGM 100:2008, 4.3.7). `power_watts` is the resistor's rating, None when not stated.
    """

    relay: int
    ohms: float
    uncertainty_ohms: float = 0.0
    power_watts: float | None = None
    tempco_ppm_per_k: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Group:
    """Rungs in series, each bypassed by its closed contact; or in parallel, each joined by it."""

    kind: GroupKind
    rungs: tuple[Rung, ...]


@dataclass(frozen=True, kw_only=True)
class Ladder:
    """Groups in series, leads, and the relays at the output.

    `relays` has one entry for each of the `relay_count` relays, in order. The isolate relay, when
    energised, connects the ladder through its contact (which adds its contact resistance). The
    short relay sits across the output on the module's side of the isolate relay and, when
    energised, shorts it through its contact. `park_state` is what the ladder falls back to.

    The fixed resistor stands in series with the groups, always in circuit; 0 ohm when there is
    none. Its uncertainty is standard (k = 1), its other ratings as a rung's.
    `warnings` are sentences for people: what the file left unstated, and what is taken for it.
    """

    name: str
    relay_count: int
    relays: tuple[Relay, ...]
    groups: tuple[Group, ...]
    lead_ohms: float = 0.0
    lead_uncertainty_ohms: float = 0.0
    fixed_ohms: float = 0.0
    fixed_uncertainty_ohms: float = 0.0
    fixed_power_watts: float | None = None
    fixed_tempco_ppm_per_k: float = 0.0
    isolate_relay: int | None = None
    short_relay: int | None = None
    park_state: int = 0
    max_current_amperes: float | None = None
    warnings: tuple[str, ...] = ()

    @functools.cached_property
    def normally_closed(self) -> int:
        """The mask of the relays whose contact is closed at rest."""
        closed = (r.index for r in self.relays if r.contacts is Contacts.NORMALLY_CLOSED)
        return sum(1 << index for index in closed)

    @property
    def state_digits(self) -> int:
        """How many hex digits a state of this ladder is written with."""
        return max(4, -(-self.relay_count // 4))

    def format_state(self, state: int) -> str:
        """Write a state as in ``0x0a3f``."""
        return f"0x{state:0{self.state_digits}x}"


@dataclass(frozen=True, kw_only=True)
class PathStep:
    """One state of a path and how long it is held before the next, in whole milliseconds."""

    state: int
    hold_ms: int
