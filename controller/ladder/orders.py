"""The orders of single relay changes that stray least, for many changes worked out together.

Knows: cubes of states, one axis for each relay that may change, and walks through them.
Must not know: how long a relay takes, what is open or shorted, which relays a detour may use.

An order is a walk from one corner of a cube to another, and strays as far as the worst corner it
passes. The least that any walk strays is found exactly, and among the walks that stray no further
one with the fewest changes. Where that leaves a choice, values near one of the ends are preferred.

A scale costs much the same for one resistance as for hundreds, and most of a cube need not be asked
about: what lies between the two ends in ohm lies between them on every monotone scale. So a walk
between them is looked for first; only where there is none are the other corners judged.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from controller.arrays import FloatArray
from controller.ladder.cube_ohms import CubeOhms
from controller.ladder.lattice import fronts_to, nearer_corners, packed, spread
from controller.ladder.model import Ladder
from controller.ladder.search import Scale

__all__ = ["Change", "Order", "excursions_outside", "quietest_orders"]

_BLOCK = 1 << 19  # corners of the cubes that are worked on together

_NEAR = 1e-9
"""Values this much closer to an end than to zero ohm are judged on the scale, whose last digits
need not rise where the resistance does."""


@dataclass(frozen=True)
class Change:
    """From one state to another by changes of these relays, which include all that differ."""

    start: int
    end: int
    relays: tuple[int, ...]


@dataclass(frozen=True)
class Order:
    """The states after each change, and how far they stray outside the span of the two ends."""

    states: tuple[int, ...]
    excursion: float


def excursions_outside(values: FloatArray, first: FloatArray, second: FloatArray) -> FloatArray:
    """Return how far values lie outside the span of two others (which broadcast); 0 inside.

    An infinite value that is itself an end is inside.
    """
    low, high = np.minimum(first, second), np.maximum(first, second)
    with np.errstate(invalid="ignore"):
        outside = np.where(values > high, values - high, np.where(values < low, low - values, 0.0))
    return np.asarray(outside, dtype=np.float64)


def quietest_orders(ladder: Ladder, changes: Sequence[Change], scale: Scale) -> list[Order]:
    """Return the order that strays least for each change. `scale` as in `best_path`."""
    made = CubeOhms(ladder)
    found: list[Order] = []
    for block in _blocks(changes):
        cubes = [_Cube(change, made(change.start, change.relays)) for change in block]
        _keep_between(cubes, scale)
        _keep_least([cube for cube in cubes if not cube.fronts], scale)
        _walk_back(cubes, scale)
        found += [Order(cube.states(), cube.least) for cube in cubes]
    return found


def _blocks(changes: Sequence[Change]) -> Iterator[list[Change]]:
    block: list[Change] = []
    corners = 0
    for change in changes:
        size = 1 << len(change.relays)
        if block and corners + size > _BLOCK:
            yield block
            block, corners = [], 0
        block.append(change)
        corners += size
    if block:
        yield block


@dataclass(eq=False)
class _Cube:
    """A change while its order is being looked for.

    `ends` are the two ends on the scale. `between` says of each corner whether it is surely inside
    their span; None where the scale does not tell resistances apart there. `outside` is how far
    each corner strays, None where no corner that matters does. `fronts` are the corners that so
    many changes reach, from none up to one less than the goal needs; `walked` is the way back.
    """

    change: Change
    ohms: FloatArray
    goal: int = 0
    ends: tuple[float, float] = (0.0, 0.0)
    between: npt.NDArray[np.bool_] | None = None
    outside: FloatArray | None = None
    least: float = 0.0
    fronts: list[int] = field(default_factory=list)
    walked: list[int] = field(default_factory=list)

    def __post_init__(self) -> None:
        turned = self.change.start ^ self.change.end
        self.goal = sum(1 << a for a, relay in enumerate(self.change.relays) if turned >> relay & 1)
        self.walked = [self.goal]

    @property
    def axes(self) -> int:
        return len(self.change.relays)

    def states(self) -> tuple[int, ...]:
        bits = [1 << relay for relay in self.change.relays]
        return tuple(
            self.change.start ^ sum(bit for axis, bit in enumerate(bits) if corner >> axis & 1)
            for corner in reversed(self.walked[:-1])
        )


def _asked(scale: Scale, parts: Sequence[FloatArray]) -> list[FloatArray]:
    """Return the values of several arrays of resistances, asked for all at once."""
    if not parts:
        return []
    values = scale(np.concatenate(parts))
    return np.split(values, np.cumsum([part.size for part in parts])[:-1])


def _keep_between(cubes: Sequence[_Cube], scale: Scale) -> None:
    """Look for walks that stay between their ends."""
    sure: list[npt.NDArray[np.bool_]] = []
    near: list[npt.NDArray[np.intp]] = []
    parts: list[FloatArray] = []
    for cube in cubes:
        ohms = cube.ohms
        first, last = ohms[0], ohms[cube.goal]
        low, high = min(first, last), max(first, last)
        below, above = low * (1.0 - _NEAR), high * (1.0 + _NEAR)
        inside = (ohms > low * (1.0 + _NEAR)) & (ohms < high * (1.0 - _NEAR))
        inside |= (ohms == first) | (ohms == last)
        doubtful = np.flatnonzero((ohms >= below) & (ohms <= above) & ~inside)
        sure.append(inside)
        near.append(doubtful)
        parts.append(np.concatenate([[first, last, below, above], ohms[doubtful]]))
    for cube, inside, doubtful, values in zip(cubes, sure, near, _asked(scale, parts), strict=True):
        cube.ends = float(values[0]), float(values[1])
        outside = excursions_outside(values[2:], values[0], values[1])
        if not outside[:2].all():
            continue  # beyond an end the scale may stand still: then more is between than it seems
        cube.between = inside
        allowed = inside.copy()
        allowed[doubtful] = outside[2:] <= 0.0
        cube.fronts = fronts_to(0, cube.goal, packed(allowed), cube.axes) or []


def _keep_least(cubes: Sequence[_Cube], scale: Scale) -> None:
    """Find the least that walks stray which cannot stay between their ends."""
    judged = [
        np.arange(cube.ohms.size) if cube.between is None else np.flatnonzero(~cube.between)
        for cube in cubes
    ]
    parts = [cube.ohms[corners] for cube, corners in zip(cubes, judged, strict=True)]
    for cube, corners, values in zip(cubes, judged, _asked(scale, parts), strict=True):
        outside = np.zeros(cube.ohms.size)
        outside[corners] = excursions_outside(values, *np.array(cube.ends)[:, None])
        levels = np.unique(outside)
        low, high, reached = 0, levels.size - 1, 1
        while low < high:  # the last level allows every corner
            middle = (low + high) // 2
            found = spread(reached, packed(outside <= levels[middle]), cube.axes)
            if found >> cube.goal & 1:
                high = middle
            else:
                low, reached = middle + 1, found
        cube.outside, cube.least = outside, float(levels[low])
        allowed = packed(outside <= cube.least)
        cube.fronts = fronts_to(0, cube.goal, allowed, cube.axes) or []


def _walk_back(cubes: Sequence[_Cube], scale: Scale) -> None:
    """Go back from the goals, one change of all cubes at a time."""
    while True:
        undecided = [(cube, tied) for cube in cubes if len(tied := _go_back(cube)) > 1]
        if not undecided:
            return
        counts = [len(tied) for _, tied in undecided]
        made = scale(np.concatenate([cube.ohms[tied] for cube, tied in undecided]))
        first, last = np.repeat([cube.ends for cube, _ in undecided], counts, axis=0).T
        with np.errstate(invalid="ignore"):
            apart = np.minimum(np.abs(made - first), np.abs(made - last))
        # No distance between infinite values that are the same.
        offered = iter(np.nan_to_num(apart, nan=0.0).tolist())
        for cube, tied in undecided:
            cube.walked.append(min((next(offered), corner) for corner in tied)[1])


def _go_back(cube: _Cube) -> list[int]:
    """Go back as long as there is one best corner; return those that are equal, by rising number.

    Nothing is returned where the walk has arrived.
    """
    while (left := len(cube.fronts) + 1 - len(cube.walked)) > 0:
        best = nearer_corners(cube.walked[-1], cube.fronts[left - 1], cube.axes)
        if cube.outside is not None and len(best) > 1:
            strays = cube.outside[best]
            best = [corner for corner, one in zip(best, strays == strays.min(), strict=True) if one]
        if len(best) > 1:
            return sorted(best)
        cube.walked.append(best[0])
    return []
