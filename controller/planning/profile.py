"""A course of temperature over time, and the steps that follow it."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TypeAlias

__all__ = [
    "LEAST_INTERVAL_S",
    "Profile",
    "TimedStep",
    "furthest_off",
    "place_steps",
    "repeated",
]

LEAST_INTERVAL_S = 0.25
"""Steps of a profile are no closer than this: a ladder takes about as long to change its state."""

_EXACT_SHARE = 0.1
"""Where the course stands still, what is set may be off it by this share of a step."""

Point: TypeAlias = tuple[float, float]
"""Seconds, degC."""


@dataclass(frozen=True, kw_only=True)
class TimedStep:
    """A temperature that is due at a time of the profile."""

    at_s: float
    celsius: float


@dataclass(frozen=True, kw_only=True)
class Profile:
    """A course and the steps that follow it.

    `points` are in the order of their times, the first at zero; between two the course is a
    straight line, two of one time are a jump. What is set differs from the course by half of
    `step_celsius` at most, except where it is so steep that steps would be closer than
    LEAST_INTERVAL_S. `lead_s` is how long the first temperature stands before time begins. A step
    that is set more than `late_after_s` after its time counts as late.
    """

    points: tuple[Point, ...]
    steps: tuple[TimedStep, ...]
    step_celsius: float
    lead_s: float = 10.0
    late_after_s: float = 0.1


def repeated(points: Sequence[Point], times: int) -> tuple[Point, ...]:
    """Return a course run so often, one after another, beginning at zero."""
    began_s, length_s = points[0][0], points[-1][0] - points[0][0]
    return tuple(
        (at_s - began_s + length_s * lap, celsius)
        for lap in range(times)
        for at_s, celsius in (points if lap == 0 else points[points[0][1] == points[-1][1] :])
    )


def place_steps(
    points: Sequence[Point], step_celsius: float, *, least_interval_s: float = LEAST_INTERVAL_S
) -> Iterator[TimedStep]:
    """Yield the steps that follow a course, at least `least_interval_s` apart.

    A new step is due where the course has moved half a step away from what is set, and is set half
    a step ahead of it. A jump is set when it happens; where the course stands still, and at its
    end, its own temperature is set.
    """
    lowest, highest = min(c for _, c in points), max(c for _, c in points)
    half = step_celsius / 2
    now = TimedStep(at_s=points[0][0], celsius=points[0][1])
    yield now
    due_s = now.at_s + least_interval_s
    last = len(points) - 2
    for index, ((start_s, start), (end_s, end)) in enumerate(pairwise(points)):
        at_s = max(start_s, due_s)
        while at_s <= end_s:
            found = _next(now.celsius, at_s, (start_s, start), (end_s, end), half)
            if found is None:
                break
            celsius = min(max(found.celsius, lowest), highest)
            now = TimedStep(at_s=found.at_s, celsius=celsius)
            yield now
            at_s = due_s = now.at_s + least_interval_s
        stands = start == end or index == last
        at_s = max(start_s if start == end else end_s, due_s)
        if stands and at_s <= end_s and abs(end - now.celsius) > _EXACT_SHARE * step_celsius:
            now = TimedStep(at_s=at_s, celsius=end)
            yield now
            due_s = now.at_s + least_interval_s


def furthest_off(points: Sequence[Point], steps: Sequence[TimedStep]) -> tuple[float, float]:
    """Return how far, in degC, what is set is off a course at most, and when; of jumps, after them.

    Steps change at once and the course is straight in between, so it is furthest off at a point
    of the course, or just before or at a step.
    """
    worst, at_worst_s = 0.0, points[0][0]
    ends = [*(step.at_s for step in steps[1:]), math.inf]
    place = 0
    for step, end_s in zip(steps, ends, strict=True):
        # Points of one time are a jump: what lies between its two ends never stands.
        while place + 1 < len(points) and points[place + 1][0] <= step.at_s:
            place += 1
        met = [(step.at_s, _course_at(points, place, step.at_s))]
        inside = place + 1
        while inside < len(points) and points[inside][0] < end_s:
            around = points[inside - 1 : inside + 2]
            if len({at_s for at_s, _ in around}) > 1:
                met.append(points[inside])
            inside += 1
        if inside < len(points):
            met.append((end_s, _course_at(points, inside - 1, end_s)))
        for at_s, celsius in met:
            if abs(celsius - step.celsius) > worst:
                worst, at_worst_s = abs(celsius - step.celsius), at_s
    return worst, at_worst_s


def _course_at(points: Sequence[Point], place: int, at_s: float) -> float:
    """Return a course at a time on the piece that a point begins."""
    (start_s, start), (end_s, end) = points[place], points[min(place + 1, len(points) - 1)]
    return start + (end - start) * (at_s - start_s) / (end_s - start_s) if end_s > start_s else end


def _next(held: float, from_s: float, start: Point, end: Point, half: float) -> TimedStep | None:
    """Return the first step due on a straight piece at `from_s` or later."""
    (start_s, begins), (end_s, ends) = start, end
    slope = (ends - begins) / (end_s - start_s) if end_s > start_s else 0.0
    there = begins + slope * (from_s - start_s) if end_s > start_s else ends
    if abs(there - held) > half * (1 + 1e-9):  # a jump, or too steep to follow in whole steps
        return TimedStep(at_s=from_s, celsius=there)
    if slope == 0.0:
        return None
    way = math.copysign(half, slope)
    at_s = max(from_s, start_s + (held + way - begins) / slope)
    return TimedStep(at_s=at_s, celsius=held + 2 * way) if at_s <= end_s else None
