"""Sets of states as bits: what can be reached from where, one relay at a time, inside a set.

A cube of n axes has 2^n corners; bit i of a corner's number says where it stands along axis i. A
set of corners is one int in which bit c stands for corner c, so that all of them take a step along
an axis at once: a shift. Python's own large integers do that faster than arrays do, up to about a
million corners, and there is no word to fall out of.
"""

from __future__ import annotations

import functools

import numpy as np
import numpy.typing as npt

from controller.arrays import FloatArray

__all__ = ["corners_of", "fronts_to", "nearer_corners", "packed", "shortest_walk", "spread"]


def packed(members: npt.NDArray[np.bool_]) -> int:
    """Return a set from one bool for each corner."""
    return int.from_bytes(np.packbits(members, bitorder="little").tobytes(), "little")


def corners_of(corners: int, axes: int) -> npt.NDArray[np.bool_]:
    """Return one bool for each of the 2^axes corners of a set."""
    data = np.frombuffer(corners.to_bytes(max(1, (1 << axes) // 8), "little"), dtype=np.uint8)
    return np.unpackbits(data, bitorder="little")[: 1 << axes].astype(bool)


def spread(seed: int, allowed: int, axes: int) -> int:
    """Return every corner that walks inside `allowed` reach from the seed (as far as allowed)."""
    found = seed & allowed
    steps = _steps(axes)
    before = -1
    while found != before:
        before = found
        for shift, lower in steps:
            found |= ((found & lower) << shift | found >> shift & lower) & allowed
    return found


def fronts_to(start: int, goal: int, allowed: int, axes: int) -> list[int] | None:
    """Return the sets of corners that so many steps inside `allowed` reach, and no fewer.

    The first is the start alone, the last what is one step from the goal; None without a walk.
    """
    steps = _steps(axes)
    front = seen = 1 << start & allowed
    fronts = []
    while not front >> goal & 1:
        if not front:
            return None
        fronts.append(front)
        further = 0
        for shift, lower in steps:
            further |= (front & lower) << shift | front >> shift & lower
        front = further & allowed & ~seen
        seen |= front
    return fronts


def nearer_corners(corner: int, front: int, axes: int) -> list[int]:
    """Return the neighbours of a corner that are in a front."""
    around = (corner ^ (1 << axis) for axis in range(axes))
    return [one for one in around if front >> one & 1]


def shortest_walk(
    start: int, goal: int, allowed: int, axes: int, outside: FloatArray
) -> list[int] | None:
    """Return the corners after each step of a shortest walk inside `allowed`; None without one.

    Among the shortest, seen from the goal, the next corner is the one with the least `outside`
    (one number for each corner).
    """
    fronts = fronts_to(start, goal, allowed, axes)
    if fronts is None:
        return None
    walk: list[int] = []
    for before in reversed(fronts):
        walk.append(goal)
        nearer = nearer_corners(goal, before, axes)
        goal = min(nearer, key=lambda corner: (outside[corner], corner))
    return walk[::-1]


@functools.cache
def _steps(axes: int) -> tuple[tuple[int, int], ...]:
    """Return for each axis how far apart its neighbours are, and the corners at its beginning."""
    every = (1 << (1 << axes)) - 1
    # Blocks of 2^axis ones, each followed by as many zeros: (2^2^n - 1) / (2^2^axis + 1).
    return tuple((1 << axis, every // ((1 << (1 << axis)) + 1)) for axis in range(axes))
