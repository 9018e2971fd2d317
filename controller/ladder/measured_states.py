"""The measured states of a ladder under test, held against one set of faults or another.

Knows: the states that show each rung and each relay by itself, how far a state may be off.
Must not know: which faults are tried, meters, links, how states are reached.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass

from controller.errors import InputError
from controller.ladder.electrical import (
    open_state,
    short_state,
    state_ohms,
    state_uncertainty_ohms,
    states_ohms,
    with_contact,
)
from controller.ladder.faults import LadderFault, faulty_ladder, taken_state
from controller.ladder.model import GroupKind, Ladder
from controller.ladder.sight import LIMIT, RungSight, Sight

__all__ = ["Looks", "SeenState", "rung_sights", "states_to_test"]

_FAR = 1e3
"""What open against not open counts for, in standard uncertainties."""

_CLEARLY = 0.5
"""Less than this share of what counts as open is clearly connected."""

_MEDIAN_SPREAD = 1.25
"""How much more a median of normal values scatters than their mean (the root of pi/2)."""

_SCALE_SHARE = 0.05
"""States less certain than this say nothing of the scale."""


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


def _connected(ladder: Ladder) -> int:
    state = ladder.park_state
    if ladder.isolate_relay is not None:
        state = with_contact(ladder, state, ladder.isolate_relay, closed=True)
    if ladder.short_relay is not None:
        state = with_contact(ladder, state, ladder.short_relay, closed=False)
    return state


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
                    tolerance_ohms=LIMIT * rung.uncertainty_ohms,
                    resolution_ohms=2.0 * apart,
                )
            )
    return tuple(found)


class Looks:
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
                agrees=abs(off) <= LIMIT,
            )

    def score(self, faults: Sequence[LadderFault]) -> float:
        """Return the sum of squares of how far the states are off."""
        return sum(min(abs(off), _FAR) ** 2 for *_, off in self._offs(faults))

    def unexplained(self, faults: Sequence[LadderFault]) -> tuple[int, ...]:
        """Return the states that are off with these faults in place."""
        return tuple(state for state, *_, off in self._offs(faults) if abs(off) > LIMIT)

    def contact_ohms(self) -> float:
        """Return what one contact has to have too much to be seen with every rung bypassed."""
        return LIMIT * self._doubt(self._base, state_ohms(self._ladder, self._base))

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
        made = dict(zip(told, states_ohms(faulty, list(told.values())).tolist(), strict=True))
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
        most = LIMIT * self._sight.scale
        return min(max(middle, 1.0 - most), 1.0 + most)

    def _common(self, base: int, expected: float, taken: int) -> float | None:
        """Return what the base has too much, where that is not beyond what it may have."""
        ohms = self._measured.get(base, math.inf)
        if max(ohms, expected) > self._sight.open_ohms:
            return None
        apart = ohms - expected
        return apart if abs(apart) <= LIMIT * self._doubt(taken, ohms) else None

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
