"""What resistance a state makes, how well that is known, and what each part then carries.

Knows: contacts, series and parallel groups, fixed resistor, leads, isolate and short relays, Ohm.
Must not know: files, sensors, how a state is found or reached.

Seen from the module: the leads, then the output terminals, which the short relay bridges, then
the isolate relay, then the fixed resistor and the groups in series. An open circuit is math.inf.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Iterator
from dataclasses import dataclass
from enum import Enum
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

from controller.arrays import FloatArray
from controller.errors import InputError
from controller.ladder.model import Group, GroupKind, Ladder, Rung

__all__ = [
    "Output",
    "StateArray",
    "bridged_ohms",
    "check_state",
    "connected_mask",
    "contact_closed",
    "open_state",
    "output_of",
    "rung_masks",
    "short_state",
    "state_ohms",
    "state_uncertainty_ohms",
    "states_ohms",
    "with_contact",
]

StateArray: TypeAlias = npt.NDArray[np.uint64]

_FEW = 1024  # states, for which the work of each rung is mostly that of asking for it


class Output(Enum):
    """What a state puts at the output terminals."""

    CONNECTED = "connected"
    OPEN = "open"
    SHORT = "short"


def check_state(ladder: Ladder, state: int) -> int:
    """Return the state; raise InputError when it names relays that the ladder does not have."""
    if not 0 <= state < 1 << ladder.relay_count:
        raise InputError.single(
            f"state {state:#x} does not fit a ladder of {ladder.relay_count} relays",
            where=ladder.name,
            hint=f"states run from 0x0 to {(1 << ladder.relay_count) - 1:#x}",
        )
    return state


def contact_closed(ladder: Ladder, state: int, relay: int) -> bool:
    """Return whether a relay's contact is closed in a state."""
    return bool((state ^ ladder.normally_closed) >> relay & 1)


def with_contact(ladder: Ladder, state: int, relay: int, *, closed: bool) -> int:
    """Return the state with one relay set so that its contact is closed, or open."""
    if contact_closed(ladder, state, relay) == closed:
        return state
    return state ^ (1 << relay)


def connected_mask(ladder: Ladder) -> int:
    """Return the state of the isolate and short relays that connects the ladder to the output.

    Every rung's relay, and every relay that belongs to nothing, is at rest in it.
    """
    state = 0
    if ladder.isolate_relay is not None:
        state = with_contact(ladder, state, ladder.isolate_relay, closed=True)
    if ladder.short_relay is not None:
        state = with_contact(ladder, state, ladder.short_relay, closed=False)
    return state


def rung_masks(ladder: Ladder) -> int:
    """Return the mask of all relays that switch a rung."""
    return sum(1 << rung.relay for group in ladder.groups for rung in group.rungs)


def open_state(ladder: Ladder, *, base: int = 0) -> int:
    """Return a state that is a true open circuit; rungs stay as in `base` where they can.

    Uses the isolate relay, else a parallel group with nothing connected. Raises InputError when
    the ladder has neither.
    """
    state = base
    if ladder.short_relay is not None:
        state = with_contact(ladder, state, ladder.short_relay, closed=False)
    if ladder.isolate_relay is not None:
        return with_contact(ladder, state, ladder.isolate_relay, closed=False)
    for group in ladder.groups:
        if group.kind is GroupKind.PARALLEL:
            for rung in group.rungs:
                state = with_contact(ladder, state, rung.relay, closed=False)
            return state
    raise InputError.single(
        "cannot make an open circuit: no isolate relay, and no parallel group",
        where=ladder.name,
        key="output.isolate_relay",
        hint="unplug by hand, or add an isolate relay",
    )


def short_state(ladder: Ladder, *, base: int = 0) -> int:
    """Return the state nearest to a dead short; rungs stay as in `base` where they can.

    Uses the short relay with the ladder left connected. Without one, a ladder of series groups
    only bypasses every rung: `state_ohms` of the result says what remains. Raises InputError
    when neither is possible.
    """
    state = base
    if ladder.isolate_relay is not None:
        state = with_contact(ladder, state, ladder.isolate_relay, closed=True)
    if ladder.short_relay is not None:
        return with_contact(ladder, state, ladder.short_relay, closed=True)
    for group in ladder.groups:
        if group.kind is GroupKind.PARALLEL:
            raise InputError.single(
                "cannot make a short: no short relay, and a parallel group always leaves its rungs",
                where=ladder.name,
                key="output.short_relay",
                hint="bridge by hand, or add a short relay",
            )
        for rung in group.rungs:
            state = with_contact(ladder, state, rung.relay, closed=True)
    return state


