"""How often relays move along a row of states: the one place that counts it.

Knows: states as ints, bit i for relay i.
Must not know: why they follow each other, links, plans.
"""

from __future__ import annotations

from collections.abc import Iterable, MutableSequence

__all__ = ["count_each", "count_moves"]


def count_moves(start: int, states: Iterable[int]) -> int:
    """Return how many relays move from `start` along states, each counted each time."""
    moved = 0
    for state in states:
        moved += (start ^ state).bit_count()
        start = state
    return moved


def count_each(counts: MutableSequence[int], start: int, states: Iterable[int]) -> int:
    """Add to `counts`, one for each relay, what moves along states; return the last state."""
    for state in states:
        changed = start ^ state
        while changed:
            lowest = changed & -changed
            counts[lowest.bit_length() - 1] += 1
            changed ^= lowest
        start = state
    return start
