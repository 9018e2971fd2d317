"""Switching paths against hand work, all permutations, and a graph library's spanning tree."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.errors import InputError
from controller.ladder import path as path_module
from controller.ladder.cube_ohms import cube_states
from controller.ladder.electrical import (
    connected_mask,
    open_state,
    rung_masks,
    short_state,
    state_ohms,
    states_ohms,
)
from controller.ladder.model import GroupKind
from controller.ladder.path import (
    DETOUR_GAIN,
    LATENESS_MS,
    all_at_once_excursion,
    best_path,
    bits_of,
    hold_ms,
)


def in_ohms(ohms):
    return np.asarray(ohms, dtype=float)


def thermistor(ohms):
    """Return degC of a 2.8 kohm Type 1 thermistor, held between about -58 and 177 degC.

    Source: tests/reference/ntc_type1_ratio.csv, the inverse equation in its first line.
    """
    q = np.log(np.clip(np.asarray(ohms, dtype=float) / 2800.0, 0.012, 110.0))
    inverse = 3.3539438e-3 + 2.5646095e-4 * q + 2.5158166e-6 * q**2 + 1.0503069e-7 * q**3
    return 1.0 / inverse - 273.15


def outside(value, first, second):
    low, high = min(first, second), max(first, second)
    return value - high if value > high else low - value if value < low else 0.0


def judged(ladder, state, scale):
    return float(scale(np.array([state_ohms(ladder, state)]))[0])


def best_of_all_orders(ladder, start, end, scale):
    """Return the least worst excursion over all permutations of the changed relays."""
    changed = bits_of(start ^ end)
    first, last = judged(ladder, start, scale), judged(ladder, end, scale)
    strays = {}
    for size in range(len(changed) + 1):
        for some in itertools.combinations(changed, size):
            state = start
            for relay in some:
                state ^= 1 << relay
            strays[state] = outside(judged(ladder, state, scale), first, last)
    best = math.inf
    for order in itertools.permutations(changed):
        state, worst = start, 0.0
        for relay in order:
            state ^= 1 << relay
            worst = max(worst, strays[state])
            if worst >= best:
                break
        best = min(best, worst)
    return best


def test_the_binary_carry_by_hand(make_series):
    """From 32767 to 32768 ohm all sixteen rungs change.

    By hand, in ohm: when the top rung (32768) comes in, the low rungs in circuit make some s.
    Just before, the value is s, that is 32767 - s below the span; just after it is 32768 + s,
    that is s above. The larger of the two is least for s = 16383 or 16384: 16384 ohm.
    All at once anything between 0 and 65535 ohm may appear: 32767 below, 32767 above.
    """
    ladder = make_series([float(2**i) for i in range(16)])
    low_in = 0x8000  # only the top rung bypassed: 32767 ohm
    top_in = 0x7FFF  # only the top rung in circuit: 32768 ohm
    assert (state_ohms(ladder, low_in), state_ohms(ladder, top_in)) == (32767, 32768)
    assert all_at_once_excursion(ladder, low_in, top_in, in_ohms) == 32767
    path = best_path(ladder, low_in, top_in, in_ohms)
    assert path.excursion == 16384
    assert path.exact
    assert path.operations == 16
    made = [state_ohms(ladder, state) for state in path.states]
    assert min(made) >= 32767 - 16384
    assert max(made) <= 32768 + 16384


def test_nothing_to_change(make_series):
    path = best_path(make_series([1.0, 2.0]), 1, 1, in_ohms)
    assert (path.states, path.hold_ms, path.excursion, path.exact) == ((), (), 0.0, True)


def check_sound(ladder, path, end, scale):
    """Assert that a path is what it says: single changes, right end, right excursion, holds."""
    line = [path.start, *path.states]
    assert line[-1] == end
    values = [judged(ladder, state, scale) for state in line]
    assert path.excursion == pytest.approx(
        max(outside(value, values[0], values[-1]) for value in values)
    )
    for before, after, hold in zip(line, line[1:], path.hold_ms, strict=False):
        (relay,) = bits_of(before ^ after)
        made = ladder.relays[relay]
        moving = made.operate_ms if after >> relay & 1 else made.release_ms
        assert hold >= moving + made.bounce_ms + LATENESS_MS
        assert hold == hold_ms(ladder, relay, energise=bool(after >> relay & 1))


@given(data=st.data())
def test_equals_all_permutations(data, ladders):
    """On any ladder, isolate and short relays included, up to six changes."""
    ladder = data.draw(ladders())
    start = data.draw(st.integers(0, (1 << ladder.relay_count) - 1))
    relays = data.draw(
        st.lists(st.integers(0, ladder.relay_count - 1), unique=True, max_size=6).map(sorted)
    )
    end = start
    for relay in relays:
        end ^= 1 << relay
    path = best_path(ladder, start, end, thermistor, detours=0)
    check_sound(ladder, path, end, thermistor)
    brute = best_of_all_orders(ladder, start, end, thermistor)
    # To change a relay twice may do better than any permutation; it never does worse. Behind a
    # short's contact rungs still show by micro-ohms, which the unseen changes accept.
    assert path.excursion <= brute + 1e-3
    if path.operations == len(relays):
        assert path.excursion >= brute - 1e-9
    assert path.excursion <= all_at_once_excursion(ladder, start, end, thermistor) + 1e-9


def test_eight_changes_equal_all_permutations(make_series):
    ladder = make_series([100.0 * 1.9**i for i in range(8)], contact_ohms=0.05)
    for start in (0b10000000, 0b01011010):
        path = best_path(ladder, start, start ^ 0xFF, thermistor)
        brute = best_of_all_orders(ladder, start, start ^ 0xFF, thermistor)
        assert path.operations == 8
        assert path.excursion == pytest.approx(brute, abs=1e-12)


@given(data=st.data())
def test_all_at_once_is_the_worst_of_all_combinations(data, ladders):
    ladder = data.draw(ladders(most_rungs=7))
    most = (1 << ladder.relay_count) - 1
    start, end = data.draw(st.integers(0, most)), data.draw(st.integers(0, most))
    first, last = judged(ladder, start, thermistor), judged(ladder, end, thermistor)
    states = cube_states(start, bits_of(start ^ end))
    worst = max(outside(v, first, last) for v in thermistor(states_ohms(ladder, states)))
    assert all_at_once_excursion(ladder, start, end, thermistor) == pytest.approx(worst)


def spanning_tree_bottleneck(strays, rungs, start, end):
    """Return the minimax excursion between two states of a hypercube, by a spanning tree.

    Oracle: scipy.sparse.csgraph.minimum_spanning_tree. The path between two nodes of a minimum
    spanning tree is a bottleneck path (Hu, Operations Research 9(6), 1961).
    """
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import breadth_first_order, minimum_spanning_tree

    index = np.arange(1 << rungs, dtype=np.int32)  # older scipy takes no other
    rows = np.concatenate([index[index >> axis & 1 == 0] for axis in range(rungs)])
    axes = np.repeat(np.arange(rungs), 1 << (rungs - 1))
    columns = rows | (1 << axes).astype(np.int32)
    weights = 1.0 + np.maximum(strays[rows], strays[columns])  # zero would mean: no edge
    size = 1 << rungs
    tree = minimum_spanning_tree(coo_array((weights, (rows, columns)), shape=(size, size)).tocsr())
    both = (tree + tree.T).tocsr()
    _, parents = breadth_first_order(both, start, directed=False)
    worst, node = 0.0, end
    while node != start:
        worst = max(worst, strays[node], strays[parents[node]])
        node = parents[node]
    return worst


def test_detours_equal_a_spanning_tree_over_all_states(make_series):
    """Over all 4096 states of twelve rungs, and a detour helps at least once."""
    rungs = [20.0, 39, 75, 150, 300, 560, 1100, 2200, 4300, 5100, 9100, 16000]
    ladder = make_series(rungs, contact_ohms=0.05)
    states = np.arange(1 << 12, dtype=np.uint64)
    values = thermistor(states_ohms(ladder, states))
    rng = np.random.default_rng(11)
    helped = 0
    for _ in range(25):
        start, end = (int(s) for s in rng.integers(0, 1 << 12, 2))
        low, high = sorted((values[start], values[end]))
        strays = np.maximum(0.0, np.maximum(values - high, low - values))
        path = best_path(ladder, start, end, thermistor, detour_gain=0.0)
        check_sound(ladder, path, end, thermistor)
        oracle = spanning_tree_bottleneck(strays, 12, start, end)
        assert path.excursion == pytest.approx(oracle, abs=1e-9)
        direct = best_path(ladder, start, end, thermistor, detours=0)
        assert path.excursion <= direct.excursion + 1e-12
        worth = best_path(ladder, start, end, thermistor)
        if path.excursion < direct.excursion * (1.0 - DETOUR_GAIN):
            helped += 1
            assert worth == path
            assert path.operations > direct.operations
        else:
            assert worth == direct
    assert helped > 0


def test_beyond_the_exact_bound_a_good_path_is_still_true(make_series, monkeypatch):
    ladder = make_series([10.0 * 1.6**i for i in range(20)], contact_ohms=0.05)
    start = 0xAAAAA
    path = best_path(ladder, start, start ^ 0xFFFFF, thermistor)
    assert not path.exact
    check_sound(ladder, path, start ^ 0xFFFFF, thermistor)
    together = all_at_once_excursion(ladder, start, start ^ 0xFFFFF, thermistor)
    assert path.excursion < together / 4
    # Where the beam can hold every subset of a size it is exact too: compare.
    exact = best_path(ladder, start, start ^ 0xFFF, thermistor, detours=0)
    monkeypatch.setattr(path_module, "MOST_EXACT", 4)
    beam = best_path(ladder, start, start ^ 0xFFF, thermistor)
    assert not beam.exact
    assert beam.excursion == pytest.approx(exact.excursion, abs=1e-9)


@pytest.fixture
def bench(make_ladder):
    """A series group, a parallel group, isolate and short relays."""
    return make_ladder(
        [(GroupKind.SERIES, [500.0, 1000, 2000]), (GroupKind.PARALLEL, [100.0, 220, 470])],
        contact_ohms=0.05,
        lead_ohms=0.1,
        isolate=True,
        short=True,
    )


def test_out_of_park_the_rungs_move_unseen(bench):
    target = connected_mask(bench) | 0b101010
    path = best_path(bench, 0, target, thermistor)
    assert path.excursion == 0.0
    assert path.states[-1] == target
    isolate = 1 << bench.isolate_relay
    assert all(not state & isolate for state in path.states[:-1])
    assert not path.passes_extreme


def test_out_of_park_any_number_of_rungs_is_exact(make_series):
    """Eighteen relays change, more than the search over orders takes; unseen they need none."""
    ladder = make_series([2.0 * 1.9**i for i in range(17)], isolate=True, short=True)
    target = connected_mask(ladder) | rung_masks(ladder)
    for start, end in ((0, target), (target, 0), (short_state(ladder), 0x1FFFF)):
        path = best_path(ladder, start, end, thermistor)
        assert path.exact
        assert path.excursion == 0.0
        assert path.operations == (start ^ end).bit_count()


def test_into_open_and_short_the_output_relay_moves_first(bench):
    here = connected_mask(bench) | 0b101010
    elsewhere = connected_mask(bench) | 0b010101
    opened = best_path(bench, here, open_state(bench, base=elsewhere), thermistor)
    assert opened.excursion == 0.0
    assert state_ohms(bench, opened.states[0]) == math.inf
    shorted = best_path(bench, here, short_state(bench, base=elsewhere), thermistor)
    assert shorted.excursion == pytest.approx(0.0, abs=1e-9)
    assert state_ohms(bench, shorted.states[0]) < 0.2


def test_from_short_to_open_nothing_else_appears(bench):
    short = short_state(bench, base=connected_mask(bench) | 0b101010)
    opened = open_state(bench, base=connected_mask(bench) | 0b010101)
    for start, end in ((short, opened), (opened, short)):
        path = best_path(bench, start, end, thermistor)
        made = [state_ohms(bench, state) for state in (start, *path.states)]
        assert all(ohms == math.inf or ohms < 0.2 for ohms in made)


def test_between_connected_states_no_extreme_is_passed(bench):
    """To change over the parallel group, one rung is joined before the other leaves."""
    start, end = connected_mask(bench) | 0b001000, connected_mask(bench) | 0b010000
    path = best_path(bench, start, end, thermistor)
    assert not path.passes_extreme
    assert all(math.isfinite(state_ohms(bench, state)) for state in path.states)
    assert path.states[0] == connected_mask(bench) | 0b011000


def test_detours_never_use_the_output_relays(bench):
    free = rung_masks(bench)
    rng = np.random.default_rng(3)
    for _ in range(20):
        start, end = (connected_mask(bench) | int(s) | 0b100000 for s in rng.integers(0, 1 << 6, 2))
        for state in best_path(bench, start, end, thermistor).states:
            assert state & ~free == connected_mask(bench)


def test_states_that_do_not_fit_are_refused(bench):
    with pytest.raises(InputError, match="does not fit"):
        best_path(bench, 0, 1 << 40, in_ohms)
