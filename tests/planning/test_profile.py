"""Where the steps of a profile are placed: near the course, in time, never too close."""

from __future__ import annotations

from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from controller.planning.profile import LEAST_INTERVAL_S, furthest_off, place_steps, repeated


def course_at(points: list[tuple[float, float]], at_s: float) -> list[float]:
    """Return what the course says at a time: both values at a jump."""
    said = []
    for (start_s, start), (end_s, end) in pairwise(points):
        if start_s <= at_s <= end_s:
            if end_s == start_s:
                said += [start, end]
            else:
                said.append(start + (end - start) * (at_s - start_s) / (end_s - start_s))
    return said


@st.composite
def courses(draw: st.DrawFn) -> list[tuple[float, float]]:
    points = [(0.0, draw(st.floats(-30, 120)))]
    for _ in range(draw(st.integers(1, 8))):
        wait_s = draw(st.sampled_from([0.0, 0.1, 1.0, 30.0, 600.0]))
        points.append((points[-1][0] + wait_s, draw(st.floats(-30, 120))))
    points.append((points[-1][0] + 10.0, points[-1][1]))
    return points


@given(courses(), st.floats(0.2, 10.0))
def test_what_is_set_is_near_the_course(points: list[tuple[float, float]], step: float) -> None:
    steps = list(place_steps(points, step))
    last_s = points[-1][0]
    assert (steps[0].at_s, steps[0].celsius) == points[0]
    lowest, highest = min(c for _, c in points), max(c for _, c in points)
    fastest = max(
        (abs(b - a) / (tb - ta) for (ta, a), (tb, b) in pairwise(points) if tb > ta), default=0.0
    )
    jumps = any(ta == tb for (ta, _), (tb, _) in pairwise(points))
    for before, after in pairwise(steps):
        assert after.at_s - before.at_s >= LEAST_INTERVAL_S - 1e-9
    for one in steps:
        assert 0.0 <= one.at_s <= last_s
        assert lowest - 1e-9 <= one.celsius <= highest + 1e-9
    if jumps or fastest * LEAST_INTERVAL_S > step / 2:
        return  # too steep to follow everywhere
    for index in range(201):
        at_s = last_s * index / 200
        held = [one for one in steps if one.at_s <= at_s + 1e-9][-1].celsius
        off = min(abs(held - said) for said in course_at(points, at_s))
        # A step that falls due during the interval after another one is set at its end.
        assert off <= step / 2 + fastest * LEAST_INTERVAL_S + 1e-6


@given(courses(), st.floats(0.2, 10.0))
def test_how_far_off_the_course_it_gets_is_what_looking_often_finds(
    points: list[tuple[float, float]], step: float
) -> None:
    steps = list(place_steps(points, step))
    worst, _ = furthest_off(points, steps)
    last_s, seen = points[-1][0], 0.0
    looks = {last_s * (index + 0.5) / 400 for index in range(400)}
    looks |= {at_s + off for at_s, _ in points for off in (-1e-7, 1e-7)}
    looks |= {one.at_s + off for one in steps for off in (-1e-7, 1e-7)}
    for at_s in looks:
        if 0.0 < at_s < last_s and all(at_s != point for point, _ in points):
            held = [one for one in steps if one.at_s <= at_s][-1].celsius
            seen = max(seen, *(abs(held - said) for said in course_at(points, at_s)))
    assert abs(worst - seen) < 0.01


def test_a_course_that_is_over_before_the_next_step_is_far_off() -> None:
    points = [(0.0, -30.0), (0.1, 120.0), (0.2, -30.0)]
    assert furthest_off(points, list(place_steps(points, 2.0))) == (150.0, 0.1)


def test_what_a_course_comes_to_before_a_jump_counts() -> None:
    points = [(0.0, 0.0), (0.2, 5.0), (0.2, 0.0), (5.0, 0.0)]
    assert furthest_off(points, list(place_steps(points, 2.0))) == (5.0, 0.2)


def test_a_slow_ramp_is_followed_in_whole_steps_half_a_step_ahead() -> None:
    steps = list(place_steps([(0.0, 10.0), (100.0, 20.0)], 2.0))
    assert [(round(s.at_s, 6), round(s.celsius, 6)) for s in steps] == [
        (0.0, 10.0),
        (10.0, 12.0),
        (30.0, 14.0),
        (50.0, 16.0),
        (70.0, 18.0),
        (90.0, 20.0),
    ]


def test_a_jump_is_set_when_it_happens() -> None:
    steps = list(place_steps([(0.0, 20.0), (60.0, 20.0), (60.0, 110.0), (90.0, 110.0)], 1.0))
    assert [(s.at_s, s.celsius) for s in steps] == [(0.0, 20.0), (60.0, 110.0)]


def test_a_noisy_log_that_moves_less_than_half_a_step_sets_nothing() -> None:
    log = [(float(second), 80.0 + 0.2 * (-1) ** second) for second in range(100)]
    assert len(list(place_steps(log, 1.0))) <= 2  # the first, and the end's own temperature


def test_cycles_follow_one_another() -> None:
    cycle = [(5.0, 84.0), (65.0, 88.0), (125.0, 84.0)]
    assert repeated(cycle, 2) == (
        (0.0, 84.0),
        (60.0, 88.0),
        (120.0, 84.0),
        (180.0, 88.0),
        (240.0, 84.0),
    )
