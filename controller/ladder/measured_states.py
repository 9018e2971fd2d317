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
    with_contact,
)
from controller.ladder.faults import LadderFault, faulty_ladder, taken_state
from controller.ladder.model import GroupKind, Ladder

__all__ = ["LIMIT", "OPEN_OHMS", "Looks", "SeenState", "states_to_test"]

OPEN_OHMS = 50e6
"""More than this, or overrange, counts as an open circuit: meters and boards leak."""

LIMIT = 2.5
"""So many standard uncertainties off is beyond tolerance: a rectangular one ends at 1.7."""

_FAR = 1e3
"""What open against not open counts for, in standard uncertainties."""


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


class Looks:
    """The measured states, held against the ladder with one set of faults or another."""

    def __init__(
        self,
        ladder: Ladder,
        measured: Mapping[int, float],
        *,
        meter_relative: float,
        meter_ohms: float,
    ) -> None:
        self._ladder = ladder
        self._measured = measured
        self._relative, self._floor_ohms = meter_relative, meter_ohms
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

    def offs(self, faults: Sequence[LadderFault]) -> dict[int, float]:
        """Return how far each state is off with these faults in place; open ones are left out."""
        return {
            state: off
            for state, expected, _, off in self._offs(faults)
            if self._measured[state] <= OPEN_OHMS and expected <= OPEN_OHMS
        }

    def _offs(self, faults: Sequence[LadderFault]) -> Iterator[tuple[int, float, float, float]]:
        """Yield state, expected ohms, their doubt, and how many such doubts it is off."""
        faulty = faulty_ladder(self._ladder, faults)
        base = self._base
        taken_base = taken_state(base, faults)
        common = self._common(base, state_ohms(faulty, taken_base), taken_base)
        for state, ohms in self._measured.items():
            taken = taken_state(state, faults)
            expected = state_ohms(faulty, taken)
            doubt = self._doubt(taken, ohms)
            apart = ohms - expected
            alone = (taken ^ taken_base).bit_count() == 1
            if alone and common is not None and math.isfinite(apart):
                apart -= common
                doubt = min(doubt, self._doubt_alone(taken, taken_base, ohms))
            yield state, expected, doubt, _off(ohms, expected, apart / doubt)

    def _common(self, base: int, expected: float, taken: int) -> float | None:
        """Return what the base has too much, where that is not beyond what it may have."""
        ohms = self._measured.get(base, math.inf)
        if not (ohms <= OPEN_OHMS and expected <= OPEN_OHMS):
            return None
        apart = ohms - expected
        return apart if abs(apart) <= LIMIT * self._doubt(taken, ohms) else None

    def _doubt(self, taken: int, ohms: float) -> float:
        shown = 0.0 if math.isinf(ohms) else abs(ohms)
        whole = math.hypot(self._ladders(taken), self._relative * shown, self._floor_ohms)
        return max(1e-9, whole)

    def _doubt_alone(self, taken: int, taken_base: int, ohms: float) -> float:
        """Return the doubt of a difference: the rung, the contact beside it, two readings."""
        own = max(self._ladders(taken) ** 2 - self._ladders(taken_base) ** 2, 0.0)
        return math.sqrt(
            own
            + 2 * self._contact_ohms**2
            + (self._relative * ohms) ** 2
            + 2 * self._floor_ohms**2
            + 1e-18
        )

    def _ladders(self, taken: int) -> float:
        if taken not in self._own:
            connected = math.isfinite(state_ohms(self._ladder, taken))
            self._own[taken] = state_uncertainty_ohms(self._ladder, taken) if connected else 0.0
        return self._own[taken]


def _off(measured: float, expected: float, apart: float) -> float:
    """Return how far a state is off, `apart` unless one of the two is an open circuit."""
    open_measured, open_expected = measured > OPEN_OHMS, expected > OPEN_OHMS
    if open_measured or open_expected:
        return 0.0 if open_measured and open_expected else _FAR
    return apart
