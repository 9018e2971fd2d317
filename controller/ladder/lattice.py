"""Sets of states as bits: what can be reached from where, one relay at a time, inside a set.

A cube of n axes has 2^n corners; bit i of a corner's number says where it stands along axis i. A
set of corners is an array of uint64 words, corner c being bit c % 64 of word c // 64, so that all
64 corners of a word, and all words of an array, take a step along an axis at once.
"""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
import numpy.typing as npt

__all__ = ["Bits", "corners_of", "holds", "packed", "shortest_walk", "spread"]

Bits: TypeAlias = npt.NDArray[np.uint64]

_IN_WORD = 6  # axes whose steps stay inside a word
_LOWER = tuple(
    np.uint64(mask)
    for mask in (
        0x5555555555555555,
        0x3333333333333333,
        0x0F0F0F0F0F0F0F0F,
        0x00FF00FF00FF00FF,
        0x0000FFFF0000FFFF,
        0x00000000FFFFFFFF,
    )
)
"""For each axis inside a word, the corners that stand at its beginning."""


def packed(members: npt.NDArray[np.bool_]) -> Bits:
    """Return a set from one bool for each corner; 2^n of them."""
    if members.size < 64:
        members = np.concatenate([members, np.zeros(64 - members.size, dtype=bool)])
    return np.packbits(members, bitorder="little").view(np.uint64)


def corners_of(bits: Bits, axes: int) -> npt.NDArray[np.bool_]:
    """Return one bool for each of the 2^axes corners of a set."""
    return np.unpackbits(bits.view(np.uint8), bitorder="little")[: 1 << axes].astype(bool)


def holds(bits: Bits, corner: int) -> bool:
    """Return whether a corner is in a set."""
    return bool(int(bits[corner >> _IN_WORD]) >> (corner & 63) & 1)


def spread(seed: Bits, allowed: Bits, axes: int) -> Bits:
    """Return every corner that walks inside `allowed` reach from the seed (as far as allowed)."""
    found = seed & allowed
    while True:
        before = found.copy()
        for axis in range(min(axes, _IN_WORD)):
            found |= _turned(found, axis) & allowed
        for axis in range(_IN_WORD, axes):
            here, there = _sides(found, axis)
            allowed_here, allowed_there = _sides(allowed, axis)
            there |= here & allowed_there
            here |= there & allowed_here
        if np.array_equal(before, found):
            return found


def shortest_walk(
    start: int, goal: int, allowed: Bits, axes: int, outside: npt.NDArray[np.float64]
) -> list[int] | None:
    """Return the corners after each step of a shortest walk inside `allowed`; None without one.

    Among the shortest, seen from the goal, the next corner is the one with the least `outside`
    (one number for each corner).
    """
    front = np.zeros_like(allowed)
    front[start >> _IN_WORD] = np.uint64(1 << (start & 63))
    seen = front & allowed
    front = seen
    fronts = []
    while not holds(front, goal):
        if not front.any():
            return None
        fronts.append(front)
        further = np.zeros_like(front)
        for axis in range(min(axes, _IN_WORD)):
            further |= _turned(front, axis)
        for axis in range(_IN_WORD, axes):
            here, there = _sides(front, axis)
            new_here, new_there = _sides(further, axis)
            new_here |= there
            new_there |= here
        front = further & allowed & ~seen
        seen = seen | front
    walk: list[int] = []
    for before in reversed(fronts):
        walk.append(goal)
        nearer = [goal ^ (1 << axis) for axis in range(axes) if holds(before, goal ^ (1 << axis))]
        goal = min(nearer, key=lambda corner: (outside[corner], corner))
    return walk[::-1]


def _turned(bits: Bits, axis: int) -> Bits:
    """Return each corner's neighbour along an axis inside the words."""
    lower, shift = _LOWER[axis], np.uint64(1 << axis)
    return (bits & lower) << shift | bits >> shift & lower


def _sides(bits: Bits, axis: int) -> tuple[Bits, Bits]:
    """Return views of the two sides of a cube along an axis of whole words."""
    shaped = bits.reshape(-1, 2, 1 << (axis - _IN_WORD))
    return shaped[:, 0], shaped[:, 1]
