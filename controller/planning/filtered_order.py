"""The order of relay changes that disturbs a module least after its input filter.

The quietest way at the input may be the louder one behind the filter: what is far off but short
fades, what is near but stands long does not. Where a plan asks for it, the order of a step's
changes is chosen by what the filter leaves, among those orders that stray no further at the input
than a limit.

It knows orders of single relay changes and what two measures say of them; how far a path strays is
for these to tell.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from typing import TypeAlias

from controller.ladder.model import Ladder, PathStep
from controller.ladder.path import bits_of, hold_ms

__all__ = ["filtered_order"]

Measure: TypeAlias = Callable[[Sequence[PathStep]], float]
"""Says how far a path strays, in degC."""

_ALL_ORDERS = 5
"""Changed relays up to which every order is tried; beyond it, exchanges of two that help."""


def filtered_order(
    ladder: Ladder,
    start: int,
    path: Sequence[PathStep],
    *,
    at_input: Measure,
    filtered: Measure,
    limit_celsius: float,
) -> tuple[PathStep, ...]:
    """Return the path, or another order of its changes that strays less after the filter.

    No order that is taken strays further than `limit_celsius` at the input. A path with detours
    changes relays more than once; orders without detours are tried against it.
    """
    best, least = tuple(path), (filtered(path), at_input(path))
    if not path or least[0] == 0.0:
        return best
    relays = bits_of(start ^ path[-1].state)
    if len(relays) <= _ALL_ORDERS:
        for order in itertools.permutations(relays):
            made = _made(ladder, start, order)
            measured = (filtered(made), at_input(made))
            if measured[1] <= limit_celsius and measured < least:
                best, least = made, measured
        return best
    taken = sorted(relays, key=lambda relay: _when(start, path, relay))
    better = True
    while better:
        better = False
        for one, other in itertools.combinations(range(len(taken)), 2):
            swapped = list(taken)
            swapped[one], swapped[other] = swapped[other], swapped[one]
            made = _made(ladder, start, swapped)
            measured = (filtered(made), at_input(made))
            if measured[1] <= limit_celsius and measured < least:
                best, least, taken, better = made, measured, swapped, True
    return best


def _made(ladder: Ladder, start: int, order: Sequence[int]) -> tuple[PathStep, ...]:
    steps, state = [], start
    for relay in order:
        state ^= 1 << relay
        held_ms = hold_ms(ladder, relay, energise=bool(state >> relay & 1))
        steps.append(PathStep(state=state, hold_ms=held_ms))
    return tuple(steps)


def _when(start: int, path: Sequence[PathStep], relay: int) -> int:
    """Return at which step of a path a relay changes for good."""
    state, last = start, 0
    for index, step in enumerate(path):
        if (state ^ step.state) >> relay & 1:
            last = index
        state = step.state
    return last
