"""Pieces of paths and ramps; the best order itself is tested beside the ladder."""

from __future__ import annotations

import itertools
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.ladder.files import load_ladder
from controller.ladder.model import Ladder, PathStep, Relay
from controller.ladder.path import longest_relay_ms
from controller.planning.paths import MID_HOLD_MS, operations
from controller.planning.resolve import make_router
from controller.run.pieces import in_pieces, reversed_path
from controller.sensors.files import load_sensor

SWEEPS = Path(__file__).parents[2] / "sweeps"

PATHS = st.lists(
    st.builds(PathStep, state=st.integers(0, 15), hold_ms=st.integers(1, 9000)), max_size=30
)


@pytest.fixture(scope="module")
def router():
    return make_router(
        load_ladder(SWEEPS / "ladders" / "bench-16.toml"),
        load_sensor(SWEEPS / "sensors" / "tern-coolant.toml").curve,
    )


def at(router, celsius: float) -> int:
    curve = load_sensor(SWEEPS / "sensors" / "tern-coolant.toml").curve
    return router.search.nearest_by(float(curve.ohms(celsius)), router.celsius).state


@given(PATHS, st.floats(0.05, 1.0))
def test_pieces_do_what_the_path_does_and_take_as_long(path, longest_s):
    pieces = list(in_pieces(path, longest_s))
    assert [s.state for piece, _ in pieces for s in piece] == [s.state for s in path]
    took_s = sum(sum(s.hold_ms for s in piece) / 1000 + wait_s for piece, wait_s in pieces)
    assert took_s == pytest.approx(sum(s.hold_ms for s in path) / 1000)
    for piece, wait_s in pieces:
        assert piece
        assert wait_s >= 0
        assert sum(s.hold_ms for s in piece) <= max(1, longest_s * 1000)


@given(PATHS, st.integers(0, 15))
def test_the_way_back_passes_the_same_states_the_other_way_round(path, start):
    ladder = Ladder(
        name="l",
        relay_count=4,
        relays=tuple(Relay(index=i, operate_ms=3.2, bounce_ms=1.0) for i in range(4)),
        groups=(),
    )
    back = reversed_path(path, start, ladder)
    there = [start, *(s.state for s in path)]
    assert [s.state for s in back] == there[-2::-1]
    assert all(s.hold_ms >= longest_relay_ms(ladder) for s in back)
    assert longest_relay_ms(ladder) == 6  # the slower of 3.2 and 5.0, and 1.0 of bounce


def test_open_and_short_are_reached_in_one_move_and_left_towards_the_goal(router):
    ladder = router.ladder
    isolate, short = 1 << ladder.isolate_relay, 1 << ladder.short_relay
    warm, cold = at(router, 40.0), at(router, -20.0)
    to_open = router.path(warm, warm ^ isolate)
    assert [s.state for s in to_open] == [warm ^ isolate]
    to_short = router.path(warm, warm ^ short)
    assert [s.state for s in to_short] == [warm ^ short]
    for extreme in (warm ^ isolate, warm ^ short):
        out = router.path(extreme, cold)
        shown = router.temperatures([extreme, *(s.state for s in out)])
        # Nothing is seen but the extreme, until the last move shows the goal.
        assert max(abs(t - shown[0]) for t in shown[:-1]) < 1.0
        assert shown[-1] == pytest.approx(-20.0, abs=0.1)
        assert router.excursion(extreme, out) < 1e-6


def test_between_open_and_short_the_mid_value_is_shown(router):
    ladder = router.ladder
    warm = at(router, 40.0)
    opened, shorted = warm ^ (1 << ladder.isolate_relay), warm ^ (1 << ladder.short_relay)
    for start, goal in ((opened, shorted), (shorted, opened)):
        path = router.path(start, goal)
        assert path[-1].state == goal
        [mid] = [s for s in path if s.state == router.mid_state]
        assert mid.hold_ms == MID_HOLD_MS
        assert router.temperatures([mid.state])[0] == pytest.approx(47.5, abs=0.1)


@settings(max_examples=settings().max_examples // 10)
@given(st.floats(-30, 120), st.floats(-20, 20), st.sampled_from([0.5, 2.0, 20.0]))
def test_a_ramp_keeps_its_rate_and_never_turns_round(router, first, change, limit):
    start, goal = at(router, first), at(router, min(max(first + change, -30.0), 120.0))
    path = router.ramp(start, goal, limit)
    if start == goal:
        assert path == ()
        return
    assert path[-1].state == goal
    # A stop is where a hold is longer than any relay needs.
    ends = router.temperatures([start, goal])
    sign = 1.0 if ends[1] >= ends[0] else -1.0
    needs = 12
    stops, spent_ms = [(0.0, ends[0])], 0
    for step in path:
        made = router.temperatures([step.state])[0]
        if step.hold_ms > needs:
            stops.append((spent_ms / 1000, made))
        spent_ms += step.hold_ms
    stops.append((spent_ms / 1000, ends[1]))
    for (_, before), (_, after) in itertools.pairwise(stops):
        assert sign * (after - before) >= -1e-9
    # The whole takes at least as long as the rate asks for, and not much longer.
    least_s = abs(ends[1] - ends[0]) / limit
    assert spent_ms / 1000 >= least_s - 1e-6
    assert spent_ms / 1000 <= least_s + 0.02 * operations(start, path) + 0.01


def test_operations_count_every_relay_that_moves():
    path = [PathStep(state=s, hold_ms=1) for s in (1, 3, 3, 8)]
    assert operations(0, path) == 1 + 1 + 0 + 3
