"""The proven bound and the quietest way, against every state, order and detour of small ladders."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.ladder import quiet as quiet_module
from controller.ladder.electrical import state_ohms, states_ohms
from controller.ladder.quiet import FINE, PRECISION, Stop, quiet_walks, stop_at_states


def scale(ohms):
    """Return -20 ln(ohm), held at 0.1 mohm and 1 Gohm: about degC."""
    return -20.0 * np.log(np.clip(np.asarray(ohms, dtype=float), 1e-4, 1e9))


def least_from(start, values):
    """Return, from one state to every state, the least excursion over all walks: brute force.

    For each goal: raise the limit through all excursions there are until the walk exists.
    """
    count = len(values)
    axes = (count - 1).bit_length()
    found = []
    for goal in range(count):
        low, high = sorted((values[start], values[goal]))
        outside = np.maximum(np.maximum(low - values, values - high), 0.0)
        for limit in np.unique(outside):
            reached, fresh = {start}, [start]
            while fresh:
                here = fresh.pop()
                for axis in range(axes):
                    there = here ^ (1 << axis)
                    if outside[there] <= limit and there not in reached:
                        reached.add(there)
                        fresh.append(there)
            if goal in reached:
                found.append(float(limit))
                break
    return found


def least_through(layers, values):
    """Return the least worst excursion through layers of states."""
    worst = dict.fromkeys(layers[0], 0.0)
    for before, after in itertools.pairwise(layers):
        costs = {start: least_from(start, values) for start in before}
        worst = {
            goal: min(max(worst[start], costs[start][goal]) for start in before) for goal in after
        }
    return min(worst.values())


def strays_of(ladder, walk):
    """Return the worst excursion of a walk, every change checked to be one relay."""
    worst = 0.0
    for leg, start, goal in zip(walk.legs, walk.states, walk.states[1:], strict=False):
        here = start
        for there in leg:
            assert (here ^ there).bit_count() == 1
            here = there
        assert here == goal
        values = scale(states_ohms(ladder, [start, goal, *leg]))
        low, high = sorted(values[:2])
        worst = max(worst, float((values - high).max()), float((low - values).max()))
    return worst


@st.composite
def stops(draw, ladder, ohms):
    """Return a few stops, each around a value that some state makes."""
    made = []
    for _ in range(draw(st.integers(2, 4))):
        aim = float(ohms[draw(st.integers(0, len(ohms) - 1))])
        low = aim * (1.0 - draw(st.sampled_from([0.0, 0.001, 0.02])))
        high = aim * (1.0 + draw(st.sampled_from([0.0, 0.003, 0.02])))
        made.append(Stop(low_ohms=low, high_ohms=high, aim_ohms=aim))
    return made


@settings(max_examples=settings().max_examples // 2)
@given(data=st.data())
def test_no_way_of_all_ways_is_below_the_bound(data, ladders, every_state):
    """Series and mixed ladders of up to six rungs: all states, orders and detours are tried."""
    ladder = data.draw(ladders(most_rungs=6))
    _, ohms = every_state(ladder)
    finite = ohms[np.isfinite(ohms)]
    line = data.draw(stops(ladder, finite))
    values = scale(ohms)
    layers = [
        np.flatnonzero((ohms >= one.low_ohms * (1 - 1e-12)) & (ohms <= one.high_ohms * (1 + 1e-12)))
        for one in line
    ]
    least = least_through([[int(i) for i in layer] for layer in layers], values)
    found = quiet_walks(ladder, [line], scale)
    assert found is not None
    bound, (walk,) = found
    assert bound <= least + 1e-6
    wide = max(abs(float(np.ptp(scale([one.low_ohms, one.high_ohms])))) for one in line)
    if walk is not None:
        strays = strays_of(ladder, walk)
        assert strays >= least - 1e-9
        # What is open in a cube and the precision of the search are all that it may lose.
        span = float(np.ptp(scale([one.aim_ohms for one in line]))) + 2 * strays + 2 * wide
        assert strays <= least * (1 + 2 * PRECISION) + 2 * wide + 4 * FINE * span + 0.01
        for state, one in zip(walk.states, line, strict=True):
            made = state_ohms(ladder, state)
            assert one.low_ohms * (1 - 1e-8) <= made <= one.high_ohms * (1 + 1e-8)


@settings(max_examples=settings().max_examples // 2)
@given(data=st.data())
def test_between_single_states_the_bound_is_the_truth(data, make_series):
    rungs = [data.draw(st.floats(10.0, 5000.0)) for _ in range(6)]
    ladder = make_series(rungs, contact_ohms=0.05)
    states = [data.draw(st.integers(0, 63)) for _ in range(3)]
    values = scale(states_ohms(ladder, np.arange(64, dtype=np.uint64)))
    least = least_through([[state] for state in states], values)
    bound, (walk,) = quiet_walks(ladder, [[stop_at_states(ladder, [s]) for s in states]], scale)
    assert walk.states == tuple(states)
    assert bound <= least + 1e-6
    span = float(np.ptp(values))
    assert bound >= least * (1 - 2 * PRECISION) - 2 * FINE * (span + 2 * least) - 0.01


def test_rungs_that_need_not_change_are_used_on_the_way(make_series):
    """From a rung of 3 kohm to rungs of 2 and 1 kohm: small helpers that are out at both ends."""
    both = []
    for helpers in ([], [800.0, 400.0, 200.0, 100.0]):
        ladder = make_series([3000.0, 2000.0, 1000.0, *helpers])
        every = (1 << ladder.relay_count) - 1
        start, goal = every ^ 0b001, every ^ 0b110
        values = scale(states_ohms(ladder, np.arange(1 << ladder.relay_count, dtype=np.uint64)))
        line = [stop_at_states(ladder, [start]), stop_at_states(ladder, [goal])]
        bound, (walk,) = quiet_walks(ladder, [line], scale)
        least = least_from(start, values)[goal]
        assert bound == pytest.approx(least, rel=0.03)
        assert strays_of(ladder, walk) == pytest.approx(least, rel=0.03)
        both.append(least)
    assert both[1] < both[0]


@settings(max_examples=settings().max_examples // 2)
@given(data=st.data())
def test_fewer_axes_weaken_the_bound_and_never_raise_it(data, make_series):
    rungs = sorted(data.draw(st.floats(10.0, 5000.0)) for _ in range(7))
    ladder = make_series(rungs, contact_ohms=0.05)
    states = [data.draw(st.integers(0, 127)) for _ in range(3)]
    line = [[stop_at_states(ladder, [s]) for s in states]]
    values = scale(states_ohms(ladder, np.arange(128, dtype=np.uint64)))
    least = least_through([[state] for state in states], values)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(quiet_module, "_MOST_AXES", 3)
        patch.setattr(quiet_module, "_FEWEST_AXES", 3)
        bound, _ = quiet_walks(ladder, line, scale)
    assert bound <= least + 1e-6


def test_a_parallel_group_too_large_proves_nothing(make_parallel):
    ladder = make_parallel([100.0 + i for i in range(17)])
    assert quiet_walks(ladder, [], scale) is None


def test_nothing_to_walk_costs_nothing(make_series):
    ladder = make_series([100.0, 200.0])
    assert quiet_walks(ladder, [], scale) == (0.0, [])
    bound, walks = quiet_walks(ladder, [[stop_at_states(ladder, [0])]], scale)
    assert (bound, walks) == (0.0, [None])
