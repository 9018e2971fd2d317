"""The exact search against brute force, a published subset table, E series and a MILP solver."""

from __future__ import annotations

import csv
import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.errors import InputError
from controller.ladder import halves as halves_module
from controller.ladder import search as search_module
from controller.ladder.electrical import output_of, state_ohms
from controller.ladder.model import Contacts, GroupKind
from controller.ladder.search import NearestSearch


def reference_rows(rootpath):
    with (rootpath / "tests" / "reference" / "subset_ladder_e24.csv").open() as file:
        return list(csv.DictReader(line for line in file if not line.startswith("#")))


def test_the_exhaustive_e24_table(make_series, pytestconfig):
    """Source: tests/reference/subset_ladder_e24.csv, all 4096 states, ties listed."""
    rungs = [10.0, 20, 39, 82, 160, 330, 620, 1300, 2700, 5100, 10000, 20000]
    search = NearestSearch(make_series(rungs))
    rows = reference_rows(pytestconfig.rootpath)
    assert len(rows) == 23
    for row in rows:
        target = float(row["target_ohm"])
        found = search.nearest(target)
        equally = [float(value) for value in row["all_equally_near"].split()]
        assert min(abs(found.ohms - value) for value in equally) < 1e-4
        assert abs(found.error_ohms) == pytest.approx(abs(float(row["error_ohm"])), abs=1e-4)
        if len(equally) == 1:
            in_circuit = {r for i, r in enumerate(rungs) if not found.state >> i & 1}
            listed = row["states_giving_best"]
            assert in_circuit == (
                set() if listed == "none" else {float(v) for v in listed.split("+")}
            )


def brute_nearest(states, ohms, target, tie):
    """Return the state by the stated rule: smaller error, fewer relays, lower number."""
    error = np.abs(ohms - target)
    tied = states[error <= error.min() + tie]
    return min((int(s) for s in tied), key=lambda s: (s.bit_count(), s)), float(error.min())


def clear_cut(ohms, target, tie):
    """Return whether each error is clearly equal to the least, or clearly larger."""
    behind = np.abs(ohms - target) - np.abs(ohms - target).min()
    return not bool(((behind > tie / 50) & (behind < tie * 4)).any())


@given(data=st.data())
def test_nearest_equals_brute_force(data, ladders, every_state):
    ladder = data.draw(ladders())
    states, ohms = every_state(ladder)
    made = np.isfinite(ohms)
    states, ohms = states[made], ohms[made]
    search = NearestSearch(ladder)
    target = data.draw(
        st.one_of(
            st.floats(0.0, 1.2 * float(ohms.max())),
            st.sampled_from([float(value) for value in ohms[:64]]),
        )
    )
    expected, error = brute_nearest(states, ohms, target, search.tie_ohms)
    found = search.nearest(target)
    assert abs(found.error_ohms) == pytest.approx(error, abs=2 * search.tie_ohms)
    assert found.ohms == state_ohms(ladder, found.state)
    if clear_cut(ohms, target, search.tie_ohms):
        assert found.state == expected


@given(data=st.data())
def test_many_targets_at_once_give_the_same(data, ladders, every_state):
    ladder = data.draw(ladders())
    _, ohms = every_state(ladder)
    ohms = ohms[np.isfinite(ohms)]
    targets = [0.0, *ohms[:20], *(ohms[:20] * 1.01), float(ohms.max()) * 3]
    search = NearestSearch(ladder)
    for target, found in zip(targets, search.nearest_many(targets), strict=True):
        alone = search.nearest(float(target))
        assert abs(found.error_ohms) == pytest.approx(
            abs(alone.error_ohms), abs=2 * search.tie_ohms
        )
        if clear_cut(ohms, target, search.tie_ohms):
            assert found.state == alone.state
            assert found.ohms == pytest.approx(alone.ohms, rel=1e-12)  # not summed in one order
    with pytest.raises(InputError):
        search.nearest_many([1.0, math.inf])