def output_of(ladder: Ladder, state: int) -> Output:
    """Return what a state puts at the output; a parallel group with nothing connected is open."""
    if ladder.short_relay is not None and contact_closed(ladder, state, ladder.short_relay):
        return Output.SHORT
    return Output.CONNECTED if math.isfinite(state_ohms(ladder, state)) else Output.OPEN


def parallel_ohms(first: float, second: float) -> float:
    """Return two resistances side by side; either may be zero or math.inf."""
    if math.isinf(first):
        return second
    if math.isinf(second):
        return first
    return first * second / (first + second) if first + second > 0 else 0.0


def group_ohms(ladder: Ladder, group: Group, state: int) -> float:
    """Return the resistance of one group in a state."""
    if group.kind is GroupKind.SERIES:
        closed, relays = state ^ ladder.normally_closed, ladder.relays
        return sum(
            parallel_ohms(rung.ohms, relays[rung.relay].contact_ohms)
            if closed >> rung.relay & 1
            else rung.ohms
            for rung in group.rungs
        )
    conductance = sum(
        1.0 / (rung.ohms + ladder.relays[rung.relay].contact_ohms)
        for rung in group.rungs
        if contact_closed(ladder, state, rung.relay)
    )
    return 1.0 / conductance if conductance > 0 else math.inf


def body_ohms(ladder: Ladder, state: int) -> float:
    """Return what lies behind the output terminals, without leads: groups, fixed, isolate relay."""
    groups = (group_ohms(ladder, group, state) for group in ladder.groups)
    total = sum(groups, start=ladder.fixed_ohms)
    if ladder.isolate_relay is not None:
        if not contact_closed(ladder, state, ladder.isolate_relay):
            return math.inf
        total += ladder.relays[ladder.isolate_relay].contact_ohms
    return total


def state_ohms(ladder: Ladder, state: int) -> float:
    """Return the resistance at the module's end of the leads in ohm; math.inf when open.

    Raises InputError when the state does not fit the ladder.
    """
    check_state(ladder, state)
    behind = body_ohms(ladder, state)
    if ladder.short_relay is not None and contact_closed(ladder, state, ladder.short_relay):
        behind = parallel_ohms(behind, ladder.relays[ladder.short_relay].contact_ohms)
    return ladder.lead_ohms + behind


def states_ohms(ladder: Ladder, states: npt.ArrayLike) -> FloatArray:
    """Return `state_ohms` of an array of states (any shape, uint64), in the same shape."""
    chosen = np.asarray(states, dtype=np.uint64)
    are_closed = chosen ^ np.uint64(ladder.normally_closed)

    def closed(relay: int) -> npt.NDArray[np.bool_]:
        return np.asarray(are_closed & np.uint64(1 << relay) != 0)

    total = np.full(chosen.shape, ladder.fixed_ohms, dtype=np.float64)
    for group in ladder.groups:
        if group.kind is GroupKind.SERIES and chosen.size <= _FEW:
            total += _series_ohms(ladder, group, are_closed)
            continue
        inside = np.zeros(chosen.shape)
        for rung in group.rungs:
            contact = ladder.relays[rung.relay].contact_ohms
            if group.kind is GroupKind.SERIES:
                inside += np.where(closed(rung.relay), parallel_ohms(rung.ohms, contact), rung.ohms)
            else:
                inside += np.where(closed(rung.relay), 1.0 / (rung.ohms + contact), 0.0)
        if group.kind is GroupKind.PARALLEL:
            with np.errstate(divide="ignore"):
                inside = 1.0 / inside
        total += inside
    if ladder.isolate_relay is not None:
        contact = ladder.relays[ladder.isolate_relay].contact_ohms
        total = np.where(closed(ladder.isolate_relay), total + contact, math.inf)
    if ladder.short_relay is not None:
        contact = ladder.relays[ladder.short_relay].contact_ohms
        total = np.where(closed(ladder.short_relay), bridged_ohms(total, contact), total)
    return np.asarray(ladder.lead_ohms + total, dtype=np.float64)


def bridged_ohms(ohms: FloatArray, contact_ohms: float) -> FloatArray:
    """Return `parallel_ohms` of what lies behind the terminals and a contact across them."""
    with np.errstate(invalid="ignore", divide="ignore"):
        both = np.where(np.isinf(ohms), contact_ohms, ohms * contact_ohms / (ohms + contact_ohms))
    return np.where(ohms + contact_ohms > 0, both, 0.0)


