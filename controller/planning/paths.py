"""The way from one state to the next, as the module at the other end sees it.

Knows: the ladder's paths, that open and short are kept apart by a mid value, ramps.
Must not know: plans, files, links, clocks; how the best order of relays is found.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import TypeAlias

import numpy as np

from controller.ladder.electrical import Output, check_state, output_of, states_ohms
from controller.ladder.model import Ladder, PathStep
from controller.ladder.moves import count_moves
from controller.ladder.path import (
    MOST_EXACT,
    TIME_SPREAD,
    SwitchPath,
    best_path,
    bits_of,
    extremes_between,
    hold_ms,
    longest_relay_ms,
)
from controller.ladder.search import NearestSearch, Scale

__all__ = ["MID_HOLD_MS", "Passed", "Router", "operations", "path_steps", "shown"]

MID_HOLD_MS = 1000
"""How long the mid value is shown between open and short."""

FINEST_RAMP_CELSIUS = 0.5
FINEST_RAMP_S = 0.25
"""A ramp takes no smaller steps than these."""


def operations(start: int, path: Iterable[PathStep]) -> int:
    """Return how many relays move along a path, each counted each time."""
    return count_moves(start, (step.state for step in path))


def path_steps(path: SwitchPath, *, step_ms: int = 0) -> tuple[PathStep, ...]:
    """Return a ladder's path as a link takes it that needs `step_ms` for each change."""
    return tuple(
        PathStep(state=state, hold_ms=hold_ms + step_ms)
        for state, hold_ms in zip(path.states, path.hold_ms, strict=True)
    )


def shown(path: Sequence[PathStep], state: int) -> tuple[PathStep, ...]:
    """Return a path whose last state is held long enough to be seen; `state` when it is empty."""
    hold_ms = max([MID_HOLD_MS, *(step.hold_ms for step in path[-1:])])
    return (*path[:-1], PathStep(state=state, hold_ms=hold_ms))


Passed: TypeAlias = tuple[int, float]
"""A state on the way, and for how many seconds."""


@functools.lru_cache(maxsize=2048)
def _best_path(ladder: Ladder, start: int, goal: int, celsius: Scale, detours: int) -> SwitchPath:
    """Return the quietest path; those of a self-test or of values set by hand come again."""
    return best_path(ladder, start, goal, celsius, detours=detours)


