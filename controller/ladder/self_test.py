"""Testing a ladder by an ohm meter: which states to look at, and what is wrong inside.

Knows: how faults are weighed against each other, when the search for them ends.
Must not know: meters, links, how states are reached.

Every fault is tried on the model of the ladder; the one after which the model agrees best with what
was measured is named, and the search goes on with it in place until nothing is left to explain.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from controller.ladder.faults import (
    DriftedFixed,
    LadderFault,
    OpenFixed,
    StuckRelay,
    SwappedRelays,
)
from controller.ladder.measured_states import Looks, SeenState, rung_sights, states_to_test
from controller.ladder.model import Ladder
from controller.ladder.sight import LIMIT, OPEN_OHMS, RungSight, Sight
from controller.ladder.suspects import suspects

__all__ = [
    "OPEN_OHMS",
    "Examination",
    "RungSight",
    "SeenState",
    "Sight",
    "examine",
    "states_to_test",
]

MOST_FAULTS = 4

_NEAR_SCORE = 4.0
"""So little more in the sum of squares does not tell two faults apart (2 sigma)."""


@dataclass(frozen=True, kw_only=True)
class Examination:
    """What the measured states say. `unexplained` are states that no fault that was tried makes.

    `alternatives` are, for each of the faults, others that explain the same nearly as well: the
    tolerance of a large rung hides which contact near it is a bad one. `rungs` is how well each
    was seen, and `contact_ohms` what a contact has to have too much to be seen.
    """

    seen: tuple[SeenState, ...]
    faults: tuple[LadderFault, ...]
    alternatives: tuple[tuple[LadderFault, ...], ...]
    unexplained: tuple[int, ...]
    rungs: tuple[RungSight, ...] = ()
    contact_ohms: float = 0.0

    @property
    def sound(self) -> bool:
        """Whether everything is within its tolerance."""
        return not self.faults and not self.unexplained


def examine(ladder: Ladder, measured: Mapping[int, float], sight: Sight) -> Examination:
    """Return what the ohms of some states say of the ladder; infinite for an open circuit."""
    looks = Looks(ladder, measured, sight)
    faults = _one_or_two(ladder, looks)
    while len(faults) < MOST_FAULTS and looks.unexplained(faults):
        best = _ranked(ladder, looks, faults)[0]
        if best.score > looks.score(faults) - LIMIT**2:
            break
        faults.append(best.fault)
    faults = _refined(ladder, looks, faults)
    return Examination(
        seen=tuple(looks.seen()),
        faults=tuple(faults),
        alternatives=tuple(_alternatives(ladder, looks, faults, one) for one in faults),
        unexplained=looks.unexplained(faults),
        rungs=rung_sights(ladder, sight),
        contact_ohms=looks.contact_ohms(),
    )


def _one_or_two(ladder: Ladder, looks: Looks) -> list[LadderFault]:
    """Return the fault that explains everything, or the best two; none where all is well.

    The best single fault need not be one of the best two, so the best of each kind is tried.
    """
    if not looks.unexplained(()):
        return []
    singles = _ranked(ladder, looks, ())
    if not looks.unexplained([singles[0].fault]):
        return [singles[0].fault]
    best_of_kind: dict[type[LadderFault], LadderFault] = {}
    for one in singles:
        best_of_kind.setdefault(type(one.fault), one.fault)
    found: list[tuple[float, list[LadderFault]]] = []
    for first in best_of_kind.values():
        second = _ranked(ladder, looks, [first])[0]
        found.append((second.score, [first, second.fault]))
    score, pair = min(found, key=lambda entry: entry[0])
    return pair if score < looks.score(()) - LIMIT**2 else []


@dataclass(frozen=True, kw_only=True)
class _Ranked:
    score: float
    fault: LadderFault


def _ranked(ladder: Ladder, looks: Looks, faults: Sequence[LadderFault]) -> list[_Ranked]:
    """Return every fault that could come on top, best first; of equal ones the likelier first.

    A relay, and the fixed resistor, has one fault only: with two, nearly everything can be
    explained.
    """
    taken = {part for fault in faults for part in _parts_of(fault)}
    found = [
        _Ranked(score=looks.score([*faults, one]), fault=one)
        for one in suspects(ladder, looks, faults)
        if not taken & set(_parts_of(one))
    ]
    return sorted(found, key=lambda one: round(one.score))


def _refined(ladder: Ladder, looks: Looks, faults: Sequence[LadderFault]) -> list[LadderFault]:
    """Look at each of several faults again with the others in place; drop what is not needed."""
    kept = list(faults)
    for fault in faults if len(faults) > 1 else ():
        others = [one for one in kept if one is not fault]
        best = _ranked(ladder, looks, others)[0]
        if best.score < looks.score(kept) - 1.0:
            kept = [*others, best.fault]
    for fault in list(kept) if len(kept) > 1 else ():
        others = [one for one in kept if one is not fault]
        if not looks.unexplained(others):
            kept = others
    return kept


def _alternatives(
    ladder: Ladder, looks: Looks, faults: Sequence[LadderFault], fault: LadderFault
) -> tuple[LadderFault, ...]:
    """Return what would explain the same nearly as well as one of the faults found."""
    others = [one for one in faults if one is not fault]
    near = looks.score(faults) + _NEAR_SCORE
    found: dict[tuple[object, ...], LadderFault] = {}
    for one in _ranked(ladder, looks, others):
        if one.score > near:
            continue
        found.setdefault(_place(one.fault), one.fault)
    found.pop(_place(fault), None)
    return tuple(found.values())


def _parts_of(fault: LadderFault) -> tuple[int | str, ...]:
    """Return the relays, each with its rung, or the fixed resistor that a fault is in."""
    match fault:
        case SwappedRelays():
            return (fault.first, fault.second)
        case DriftedFixed() | OpenFixed():
            return ("fixed",)
        case _:
            return (fault.relay,)


def _place(fault: LadderFault) -> tuple[object, ...]:
    """Return what a fault is without how large it is."""
    match fault:
        case SwappedRelays():
            return ("swapped", fault.first, fault.second)
        case StuckRelay():
            return ("stuck", fault.relay, fault.energised)
        case _:
            return (type(fault), *_parts_of(fault))
