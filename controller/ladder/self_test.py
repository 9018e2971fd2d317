"""Testing a ladder by the ohms of its states: which to look at, and what is wrong inside.

Knows: the states that show each rung and each relay by itself, the faults a ladder can have.
Must not know: what measures the ohms, beyond how well it does; links, how states are reached.

Every fault is tried on the model of the ladder; the one after which the model agrees best with what
was measured is named, and the search goes on with it in place until nothing is left to explain.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from itertools import combinations

from controller.errors import InputError
from controller.ladder.electrical import (
    open_state,
    short_state,
    state_ohms,
    state_uncertainty_ohms,
    with_contact,
)
from controller.ladder.faults import (
    BadContact,
    DriftedRung,
    LadderFault,
    OpenRung,
    StuckRelay,
    SwappedRelays,
    faulty_ladder,
    taken_state,
)
from controller.ladder.model import GroupKind, Ladder

__all__ = [
    "OPEN_OHMS",
    "Examination",
    "RungSight",
    "SeenState",
    "Sight",
    "examine",
    "rung_sights",
    "states_to_test",
]

OPEN_OHMS = 50e6
"""More than this, or overrange, counts as an open circuit: meters and boards leak."""

MOST_FAULTS = 4
_LIMIT = 2.5
"""So many standard uncertainties off is beyond tolerance: a rectangular one ends at 1.7."""

_NEAR_SCORE = 4.0
"""So little more in the sum of squares does not tell two faults apart (2 sigma)."""

_MOST_DROP_PERCENT = -90.0
"""A rung that has lost more than this is bypassed by something, not drifted."""

_FAR = 1e3
"""What open against not open counts for, in standard uncertainties."""


_CLEARLY = 0.5
"""Less than this share of what counts as open is clearly connected."""

_MEDIAN_SPREAD = 1.25
"""How much more a median of normal values scatters than their mean (the root of pi/2)."""

_SCALE_SHARE = 0.05
"""States less certain than this say nothing of the scale."""


@dataclass(frozen=True, kw_only=True)
class Sight:
    """How well whatever measures the ohms sees them. All uncertainties are standard (k = 1).

    `doubt_ohms` is that of one reading of so many ohms, `scale` the share by which all readings may
    be off together: it is found from the ladder itself, so nothing is said of what all rungs have
    in common. More than `open_ohms` counts as an open circuit.
    """

    doubt_ohms: Callable[[float], float]
    scale: float = 0.0
    open_ohms: float = OPEN_OHMS

    @classmethod
    def of_meter(cls, *, relative: float, ohms: float) -> Sight:
        """Return that of a meter: a share of the reading, and a fixed part."""
        return cls(doubt_ohms=lambda reading: math.hypot(relative * reading, ohms))


@dataclass(frozen=True, kw_only=True)
class RungSight:
    """How well one rung is seen: its change has to be larger than `resolution_ohms` (k = 2)."""

    relay: int
    ohms: float
    tolerance_ohms: float
    resolution_ohms: float

    @property
    def hidden(self) -> bool:
        """Whether even a rung that is missing may not be seen."""
        return self.resolution_ohms > self.ohms

    @property
    def coarse(self) -> bool:
        """Whether it is seen, but not down to its tolerance."""
        return not self.hidden and self.resolution_ohms > self.tolerance_ohms


@dataclass(frozen=True, kw_only=True)
class SeenState:
    """One state: what it should make, what was measured, the standard uncertainty of the two.

    A state that shows one rung alone is held against the one that shows none, where that is as it
    should be: what leads and the other contacts have too much is in both.
    """

    state: int
    expected_ohms: float
    measured_ohms: float
    uncertainty_ohms: float
    agrees: bool


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


def states_to_test(ladder: Ladder) -> tuple[int, ...]:
    """Return the states: everything out, each rung alone, everything in, open and short.

    In a parallel group the rung with the least ohms stands for "out": without any it is open.
    """
    base = _connected(ladder)
    for group in ladder.groups:
        least = min(group.rungs, key=lambda rung: rung.ohms).relay
        for rung in group.rungs:
            closed = group.kind is GroupKind.SERIES or rung.relay == least
            base = with_contact(ladder, base, rung.relay, closed=closed)
    states = [base]
    everything = base
    for group in ladder.groups:
        least = min(group.rungs, key=lambda rung: rung.ohms).relay
        for rung in group.rungs:
            if group.kind is GroupKind.SERIES:
                states.append(with_contact(ladder, base, rung.relay, closed=False))
                everything = with_contact(ladder, everything, rung.relay, closed=False)
            else:
                apart = with_contact(ladder, base, least, closed=False)
                states.append(with_contact(ladder, apart, rung.relay, closed=True))
                everything = with_contact(ladder, everything, rung.relay, closed=True)
    states.append(everything)
    # Open both ways: a rung relay that obeys the isolate relay's command shows in one of them.
    for make, rungs in ((open_state, everything), (open_state, base), (short_state, everything)):
        with suppress(InputError):  # this ladder cannot make it
            states.append(make(ladder, base=rungs))
    return tuple(dict.fromkeys(states))


def rung_sights(ladder: Ladder, sight: Sight) -> tuple[RungSight, ...]:
    """Return how well each rung is seen by itself, in the states that show it."""
    base = state_ohms(ladder, states_to_test(ladder)[0])
    found = []
    for group in ladder.groups:
        for rung in group.rungs:
            ohms = rung.ohms + (base if group.kind is GroupKind.SERIES else 0.0)
            apart = math.hypot(sight.doubt_ohms(ohms), sight.doubt_ohms(base))
            found.append(
                RungSight(
                    relay=rung.relay,
                    ohms=rung.ohms,
                    tolerance_ohms=_LIMIT * rung.uncertainty_ohms,
                    resolution_ohms=2.0 * apart,
                )
            )
    return tuple(found)


def examine(ladder: Ladder, measured: Mapping[int, float], sight: Sight) -> Examination:
    """Return what the ohms of some states say of the ladder; infinite for an open circuit."""
    looks = _Looks(ladder, measured, sight)
    faults = _one_or_two(ladder, looks)
    while len(faults) < MOST_FAULTS and looks.unexplained(faults):
        best = _ranked(ladder, looks, faults)[0]
        if best.score > looks.score(faults) - _LIMIT**2:
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


def _one_or_two(ladder: Ladder, looks: _Looks) -> list[LadderFault]:
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
    return pair if score < looks.score(()) - _LIMIT**2 else []


@dataclass(frozen=True, kw_only=True)
class _Ranked:
    score: float
    fault: LadderFault


def _ranked(ladder: Ladder, looks: _Looks, faults: Sequence[LadderFault]) -> list[_Ranked]:
    """Return every fault that could come on top, best first; of equal ones the likelier first.

    A relay has one fault only: with two, nearly everything can be explained.
    """
    taken = {relay for fault in faults for relay in _relays_of(fault)}
    found = [
        _Ranked(score=looks.score([*faults, one]), fault=one)
        for one in _candidates(ladder, looks, faults)
        if not taken & set(_relays_of(one))
    ]
    return sorted(found, key=lambda one: round(one.score))


def _refined(ladder: Ladder, looks: _Looks, faults: Sequence[LadderFault]) -> list[LadderFault]:
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
    ladder: Ladder, looks: _Looks, faults: Sequence[LadderFault], fault: LadderFault
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


def _relays_of(fault: LadderFault) -> tuple[int, ...]:
    return (fault.first, fault.second) if isinstance(fault, SwappedRelays) else (fault.relay,)


def _place(fault: LadderFault) -> tuple[object, ...]:
    """Return what a fault is without how large it is."""
    match fault:
        case SwappedRelays():
            return ("swapped", fault.first, fault.second)
        case StuckRelay():
            return ("stuck", fault.relay, fault.energised)
        case _:
            return (type(fault), fault.relay)


class _Looks:
    """The measured states, held against the ladder with one set of faults or another."""

    def __init__(self, ladder: Ladder, measured: Mapping[int, float], sight: Sight) -> None:
        self._ladder = ladder
        self._measured = measured
        self._sight = sight
        self._scale_left = 0.0
        self._base = states_to_test(ladder)[0]
        self._contact_ohms = max(relay.contact_uncertainty_ohms for relay in ladder.relays)
        self._own: dict[int, float] = {}

    def seen(self) -> Iterator[SeenState]:
        """Yield each state against a ladder without faults."""
        for state, expected, doubt, off in self._offs(()):
            yield SeenState(
                state=state,
                expected_ohms=expected,
                measured_ohms=self._measured[state],
                uncertainty_ohms=doubt,
                agrees=abs(off) <= _LIMIT,
            )

    def score(self, faults: Sequence[LadderFault]) -> float:
        """Return the sum of squares of how far the states are off."""
        return sum(min(abs(off), _FAR) ** 2 for *_, off in self._offs(faults))

    def unexplained(self, faults: Sequence[LadderFault]) -> tuple[int, ...]:
        """Return the states that are off with these faults in place."""
        return tuple(state for state, *_, off in self._offs(faults) if abs(off) > _LIMIT)

    def contact_ohms(self) -> float:
        """Return what one contact has to have too much to be seen with every rung bypassed."""
        return _LIMIT * self._doubt(self._base, state_ohms(self._ladder, self._base))

    def offs(self, faults: Sequence[LadderFault]) -> dict[int, float]:
        """Return how far each state is off with these faults in place; open ones are left out."""
        return {
            state: off
            for state, expected, _, off in self._offs(faults)
            if self._measured[state] <= self._sight.open_ohms and expected <= self._sight.open_ohms
        }

    def _offs(self, faults: Sequence[LadderFault]) -> Iterator[tuple[int, float, float, float]]:
        """Yield state, expected ohms, their doubt, and how many such doubts it is off."""
        faulty = faulty_ladder(self._ladder, faults)
        base = self._base
        taken_base = taken_state(base, faults)
        told = {state: taken_state(state, faults) for state in self._measured}
        made = {state: state_ohms(faulty, taken) for state, taken in told.items()}
        scale = self._scale(told, made) if self._sight.scale else 1.0
        common = self._common(base, scale * state_ohms(faulty, taken_base), taken_base)
        for state, ohms in self._measured.items():
            taken = told[state]
            expected = scale * made[state]
            doubt = self._doubt(taken, ohms)
            apart = ohms - expected
            alone = (taken ^ taken_base).bit_count() == 1
            if alone and common is not None and math.isfinite(apart):
                apart -= common
                doubt = min(doubt, self._doubt_alone(taken, taken_base, ohms))
            yield state, expected, doubt, self._off(ohms, expected, apart / doubt)

    def _off(self, measured: float, expected: float, apart: float) -> float:
        """Return how far a state is off, `apart` unless one of the two is an open circuit."""
        limit_ohms = self._sight.open_ohms
        open_measured, open_expected = measured > limit_ohms, expected > limit_ohms
        if open_measured is open_expected:
            return 0.0 if open_measured else apart
        # What lies near the limit may be seen on either side of it.
        return _FAR if min(measured, expected) < _CLEARLY * limit_ohms else 0.0

    def _scale(self, told: Mapping[int, int], made: Mapping[int, float]) -> float:
        """Return by what all readings are off together with these faults: a weighted median.

        A mean would follow the states that another fault has put far off.
        """
        shares: list[tuple[float, float]] = []
        for state, expected in made.items():
            ohms = self._measured[state]
            if max(ohms, expected) > self._sight.open_ohms or min(ohms, expected) <= 0.0:
                continue
            share = math.hypot(self._ladders(told[state]), self._sight.doubt_ohms(ohms)) / expected
            if share < _SCALE_SHARE:
                shares.append((ohms / expected, share**-2))
        whole = sum(weight for _, weight in shares)
        self._scale_left = min(
            self._sight.scale, _MEDIAN_SPREAD / math.sqrt(whole) if whole else math.inf
        )
        so_far, middle = 0.0, 1.0
        for ratio, weight in sorted(shares):
            so_far += weight
            if so_far >= whole / 2:
                middle = ratio
                break
        most = _LIMIT * self._sight.scale
        return min(max(middle, 1.0 - most), 1.0 + most)

    def _common(self, base: int, expected: float, taken: int) -> float | None:
        """Return what the base has too much, where that is not beyond what it may have."""
        ohms = self._measured.get(base, math.inf)
        if max(ohms, expected) > self._sight.open_ohms:
            return None
        apart = ohms - expected
        return apart if abs(apart) <= _LIMIT * self._doubt(taken, ohms) else None

    def _doubt(self, taken: int, ohms: float) -> float:
        shown = 0.0 if math.isinf(ohms) else abs(ohms)
        whole = math.hypot(
            self._ladders(taken), self._scale_left * shown, self._sight.doubt_ohms(shown)
        )
        return max(1e-9, whole)

    def _doubt_alone(self, taken: int, taken_base: int, ohms: float) -> float:
        """Return the doubt of a difference: the rung, the contact beside it, two readings."""
        own = max(self._ladders(taken) ** 2 - self._ladders(taken_base) ** 2, 0.0)
        return math.sqrt(
            own
            + 2 * self._contact_ohms**2
            + (self._scale_left * ohms) ** 2
            + self._sight.doubt_ohms(ohms) ** 2
            + self._sight.doubt_ohms(0.0) ** 2
            + 1e-18
        )

    def _ladders(self, taken: int) -> float:
        if taken not in self._own:
            connected = math.isfinite(state_ohms(self._ladder, taken))
            self._own[taken] = state_uncertainty_ohms(self._ladder, taken) if connected else 0.0
        return self._own[taken]


def _connected(ladder: Ladder) -> int:
    state = ladder.park_state
    if ladder.isolate_relay is not None:
        state = with_contact(ladder, state, ladder.isolate_relay, closed=True)
    if ladder.short_relay is not None:
        state = with_contact(ladder, state, ladder.short_relay, closed=False)
    return state


def _candidates(
    ladder: Ladder, looks: _Looks, faults: Sequence[LadderFault]
) -> Iterator[LadderFault]:
    """Yield every single fault that could come on top; values are taken from what is left over.

    Of two that explain the same the earlier counts: swapped wires, which come last, are rarer.
    """
    relays = [rung.relay for group in ladder.groups for rung in group.rungs]
    output = [one for one in (ladder.isolate_relay, ladder.short_relay) if one is not None]
    for relay in (*relays, *output):
        for energised in (False, True):
            yield StuckRelay(relay=relay, energised=energised)
    rungs = {rung.relay: rung for group in ladder.groups for rung in group.rungs}
    for relay, rung in rungs.items():
        yield OpenRung(relay=relay)
        least = 100 * _LIMIT * rung.uncertainty_ohms / rung.ohms
        for change in _fitted(looks, faults, DriftedRung(relay=relay, percent=0.1), 0.1):
            if change > _MOST_DROP_PERCENT and abs(change) > least:
                yield DriftedRung(relay=relay, percent=change)
    for relay in (*relays, *output):
        for extra in _extra_ohms(ladder, looks, faults, relay):
            yield BadContact(relay=relay, ohms=extra)
    for first, second in combinations((*relays, *output), 2):
        yield SwappedRelays(first=first, second=second)


def _extra_ohms(
    ladder: Ladder, looks: _Looks, faults: Sequence[LadderFault], relay: int
) -> Iterator[float]:
    """Yield what a contact may have too much: it lies across its rung, so the way there bends."""
    unit = BadContact(relay=relay, ohms=1e-3)
    for which in range(2):
        extra = 0.0
        for _ in range(4):
            so_far = [*faults, BadContact(relay=relay, ohms=extra)]
            fitted = _fitted(looks, so_far, unit, unit.ohms)
            if not fitted:
                break
            extra = max(0.0, extra + fitted[which])
        if extra > _LIMIT * ladder.relays[relay].contact_uncertainty_ohms:
            yield extra


def _fitted(
    looks: _Looks, faults: Sequence[LadderFault], unit: LadderFault, size: float
) -> tuple[float, ...]:
    """Return how large a fault would have to be, by the states that it changes.

    What all of them say together (one step of Gauss and Newton), and what the weightiest alone
    says, for when the others are off by another fault as well.
    """
    before, after = looks.offs(faults), looks.offs([*faults, unit])
    said = [
        (((after[state] - off) / size) ** 2, -size * off / (after[state] - off))
        for state, off in before.items()
        if state in after and abs(after[state] - off) > 1e-9
    ]
    if not said:
        return ()
    whole = sum(weight for weight, _ in said)
    return (sum(weight * value for weight, value in said) / whole, max(said)[1])
