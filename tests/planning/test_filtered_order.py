"""Orders of relay changes chosen for what a module's filter leaves of them."""

from __future__ import annotations

import itertools
from pathlib import Path

import pytest

from controller.ladder.files import load_ladder
from controller.ladder.model import PathStep
from controller.planning.filtered_order import filtered_order
from controller.planning.resolve import make_router, resolve_on
from controller.planning.transition import transition
from controller.records.inputs import load_inputs

SWEEPS = Path(__file__).resolve().parents[2] / "sweeps"


@pytest.fixture(scope="module")
def both(tmp_path_factory):
    """The demonstration's sweep, resolved as it stands and with the key."""
    folder = tmp_path_factory.mktemp("plans")
    text = (SWEEPS / "coolant-sweep.toml").read_text("utf-8")
    for folder_name in ("sensors", "modules", "benches", "ladders"):
        (folder / folder_name).symlink_to(SWEEPS / folder_name)
    (folder / "asked.toml").write_text(f"quiet_after_filter = true\n{text}", encoding="utf-8")
    plain = load_inputs(SWEEPS / "coolant-sweep.toml")
    asked = load_inputs(folder / "asked.toml")
    return plain, resolve_on(plain.plan, plain.bench), resolve_on(asked.plan, asked.bench)


def test_states_stay_and_no_step_gets_louder_behind_the_filter(both):
    _, plain, asked = both
    assert [step.state for step in asked.steps] == [step.state for step in plain.steps]
    for one, other in zip(plain.steps, asked.steps, strict=True):
        assert other.filtered_excursion_celsius <= one.filtered_excursion_celsius
    louder = [
        sum(step.filtered_excursion_celsius > 0.1 for step in p.steps) for p in (plain, asked)
    ]
    assert louder[1] < louder[0] / 1.5


def test_the_limit_at_the_input_is_kept_and_each_path_leads_to_its_state(both):
    inputs, plain, asked = both
    limit = inputs.plan.max_excursion_celsius
    state = asked.park_state
    for step in asked.steps:
        assert step.excursion_celsius <= limit
        for passed in step.path:
            assert (state ^ passed.state).bit_count() == 1
            state = passed.state
        assert state == step.state
    assert asked.relay_operations <= plain.relay_operations


def test_the_relays_as_they_move_confirm_it(both):
    """The other way to know: each contact moves and bounces in time, and the filter follows."""
    inputs, plain, asked = both
    ladder, module, curve = inputs.bench.ladder, inputs.module, inputs.plan.sensor.curve
    scale = make_router(ladder, curve, inputs.bench.switching).celsius
    changed = [
        at
        for at in range(1, len(plain.steps))
        if plain.steps[at].filtered_excursion_celsius
        > asked.steps[at].filtered_excursion_celsius + 0.2
    ]
    assert changed
    for at in changed:
        strays = [
            transition(
                ladder, module, plan.steps[at - 1].state, plan.steps[at].path, scale, seeds=1
            ).by_path.filtered_excursion_celsius
            for plan in (plain, asked)
        ]
        assert strays[1] < strays[0] - 0.1


@pytest.mark.parametrize("relays", [3, 5, 6])
def test_what_is_taken_is_the_least_of_all_orders_that_keep_the_limit(relays):
    """Two measures made up from the order alone; up to five relays every order is looked at."""
    ladder = load_ladder(SWEEPS / "ladders" / "bench-16.toml")
    end = (1 << relays) - 1

    def at_input(path):
        return float(path[0].state.bit_length())  # first relay n strays n + 1

    def filtered(path):
        return 1.0 + sum(at * step.state for at, step in enumerate(path)) % 97

    start_path = [PathStep(state=(2 << n) - 1, hold_ms=9) for n in range(relays)]
    found = filtered_order(
        ladder, 0, start_path, at_input=at_input, filtered=filtered, limit_celsius=2.0
    )
    every = []
    for order in itertools.permutations(range(relays)):
        states = list(itertools.accumulate((1 << n for n in order), lambda a, b: a ^ b))
        every.append([PathStep(state=state, hold_ms=9) for state in states])
    least = min(filtered(path) for path in every if at_input(path) <= 2.0)
    assert found[-1].state == end
    assert at_input(found) <= 2.0
    assert filtered(found) <= filtered(start_path)
    if relays <= 5:
        assert filtered(found) == least