@settings(max_examples=settings().max_examples // 2)
@given(data=st.data())
def test_small_halves_change_nothing(data, ladders, every_state):
    """The same with halves so small that every way of splitting is used."""
    ladder = data.draw(ladders())
    states, ohms = every_state(ladder)
    made = np.isfinite(ohms)
    target = data.draw(st.floats(0.0, 1.2 * float(ohms[made].max())))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(halves_module, "_LARGE_BITS", data.draw(st.integers(1, 5)))
        patch.setattr(search_module, "_NEEDLES_AT_ONCE", 4)
        search = NearestSearch(ladder)
        found = search.nearest(target)
        window = search.window(target * 0.7, target * 1.3, limit=10_000)
    error = float(np.abs(ohms[made] - target).min())
    assert abs(found.error_ohms) == pytest.approx(error, abs=2 * search.tie_ohms, rel=1e-9)
    inside = (ohms >= target * 0.7 - search.tie_ohms) & (ohms <= target * 1.3 + search.tie_ohms)
    assert {c.state for c in window.candidates} == {int(s) for s in states[inside]}


@given(data=st.data())
def test_window_and_best_equal_brute_force(data, ladders, every_state):
    ladder = data.draw(ladders())
    states, ohms = every_state(ladder)
    search = NearestSearch(ladder)
    low = data.draw(st.floats(0.0, 1000.0))
    high = low + data.draw(st.floats(0.0, 5000.0))
    window = search.window(low, high, limit=10_000)
    inside = (ohms >= low - search.tie_ohms) & (ohms <= high + search.tie_ohms)
    assert window.total == int(inside.sum())
    assert not window.truncated
    assert {c.state for c in window.candidates} == {int(s) for s in states[inside]}
    assert [c.ohms for c in window.candidates] == sorted(c.ohms for c in window.candidates)

    few = search.window(low, high, limit=3)
    assert len(few.candidates) == min(3, window.total)
    assert few.truncated == (window.total > 3)
    middle = (low + high) / 2
    nearest = np.sort(np.abs(ohms[inside] - middle))[:3]
    np.testing.assert_allclose(
        sorted(abs(c.error_ohms) for c in few.candidates), nearest, atol=4 * search.tie_ohms
    )


@given(data=st.data())
def test_nearest_on_a_judged_scale_equals_brute_force(data, ladders, every_state):
    ladder = data.draw(ladders())
    _, ohms = every_state(ladder)
    ohms = ohms[np.isfinite(ohms)]

    def beta(r):
        """Return degC of a Beta thermistor, held inside 0.1 ohm to 1e9 ohm."""
        q = np.log(np.clip(r, 0.1, 1e9) / 10_000.0)
        return 1.0 / (1.0 / 298.15 + q / 3950.0) - 273.15

    target = data.draw(st.floats(0.01, 1.2 * float(ohms.max())))
    found = NearestSearch(ladder).nearest_by(target, beta)
    judged = np.abs(beta(ohms) - beta(target))
    assert abs(beta(found.ohms) - beta(target)) == pytest.approx(judged.min(), abs=1e-7)
    assert output_of(ladder, found.state).value == "connected"
    several = [target, 0.5 * target, target]
    one_by_one = [NearestSearch(ladder).nearest_by(one, beta) for one in several]
    assert NearestSearch(ladder).nearest_each_by(several, beta) == one_by_one


def test_the_judged_scale_decides(make_series):
    """Between 100 and 400 ohm, 240 is nearer to 100 in ohm and nearer to 400 in ln(ohm)."""
    search = NearestSearch(make_series([100.0, 300.0]))
    assert search.nearest(240.0).ohms == 300.0
    search = NearestSearch(make_series([100.0, 400.0], senses=None))
    assert search.nearest(240.0).ohms == 100.0
    assert search.nearest_by(240.0, lambda r: np.log(np.maximum(r, 1e-9))).ohms == 400.0


def test_beyond_reach_the_deviation_is_said(make_series):
    search = NearestSearch(make_series([1.0, 2.0, 4.0], contact_ohms=0.05, lead_ohms=0.1))
    above = search.nearest(1000.0)
    assert above.ohms == pytest.approx(7.1)
    assert above.error_ohms == pytest.approx(-992.9)
    below = search.nearest(0.0)
    assert below.error_ohms == pytest.approx(below.ohms)
    assert below.ohms == pytest.approx(search.least_ohms)
    for target in (math.inf, math.nan, -1.0):
        with pytest.raises(InputError):
            search.nearest(target)


def test_many_equal_rungs_tie_by_the_rule(make_series):
    """24 equal rungs: 2.7 million states make the middle value; the rule picks one of them."""
    ladder = make_series([100.0] * 24)
    found = NearestSearch(ladder).nearest(1200.0)
    assert found.error_ohms == 0.0
    assert found.state == (1 << 12) - 1  # twelve bypassed, the lowest number of those
    window = NearestSearch(ladder).window(1100.0, 1300.0, limit=5)
    assert window.truncated
    assert window.total == 2704156 + 2 * 2496144  # binomials (24, 12) and (24, 11)
    assert len(window.candidates) == 5


def test_e96_rungs_make_every_e24_value(make_series):
    """Oracle: the library eseries. Rungs from E96 that less than double reach every E24 value
    of three decades to within half the smallest rung."""
    import eseries

    rungs = [float(eseries.find_nearest(eseries.E96, 2.0 * 1.9**i)) for i in range(16)]
    search = NearestSearch(make_series(rungs))
    values = list(eseries.erange(eseries.E24, 100.0, 10_000.0))
    assert len(values) == 49
    for found in search.nearest_many(values):
        assert abs(found.error_ohms) <= 1.0 + 1e-9


def milp_error(rungs, target):
    """Return the least |sum - target| by branch and cut (scipy.optimize.milp, HiGHS)."""
    from scipy.optimize import Bounds, LinearConstraint, milp

    n = len(rungs)
    row = np.append(rungs, 0.0)
    result = milp(
        c=np.append(np.zeros(n), 1.0),
        integrality=np.append(np.ones(n), 0),
        bounds=Bounds(0, np.append(np.ones(n), np.inf)),
        constraints=[
            LinearConstraint(row - np.append(np.zeros(n), 1.0), -np.inf, target),
            LinearConstraint(row + np.append(np.zeros(n), 1.0), target, np.inf),
        ],
        options={"mip_rel_gap": 0.0},
    )
    assert result.x is not None
    picked = np.round(result.x[:n])
    return abs(float(picked @ rungs) - target)


@pytest.mark.parametrize("target", [137.3, 2490.0, 31415.9, 64000.7])
def test_never_worse_than_branch_and_cut(make_series, target):
    rungs = np.array([2.0, 3.92, 7.68, 15, 29.4, 57.6, 113, 221, 432, 845, 1690, 3240, 6490])
    rungs = np.append(rungs, [12700.0, 24900, 48700])
    found = NearestSearch(make_series(list(rungs))).nearest(target)
    oracle = milp_error(rungs, target)
    assert abs(found.error_ohms) <= oracle + 1e-9
    # HiGHS stops within its feasibility tolerance (1e-6 relative), so it may be a little worse.
    assert oracle - abs(found.error_ohms) < 0.5


def test_forty_rungs_answer(make_series):
    rungs = [round(1.5 * 1.33**i, 2) for i in range(40)]
    search = NearestSearch(make_series(rungs, contact_ohms=0.05))
    for target in (12.3, 5432.1, 250_000.0):
        found = search.nearest(target)
        assert found.ohms == state_ohms(search.ladder, found.state)
    chosen = 0x5A5A5A5A5A
    assert abs(search.nearest(state_ohms(search.ladder, chosen)).error_ohms) <= search.tie_ohms


def test_a_lone_parallel_group_of_twenty_eight(make_parallel):
    ladder = make_parallel([100.0 * 1.25**i for i in range(28)], contact_ohms=0.05, lead_ohms=0.1)
    search = NearestSearch(ladder)
    rng = np.random.default_rng(5)
    for chosen in rng.integers(1, 1 << 28, 10):
        made = state_ohms(ladder, int(chosen))
        found = search.nearest(made)
        assert abs(found.error_ohms) <= 1e-9 * made
    # Never worse than any of a million states taken at random.
    sample = rng.integers(1, 1 << 28, 1_000_000)
    from controller.ladder.electrical import states_ohms

    ohms = states_ohms(ladder, sample)
    for target in (11.3, 250.0, 4321.0):
        assert abs(search.nearest(target).error_ohms) <= np.abs(ohms - target).min() + 1e-9


def test_a_large_parallel_group_beside_series_rungs(make_ladder):
    groups = [
        (GroupKind.PARALLEL, [100.0 * 1.25**i for i in range(24)]),
        (GroupKind.SERIES, [3.0, 7.0, 15.0]),
    ]
    ladder = make_ladder(groups, contact_ohms=0.05, isolate=True)
    search = NearestSearch(ladder)
    chosen = (1 << 27) | (0b101 << 24) | 0x5A5A5A
    made = state_ohms(ladder, chosen)
    assert math.isfinite(made)
    assert abs(search.nearest(made).error_ohms) <= 1e-9 * made


def test_too_large_is_refused_with_the_bound(make_series):
    ladder = make_series([float(i + 1) for i in range(60)])
    with pytest.raises(InputError, match=r"2\^22"):
        NearestSearch(ladder)


def test_normally_closed_contacts_are_searched_too(make_series):
    ladder = make_series([1.0, 2.0, 4.0])
    turned = replace(
        ladder, relays=tuple(replace(r, contacts=Contacts.NORMALLY_CLOSED) for r in ladder.relays)
    )
    assert NearestSearch(ladder).nearest(5.0).state == 0b010
    assert NearestSearch(turned).nearest(5.0).state == 0b101