@functools.lru_cache(maxsize=64)
def _series_columns(
    rungs: tuple[Rung, ...], contacts: tuple[float, ...]
) -> tuple[StateArray, FloatArray, FloatArray]:
    """Return the bit of each rung's relay, what it makes bypassed, and in circuit: one column."""
    bits = np.array([[1 << rung.relay] for rung in rungs], dtype=np.uint64)
    ohms = np.array([[rung.ohms] for rung in rungs])
    closed = np.array(contacts)[:, None]
    with np.errstate(invalid="ignore"):
        bypassed = np.where(ohms + closed > 0, ohms * closed / (ohms + closed), 0.0)
    return bits, bypassed, ohms


def _series_ohms(ladder: Ladder, group: Group, are_closed: StateArray) -> FloatArray:
    """Return what a series group makes of a few states: all its rungs at once, the same to a bit.

    `are_closed` has the closed contacts of each state.
    """
    contacts = tuple(ladder.relays[rung.relay].contact_ohms for rung in group.rungs)
    bits, bypassed, ohms = _series_columns(group.rungs, contacts)
    made = np.where(are_closed.ravel()[None, :] & bits != 0, bypassed, ohms)
    # Added in the order of the rungs: a sum over an axis would round otherwise.
    return np.asarray(np.add.accumulate(made, axis=0)[-1].reshape(are_closed.shape))


@dataclass(frozen=True, kw_only=True)
class _Term:
    """One independent input quantity: dR/dx and its standard uncertainty."""

    slope: float
    uncertainty_ohms: float


def state_uncertainty_ohms(ladder: Ladder, state: int) -> float:
    """Return the standard uncertainty (k = 1) of `state_ohms`: rungs, fixed, contacts, leads.

    Law of propagation for independent inputs (JCGM 100:2008, 5.1.2). An open circuit has no
    uncertainty in ohm; 0.0 is returned for it.
    """
    if math.isinf(state_ohms(ladder, state)):
        return 0.0
    share = 1.0  # d(output)/d(body)
    variance = ladder.lead_uncertainty_ohms**2
    if ladder.short_relay is not None and contact_closed(ladder, state, ladder.short_relay):
        relay = ladder.relays[ladder.short_relay]
        behind = body_ohms(ladder, state)
        together = parallel_ohms(behind, relay.contact_ohms)
        # d(x s/(x+s))/ds = (x/(x+s))^2; the other way round for dx.
        own = 1.0 if math.isinf(behind) else _squared_share(together, relay.contact_ohms, behind)
        share = 0.0 if math.isinf(behind) else _squared_share(together, behind, relay.contact_ohms)
        variance += (own * relay.contact_uncertainty_ohms) ** 2
    if share > 0:
        variance += sum(
            (share * term.slope * term.uncertainty_ohms) ** 2 for term in _body_terms(ladder, state)
        )
    return math.sqrt(variance)


def _squared_share(together: float, part: float, other: float) -> float:
    """Return d(part || other)/d(part) = (other / (part + other))^2."""
    if part > 0:
        return (together / part) ** 2
    return 1.0 if other > 0 else 0.0


def _body_terms(ladder: Ladder, state: int) -> Iterator[_Term]:
    yield _Term(slope=1.0, uncertainty_ohms=ladder.fixed_uncertainty_ohms)
    if ladder.isolate_relay is not None:
        isolate = ladder.relays[ladder.isolate_relay]
        yield _Term(slope=1.0, uncertainty_ohms=isolate.contact_uncertainty_ohms)
    for group in ladder.groups:
        whole = group_ohms(ladder, group, state)
        for rung in group.rungs:
            relay = ladder.relays[rung.relay]
            closed = contact_closed(ladder, state, rung.relay)
            if group.kind is GroupKind.PARALLEL:
                if closed:
                    slope = (whole / (rung.ohms + relay.contact_ohms)) ** 2
                    yield _Term(slope=slope, uncertainty_ohms=rung.uncertainty_ohms)
                    yield _Term(slope=slope, uncertainty_ohms=relay.contact_uncertainty_ohms)
            elif closed:
                span = rung.ohms + relay.contact_ohms
                yield _Term(
                    slope=(relay.contact_ohms / span) ** 2, uncertainty_ohms=rung.uncertainty_ohms
                )
                yield _Term(
                    slope=(rung.ohms / span) ** 2, uncertainty_ohms=relay.contact_uncertainty_ohms
                )
            else:
                yield _Term(slope=1.0, uncertainty_ohms=rung.uncertainty_ohms)
