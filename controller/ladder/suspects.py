"""Every single fault that could explain what measured states are off by.

Knows: the faults a ladder can have, how large each would have to be.
Must not know: which of them is believed in the end, meters, links.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import combinations

from controller.ladder.faults import (
    BadContact,
    DriftedFixed,
    DriftedRung,
    LadderFault,
    OpenFixed,
    OpenRung,
    StuckRelay,
    SwappedRelays,
)
from controller.ladder.measured_states import Looks
from controller.ladder.model import Ladder
from controller.ladder.sight import LIMIT

__all__ = ["suspects"]

_MOST_DROP_PERCENT = -90.0
"""A rung that has lost more than this is bypassed by something, not drifted."""

_UNIT_OHMS = 1e-3
"""So small a change crosses no limit that the states are held to, or hardly ever."""


def suspects(ladder: Ladder, looks: Looks, faults: Sequence[LadderFault]) -> Iterator[LadderFault]:
    """Yield every single fault that could come on top; values are taken from what is left over.

    Of two that explain the same the earlier counts: swapped wires, which come last, are rarer.
    """
    relays = [rung.relay for group in ladder.groups for rung in group.rungs]
    output = [one for one in (ladder.isolate_relay, ladder.short_relay) if one is not None]
    for relay in (*relays, *output):
        for energised in (False, True):
            yield StuckRelay(relay=relay, energised=energised)
    rungs = {rung.relay: rung for group in ladder.groups for rung in group.rungs}
    now = looks.offs(faults)
    for relay, rung in rungs.items():
        yield OpenRung(relay=relay)
        least = 100 * LIMIT * rung.uncertainty_ohms / rung.ohms
        drifted = looks.offs([*faults, DriftedRung(relay=relay, percent=0.1)])
        for change in _fitted(now, drifted, 0.1):
            if change > _MOST_DROP_PERCENT and abs(change) > least:
                yield DriftedRung(relay=relay, percent=change)
    if ladder.fixed_ohms:
        yield OpenFixed()
        least = 100 * LIMIT * ladder.fixed_uncertainty_ohms / ladder.fixed_ohms
        unit = DriftedFixed(percent=100 * _UNIT_OHMS / ladder.fixed_ohms)
        for change in _fitted(now, looks.offs([*faults, unit]), unit.percent):
            if abs(change) > least:
                yield DriftedFixed(percent=max(change, -100.0))
    for relay in (*relays, *output):
        for extra in _extra_ohms(ladder, looks, faults, relay, now):
            yield BadContact(relay=relay, ohms=extra)
    for first, second in combinations((*relays, *output), 2):
        yield SwappedRelays(first=first, second=second)


def _extra_ohms(
    ladder: Ladder,
    looks: Looks,
    faults: Sequence[LadderFault],
    relay: int,
    now: Mapping[int, float],
) -> Iterator[float]:
    """Yield what a contact may have too much: it lies across its rung, so the way there bends.

    `now` is how far the states are off without it.
    """
    unit = BadContact(relay=relay, ohms=_UNIT_OHMS)
    at_first = _fitted(now, looks.offs([*faults, unit]), unit.ohms)
    for which in range(2):
        extra = 0.0
        for _ in range(4):
            fitted = at_first
            if extra > 0.0:
                so_far = [*faults, BadContact(relay=relay, ohms=extra)]
                fitted = _fitted(looks.offs(so_far), looks.offs([*so_far, unit]), unit.ohms)
            if not fitted:
                break
            extra = max(0.0, extra + fitted[which])
        if extra > LIMIT * ladder.relays[relay].contact_uncertainty_ohms:
            yield extra


def _fitted(
    before: Mapping[int, float], after: Mapping[int, float], size: float
) -> tuple[float, ...]:
    """Return how large a fault would have to be, by the states that it changes.

    `before` and `after` are how far the states are off without the fault and with so much of it.
    Return what all of them say together (one step of Gauss and Newton), and what the weightiest
    alone says, for when the others are off by another fault as well.
    """
    said = [
        (((after[state] - off) / size) ** 2, -size * off / (after[state] - off))
        for state, off in before.items()
        if state in after and abs(after[state] - off) > 1e-9
    ]
    if not said:
        return ()
    whole = sum(weight for weight, _ in said)
    return (sum(weight * value for weight, value in said) / whole, max(said)[1])
