"""Whole plans against every choice there is, and the counts against the paths."""

from __future__ import annotations

import itertools
import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.errors import InputError
from controller.ladder import pairs as pairs_module
from controller.ladder.electrical import Output, connected_mask, output_of, state_ohms
from controller.ladder.files import load_ladder
from controller.ladder.path import best_path, bits_of
from controller.ladder.search import NearestSearch
from controller.ladder.sequence import StepChoice, connected_choice, plan_sequence
from controller.sensors.extension import extended_celsius
from controller.sensors.files import load_sensor


def scale(ohms):
    """Return ln(ohm), held at 0.1 mohm."""
    return np.log(np.maximum(np.asarray(ohms, dtype=float), 1e-4))


def outside(value, first, second):
    low, high = min(first, second), max(first, second)
    return max(0.0, low - value, value - high)


def least_of_all_orders(ladder, start, end):
    """Return the least worst excursion over all orders in which each relay changes once."""
    changed = bits_of(start ^ end)
    value = {}
    for size in range(len(changed) + 1):
        for some in itertools.combinations(changed, size):
            state = start ^ sum(1 << relay for relay in some)
            value[state] = float(scale([state_ohms(ladder, state)])[0])
    worst = {start: 0.0}
    for size in range(1, len(changed) + 1):
        for some in itertools.combinations(changed, size):
            state = start ^ sum(1 << relay for relay in some)
            before = min(worst[state ^ (1 << relay)] for relay in some)
            worst[state] = max(before, outside(value[state], value[start], value[end]))
    return worst[end]


