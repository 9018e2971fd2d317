"""What can be wrong inside a ladder, and what it makes then.

Knows: relays that do not follow, wires that are crossed, resistors and contacts that have changed.
Must not know: how a fault is found, files, links.

A fault changes the ladder's values, or which position each relay really takes for a state.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import TypeAlias

from controller.ladder.electrical import state_ohms
from controller.ladder.model import Ladder, Relay, Rung

__all__ = [
    "KIND_OF",
    "BadContact",
    "DriftedFixed",
    "DriftedRung",
    "LadderFault",
    "OpenFixed",
    "OpenRung",
    "SlowRelay",
    "StuckRelay",
    "SwappedRelays",
    "faulty_ladder",
    "faulty_ohms",
    "taken_state",
]

_BURNT_OHMS = 1e12


@dataclass(frozen=True, kw_only=True)
class StuckRelay:
    """A relay that stays energised, or at rest, whatever it is told."""

    relay: int
    energised: bool

    @property
    def words(self) -> str:
        """Name it."""
        return f"relay {self.relay} stays {'energised' if self.energised else 'at rest'}"


@dataclass(frozen=True, kw_only=True)
class SwappedRelays:
    """Two relays that each obey the other's command."""

    first: int
    second: int

    @property
    def words(self) -> str:
        """Name them."""
        return f"relays {self.first} and {self.second} are swapped"


@dataclass(frozen=True, kw_only=True)
class DriftedRung:
    """A rung that has changed by so many percent."""

    relay: int
    percent: float

    @property
    def words(self) -> str:
        """Name it."""
        return f"the rung of relay {self.relay} is off by {self.percent:+.2g} %"


@dataclass(frozen=True, kw_only=True)
class OpenRung:
    """A rung that is burnt, or whose joint is broken."""

    relay: int

    @property
    def words(self) -> str:
        """Name it."""
        return f"the rung of relay {self.relay} is open"


@dataclass(frozen=True, kw_only=True)
class DriftedFixed:
    """A fixed resistor that has changed by so many percent, or is another one."""

    percent: float

    @property
    def words(self) -> str:
        """Name it."""
        return f"the fixed resistor is off by {self.percent:+.2g} %"


@dataclass(frozen=True, kw_only=True)
class OpenFixed:
    """A fixed resistor that is burnt, or whose joint is broken."""

    @property
    def words(self) -> str:
        """Name it."""
        return "the fixed resistor is open"


@dataclass(frozen=True, kw_only=True)
class BadContact:
    """A contact that has so many ohm more than its file says."""

    relay: int
    ohms: float

    @property
    def words(self) -> str:
        """Name it."""
        return f"the contact of relay {self.relay} has {self.ohms:.2g} ohm too much"


@dataclass(frozen=True, kw_only=True)
class SlowRelay:
    """A relay that takes so many times as long as its file says, to operate and to release."""

    relay: int
    factor: float

    @property
    def words(self) -> str:
        """Name it."""
        return f"relay {self.relay} takes {self.factor:.2g} times as long as stated"


LadderFault: TypeAlias = (
    StuckRelay
    | SwappedRelays
    | DriftedRung
    | OpenRung
    | DriftedFixed
    | OpenFixed
    | BadContact
    | SlowRelay
)

KIND_OF: dict[type[LadderFault], str] = {
    StuckRelay: "stuck-relay",
    SwappedRelays: "swapped-relays",
    DriftedRung: "drifted-rung",
    OpenRung: "open-rung",
    DriftedFixed: "drifted-fixed",
    OpenFixed: "open-fixed",
    BadContact: "bad-contact",
    SlowRelay: "slow-relay",
}
"""How files and programs name each kind."""


def taken_state(state: int, faults: Iterable[LadderFault]) -> int:
    """Return the positions that the relays really take when they are told a state."""
    for fault in faults:
        match fault:
            case SwappedRelays():
                first, second = state >> fault.first & 1, state >> fault.second & 1
                if first != second:
                    state ^= 1 << fault.first | 1 << fault.second
            case StuckRelay():
                bit = 1 << fault.relay
                state = state | bit if fault.energised else state & ~bit
            case _:
                pass
    return state


def faulty_ladder(ladder: Ladder, faults: Iterable[LadderFault]) -> Ladder:
    """Return the ladder with the values that its resistors and contacts really have."""
    for fault in faults:
        match fault:
            case DriftedRung():
                factor = 1.0 + fault.percent / 100.0
                ladder = _with_rung(ladder, fault.relay, factor)
            case OpenRung():
                ladder = _with_rung(ladder, fault.relay, None)
            case DriftedFixed():
                drifted = ladder.fixed_ohms * (1.0 + fault.percent / 100.0)
                ladder = replace(ladder, fixed_ohms=drifted)
            case OpenFixed():
                ladder = replace(ladder, fixed_ohms=_BURNT_OHMS)
            case BadContact():
                ladder = replace(
                    ladder,
                    relays=tuple(_worse(relay, fault) for relay in ladder.relays),
                )
            case SlowRelay():
                ladder = replace(
                    ladder,
                    relays=tuple(_slower(relay, fault) for relay in ladder.relays),
                )
            case _:
                pass
    return ladder


def faulty_ohms(ladder: Ladder, state: int, faults: Iterable[LadderFault]) -> float:
    """Return what a state really makes."""
    known = tuple(faults)
    return state_ohms(faulty_ladder(ladder, known), taken_state(state, known))


def _worse(relay: Relay, fault: BadContact) -> Relay:
    if relay.index != fault.relay:
        return relay
    return replace(relay, contact_ohms=relay.contact_ohms + fault.ohms)


def _slower(relay: Relay, fault: SlowRelay) -> Relay:
    if relay.index != fault.relay:
        return relay
    return replace(
        relay,
        operate_ms=relay.operate_ms * fault.factor,
        release_ms=relay.release_ms * fault.factor,
    )


def _with_rung(ladder: Ladder, relay: int, factor: float | None) -> Ladder:
    def changed(rung: Rung) -> Rung:
        if rung.relay != relay:
            return rung
        return replace(rung, ohms=_BURNT_OHMS if factor is None else rung.ohms * factor)

    return replace(
        ladder,
        groups=tuple(
            replace(group, rungs=tuple(changed(rung) for rung in group.rungs))
            for group in ladder.groups
        ),
    )