@dataclass(frozen=True, kw_only=True)
class Router:
    """Finds paths on one ladder. `celsius` is the monotone scale the module judges by.

    `mid_state` is what the output shows on the way between a true open and a true short. With
    `together`, the relays of a change are commanded all at once, in place of the quietest order.
    `step_ms` is how long the link takes to make one change: every hold is longer by that.
    """

    ladder: Ladder
    search: NearestSearch
    celsius: Scale
    mid_state: int
    together: bool = False
    step_ms: int = 0
    _known: dict[int, tuple[float, float]] = field(
        default_factory=dict, init=False, repr=False, compare=False
    )  # resistance and temperature of states asked for before

    def steps_of(self, path: SwitchPath) -> tuple[PathStep, ...]:
        """Return a ladder's path as the link takes it."""
        return path_steps(path, step_ms=self.step_ms)

    def path(self, start: int, goal: int) -> tuple[PathStep, ...]:
        """Return the quietest path between two states; nothing when they are the same."""
        ends = {output_of(self.ladder, start), output_of(self.ladder, goal)}
        if ends == {Output.OPEN, Output.SHORT}:
            to_mid = shown(self._direct(start, self.mid_state), self.mid_state)
            return (*to_mid, *self._direct(self.mid_state, goal))
        return self._direct(start, goal)

    def can_ramp(self, start: int, goal: int) -> bool:
        """Return whether both ends are temperatures: to and from open and short nothing ramps."""
        return {output_of(self.ladder, state) for state in (start, goal)} == {Output.CONNECTED}

    def ramp(self, start: int, goal: int, limit_celsius_per_s: float) -> tuple[PathStep, ...]:
        """Return a path through states between the two, monotone in degC, within the rate.

        Between stops the relays move as on any other path.
        """
        stops = [start, *self._stops(start, goal, limit_celsius_per_s), goal]
        temperatures = self.temperatures(stops)
        path: list[PathStep] = []
        for index in range(1, len(stops)):
            part = self._direct(stops[index - 1], stops[index], detours=0)
            if not part:
                continue
            wait_s = abs(temperatures[index] - temperatures[index - 1]) / limit_celsius_per_s
            spent_ms = sum(step.hold_ms for step in part[:-1])
            hold_ms = max(part[-1].hold_ms, math.ceil(wait_s * 1000) - spent_ms)
            path += [*part[:-1], PathStep(state=part[-1].state, hold_ms=hold_ms)]
        return tuple(path)

    def excursion(self, start: int, path: Sequence[PathStep]) -> float:
        """Return how far, in degC, a path may stray outside the span of its two ends.

        The mid value between open and short lies inside their span.
        """
        if not path:
            return 0.0
        states = {state for way in self.ways(start, path) for state, _ in way}
        passed = self.temperatures([start, path[-1].state, *sorted(states)])
        low, high = sorted(passed[:2])
        return max(0.0, low - min(passed), max(passed) - high)

    def ways(self, start: int, path: Sequence[PathStep]) -> tuple[tuple[Passed, ...], ...]:
        """Return what bounds the ways a path may take: states, and how long each may last.

        One way where relays change one at a time. Where some move together there are two, through
        the least and through the most resistance that the moving relays can make, each for as long
        as a relay takes.
        """
        least: list[Passed] = []
        most: list[Passed] = []
        for step in path:
            if (start ^ step.state).bit_count() > 1:
                moving_s = longest_relay_ms(self.ladder) * (1.0 + TIME_SPREAD) / 1000
                for way, state in zip(
                    (least, most), extremes_between(self.ladder, start, step.state), strict=True
                ):
                    way.append((state, moving_s))
            for way in (least, most):
                way.append((step.state, step.hold_ms / 1000))
            start = step.state
        return (tuple(least),) if least == most else (tuple(least), tuple(most))

    def temperatures(self, states: Sequence[int]) -> list[float]:
        """Return the temperature each state stands for, extended beyond the sensor's span."""
        return [celsius for _, celsius in self._made(states)]

    def ohms(self, states: Sequence[int]) -> list[float]:
        """Return the resistance of each state; math.inf for an open circuit."""
        return [ohms for ohms, _ in self._made(states)]

    def _made(self, states: Sequence[int]) -> list[tuple[float, float]]:
        known = self._known
        if unknown := [state for state in dict.fromkeys(states) if state not in known]:
            ohms = states_ohms(self.ladder, [check_state(self.ladder, one) for one in unknown])
            made = zip(ohms.tolist(), self.celsius(ohms).tolist(), strict=True)
            known.update(zip(unknown, made, strict=True))
        return [known[state] for state in states]

    def _direct(self, start: int, goal: int, *, detours: int = MOST_EXACT) -> tuple[PathStep, ...]:
        if self.together:
            return self._at_once(start, goal)
        return self.steps_of(_best_path(self.ladder, start, goal, self.celsius, detours))

    def _at_once(self, start: int, goal: int) -> tuple[PathStep, ...]:
        """Return one change of all relays, held until the slowest of them has settled."""
        held_ms = [
            hold_ms(self.ladder, relay, energise=bool(goal >> relay & 1))
            for relay in bits_of(start ^ goal)
        ]
        return (PathStep(state=goal, hold_ms=max(held_ms) + self.step_ms),) if held_ms else ()

    def _stops(self, start: int, goal: int, limit_celsius_per_s: float) -> list[int]:
        """Return states between two others whose temperatures keep going one way."""
        first, last = self.temperatures([start, goal])
        fine = max(FINEST_RAMP_CELSIUS, FINEST_RAMP_S * limit_celsius_per_s)
        count = math.ceil(abs(last - first) / fine)
        stops: list[int] = []
        reached, sign = first, math.copysign(1.0, last - first)
        for ohms in self._ohms_between(start, goal, count):
            state = self.search.nearest_by(ohms, self.celsius).state
            [made] = self.temperatures([state])
            if sign * (made - reached) > 0 and sign * (last - made) > 0:
                stops.append(state)
                reached = made
        return stops

    def _ohms_between(self, start: int, goal: int, count: int) -> list[float]:
        """Return resistances that stand at even distances in degC between two states."""
        if count < 2:
            return []
        first, last = self.temperatures([start, goal])
        wanted = [first + (last - first) * index / count for index in range(1, count)]
        return self.ohms_at(wanted, start, goal)

    def ohms_at(self, celsius: Sequence[float], start: int, goal: int) -> list[float]:
        """Return the resistances that stand for temperatures between those of two states."""
        ends = self.ohms([start, goal])
        # Wherever the span lies, a scale this fine is straight between its points to much better
        # than the ladder's own steps; every stop is judged by its true temperature anyway.
        ohms = np.geomspace(max(ends[0], 1e-3), max(ends[1], 1e-3), max(8 * (len(celsius) + 1), 64))
        scale = self.celsius(ohms)
        if scale[-1] < scale[0]:
            ohms, scale = ohms[::-1], scale[::-1]
        return [float(value) for value in np.interp(celsius, scale, ohms)]