@settings(max_examples=settings().max_examples // 4)
@given(data=st.data())
def test_equals_every_choice(data, make_series):
    """Six rungs, three steps of up to three candidates: all choices, all orders."""
    rungs = [data.draw(st.floats(10.0, 5000.0)) for _ in range(6)]
    ladder = make_series(rungs, contact_ohms=0.05)
    start = data.draw(st.integers(0, 63))
    layers = [
        data.draw(st.lists(st.integers(0, 63), min_size=1, max_size=3, unique=True))
        for _ in range(3)
    ]
    steps = [StepChoice(output=Output.CONNECTED, states=tuple(layer)) for layer in layers]
    plan = plan_sequence(ladder, start, steps, scale, detours=False)

    costs = {}
    for before, after in itertools.pairwise([[start], *layers]):
        for pair in itertools.product(before, after):
            costs[pair] = least_of_all_orders(ladder, *pair)
    choices = []
    for choice in itertools.product(*layers):
        pairs = list(itertools.pairwise([start, *choice]))
        operations = sum((a ^ b).bit_count() for a, b in pairs)
        choices.append((max(costs[pair] for pair in pairs), operations))
    least = min(worst for worst, _ in choices)
    assert plan.least_excursion == pytest.approx(least, abs=1e-9)
    fewest = min(operations for worst, operations in choices if worst <= least + 1e-12)
    chosen = [start, *plan.states]
    assert sum((a ^ b).bit_count() for a, b in itertools.pairwise(chosen)) == fewest
    assert plan.worst_excursion <= least + 1e-9


@settings(max_examples=settings().max_examples // 4)
@given(data=st.data())
def test_values_worked_out_equal_values_looked_up(data, ladders):
    ladder = data.draw(ladders(most_rungs=6))
    relays = [r.relay for group in ladder.groups for r in group.rungs]

    def some_state():
        state = connected_mask(ladder)
        for relay in relays:
            state |= data.draw(st.booleans()) << relay
        return state

    steps = [
        StepChoice(output=Output.CONNECTED, states=(some_state(), some_state())) for _ in range(3)
    ]
    start = some_state()
    plan = plan_sequence(ladder, start, steps, scale)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(pairs_module, "_TABLE_BITS", 0)
        assert plan_sequence(ladder, start, steps, scale) == plan
        patch.setattr(pairs_module, "_EXACT_PAIR", 1)
        rough = plan_sequence(ladder, start, steps, scale, detours=False)
    exact = plan_sequence(ladder, start, steps, scale, detours=False)
    assert rough.least_excursion >= exact.least_excursion - 1e-9


@pytest.mark.parametrize("name", ["bench-16", "designed-18"])
def test_no_step_of_a_long_sweep_is_noisier_than_the_best_order(name):
    """The coolant sensor in steps of 5 degC, where the worst step forgives several degC."""
    sweeps = Path(__file__).parents[2] / "sweeps"
    curve = load_sensor(sweeps / "sensors" / "tern-coolant.toml").curve
    celsius = extended_celsius(curve)
    ladder = load_ladder(sweeps / "ladders" / f"{name}.toml")
    search = NearestSearch(ladder)
    steps = []
    for target in range(-30, 121, 5):
        low, aim, high = sorted(float(curve.ohms(target + off)) for off in (-0.15, 0.0, 0.15))
        steps.append(connected_choice(search, aim, low, high, celsius))
    steps += steps[-2::-1]
    plan = plan_sequence(ladder, steps[0].states[0], steps, celsius)
    for path in plan.paths:
        if path.states:
            best = best_path(ladder, path.start, path.states[-1], celsius, detours=0)
            assert path.excursion <= best.excursion + 1e-6


def test_open_and_short_steps_follow_from_the_ladder(make_series, make_parallel):
    ladder = make_series([100.0, 200, 400, 800], contact_ohms=0.05, isolate=True, short=True)
    search = NearestSearch(ladder)
    value = connected_choice(search, 700.0, 690.0, 710.0, scale)
    steps = [
        value,
        StepChoice(output=Output.OPEN),
        StepChoice(output=Output.SHORT),
        value,
        StepChoice(output=Output.SHORT),
    ]
    plan = plan_sequence(ladder, 0, steps, scale)
    assert [output_of(ladder, state) for state in plan.states] == [step.output for step in steps]
    assert plan.worst_excursion == pytest.approx(0.0, abs=1e-3)
    assert not any(path.passes_extreme for path in plan.paths)
    with pytest.raises(InputError, match="no short relay"):
        plan_sequence(make_parallel([1.0]), 1, [StepChoice(output=Output.SHORT)], scale)


def test_a_ladder_without_isolate_relay_refuses_an_open_step(make_series):
    with pytest.raises(InputError, match="cannot make an open circuit"):
        plan_sequence(make_series([1.0]), 0, [StepChoice(output=Output.OPEN)], scale)


def test_counts_are_those_of_the_paths(make_series):
    ladder = make_series([10.0 * 1.8**i for i in range(10)], contact_ohms=0.05)
    search = NearestSearch(ladder)
    targets = [100.0, 250, 700, 1500, 3000, 1500, 700, 250, 100]
    steps = [connected_choice(search, t, 0.98 * t, 1.02 * t, scale) for t in targets]
    plan = plan_sequence(ladder, 0, steps, scale)
    counted = [0] * ladder.relay_count
    state = 0
    for path in plan.paths:
        for after in path.states:
            (relay,) = bits_of(state ^ after)
            counted[relay] += 1
            state = after
    assert plan.operations_per_relay == tuple(counted)
    assert plan.relay_operations == sum(counted)
    assert plan.worst_excursion == max(path.excursion for path in plan.paths)
    for state, target in zip(plan.states, targets, strict=True):
        assert 0.98 * target <= state_ohms(ladder, state) <= 1.02 * target
    # Choice lowers or keeps what nearest states alone would do.
    alone = [StepChoice(output=Output.CONNECTED, states=step.states[:1]) for step in steps]
    only = plan_sequence(ladder, 0, alone, scale)
    assert plan.least_excursion <= only.least_excursion
    assert (plan.least_excursion, plan.relay_operations) < (
        only.least_excursion + 1e-12,
        only.relay_operations,
    )


def test_at_equal_cost_the_less_used_relay_is_taken(make_series):
    """Two equal rungs: to and fro between 100 and 200 ohm either may switch."""
    ladder = make_series([100.0, 100.0])
    steps = [
        StepChoice(output=Output.CONNECTED, states=states) for states in [(0b01, 0b10), (0b00,)]
    ]
    tired_first = plan_sequence(ladder, 0, steps, scale, prior_operations=[1000, 10])
    assert tired_first.operations_per_relay == (0, 2)
    tired_second = plan_sequence(ladder, 0, steps, scale, prior_operations=[10, 1000])
    assert tired_second.operations_per_relay == (2, 0)
    many = plan_sequence(ladder, 0, steps * 10, scale)
    assert many.relay_operations == 20


def test_a_step_without_states_is_a_mistake_of_ours():
    with pytest.raises(ValueError, match="at least one state"):
        StepChoice(output=Output.CONNECTED)


def test_candidates_are_the_nearest_and_those_between(make_series):
    search = NearestSearch(make_series([1.0, 2.0, 4.0, 8.0, 8.0]))
    choice = connected_choice(search, 10.2, 11.0, 9.5, scale)
    made = [state_ohms(search.ladder, state) for state in choice.states]
    assert made[0] == 10.0
    assert sorted(made) == [10.0, 10.0, 11.0, 11.0]  # either rung of 8 ohm
    assert connected_choice(search, 10.2, 9.5, 11.0, scale, limit=1).states == choice.states[:1]


def test_an_empty_plan_costs_nothing(make_series):
    plan = plan_sequence(make_series([1.0]), 0, [], scale)
    assert (plan.states, plan.worst_excursion, plan.relay_operations) == ((), 0.0, 0)


def test_many_rungs_are_planned_with_bounded_work(make_series):
    """Twenty-four rungs: more relays change than are judged exactly, and paths are still sound."""
    ladder = make_series([round(2 * 1.5**i, 2) for i in range(24)], contact_ohms=0.05)
    search = NearestSearch(ladder)
    targets = [100.0, 1000.0, 10_000.0, 500.0]
    steps = [connected_choice(search, t, 0.99 * t, 1.01 * t, scale) for t in targets]
    plan = plan_sequence(ladder, 0, steps, scale)
    assert math.isfinite(plan.worst_excursion)
    for path, state in zip(plan.paths, plan.states, strict=True):
        assert path.states[-1] == state
        again = best_path(ladder, path.start, state, scale, detours=0)
        assert path.excursion <= again.excursion + 1e-12
