"""What is worked out for many at once is what each gives alone, or what a slower way gives."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.ladder.cube_ohms import CubeOhms, cube_states
from controller.ladder.electrical import Output, output_of, states_ohms
from controller.ladder.model import Contacts, Group, GroupKind, Ladder, Relay, Rung
from controller.ladder.orders import Change, excursions_outside, quietest_orders
from controller.ladder.pairs import Pairs, least_worst
from controller.ladder.path import best_path, bits_of, direct_paths
from controller.ladder.search import NearestSearch


def thermistor(ohms):
    """Degrees of a thermistor of 2.8 kohm, kept between bounds as the planner's scale is."""
    per_kelvin = 1 / 298.15 + np.log(np.maximum(ohms, 1e-6) / 2800.0) / 3900.0
    kelvin = 1.0 / np.maximum(per_kelvin, 1e-3)
    return np.where(np.isinf(ohms), -150.0, np.clip(kelvin - 273.15, -150.0, 500.0))


def binary(count, ratio=2.0):
    """A ladder of series rungs that grow by a ratio."""
    relays = tuple(
        Relay(index=i, contact_ohms=0.05, contacts=list(Contacts)[i % 2]) for i in range(count)
    )
    rungs = tuple(Rung(relay=i, ohms=1.3 * ratio**i) for i in range(count))
    return Ladder(
        name="test",
        relay_count=count,
        relays=relays,
        groups=(Group(kind=GroupKind.SERIES, rungs=rungs),),
        lead_ohms=0.1,
        fixed_ohms=60.0,
    )


@given(data=st.data())
def test_a_cube_is_what_its_states_make_to_a_bit(data, ladders):
    ladder = data.draw(ladders(most_rungs=7))
    start = data.draw(st.integers(0, (1 << ladder.relay_count) - 1))
    relays = data.draw(st.permutations(range(ladder.relay_count)))
    relays = relays[: data.draw(st.integers(0, len(relays)))]
    made = CubeOhms(ladder)(start, relays)
    assert made.tolist() == states_ohms(ladder, cube_states(start, relays)).tolist()


def every_walk_relaxed(ladder, change, scale):
    """The least worst excursion of any walk: Bellman's equation until nothing gets better."""
    values = scale(states_ohms(ladder, cube_states(change.start, change.relays)))
    turned = change.start ^ change.end
    goal = sum(1 << axis for axis, relay in enumerate(change.relays) if turned >> relay & 1)
    outside = excursions_outside(values, values[0], values[goal])
    reached = np.full(outside.size, np.inf)
    reached[0] = outside[0]
    corners = np.arange(outside.size)
    while True:
        before = reached.copy()
        for axis in range(len(change.relays)):
            reached = np.minimum(reached, np.maximum(outside, reached[corners ^ (1 << axis)]))
        if np.array_equal(before, reached):
            return float(reached[goal])


@pytest.mark.parametrize("scale", [thermistor, lambda ohms: np.floor(thermistor(ohms))])
@given(data=st.data())
def test_orders_found_together_stray_the_least_that_any_walk_can(data, ladders, scale):
    ladder = data.draw(ladders(most_rungs=6))
    states = st.integers(0, (1 << ladder.relay_count) - 1)
    changes = []
    for start, end in data.draw(st.lists(st.tuples(states, states), min_size=1, max_size=4)):
        further = [r for r in range(ladder.relay_count) if not (start ^ end) >> r & 1]
        more = data.draw(st.sets(st.sampled_from(further))) if further else set()
        changes.append(Change(start, end, (*bits_of(start ^ end), *sorted(more))))
    for change, order in zip(changes, quietest_orders(ladder, changes, scale), strict=True):
        assert order.excursion == every_walk_relaxed(ladder, change, scale)
        walked = [change.start, *order.states]
        assert walked[-1] == change.end
        assert all((a ^ b).bit_count() == 1 for a, b in itertools.pairwise(walked))
        values = scale(states_ohms(ladder, walked))
        assert excursions_outside(values, values[0], values[-1]).max() == order.excursion


@given(data=st.data())
def test_paths_found_together_are_those_found_alone(data, ladders):
    ladder = data.draw(ladders(most_rungs=7))
    states = st.integers(0, (1 << ladder.relay_count) - 1)
    pairs = data.draw(st.lists(st.tuples(states, states), min_size=1, max_size=5))
    alone = [best_path(ladder, *pair, thermistor, detours=0) for pair in pairs]
    assert direct_paths(ladder, pairs, thermistor) == alone


@given(data=st.data())
def test_windows_and_neighbours_of_many_are_those_of_each(data, ladders):
    ladder = data.draw(ladders(most_rungs=8))
    search = NearestSearch(ladder)
    ohms = st.floats(search.least_ohms * 0.5, search.most_ohms * 1.1)
    targets = data.draw(st.lists(ohms, min_size=2, max_size=6))
    assert search.nearest_each_by(targets, thermistor) == [
        search.nearest_by(target, thermistor) for target in targets
    ]
    spans = [(target * 0.9, target * 1.1) for target in targets]
    limit = data.draw(st.integers(1, 9))
    for (low, high), window in zip(spans, search.windows(spans, limit), strict=True):
        alone = search.window(low, high, limit)
        assert (window.total, window.truncated) == (alone.total, alone.truncated)
        assert [c.state for c in window.candidates] == [c.state for c in alone.candidates]


@pytest.mark.parametrize("ratio", [1.35, 1.5])
def test_pairs_too_many_for_a_table_come_to_the_same_where_it_matters(ratio, monkeypatch):
    ladder, rng = binary(12, ratio), np.random.default_rng(5)
    layers = [rng.integers(0, 1 << 12, 4).astype(np.uint64) for _ in range(6)]
    assert all(output_of(ladder, int(s)) is Output.CONNECTED for layer in layers for s in layer)
    looked_up = Pairs(ladder, thermistor)
    monkeypatch.setattr("controller.ladder.pairs._TABLE_BITS", 0)
    worked_out = Pairs(ladder, thermistor)
    for floor in (0.0, 2.0):
        one, other = (pairs.excursions(layers, floor) for pairs in (looked_up, worked_out))
        least = least_worst(one)
        assert least_worst(other) == pytest.approx(least, abs=1e-9)
        for first, second in zip(one, other, strict=True):
            counts = first <= least
            assert np.array_equal(counts, second <= least + 1e-9)
            assert second[counts] == pytest.approx(first[counts], abs=1e-9)
