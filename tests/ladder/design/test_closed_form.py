"""The closed form of many sets of rungs at once: against brute force and the design notes."""

from __future__ import annotations

import random
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.ladder.design import Build, Part, catalogue_of_series, demand_of, designed_ladder
from controller.ladder.design.annealing import annealed, fits, moved
from controller.ladder.design.closed_form import ClosedForm, Coverage, LeastExcursions
from controller.ladder.design.demand import LISTED
from controller.ladder.electrical import states_ohms
from controller.sensors.extension import extended_celsius
from controller.sensors.files import load_sensor

SWEEPS = Path(__file__).parents[3] / "sweeps"
BARE = Build(output_relays=False, contact_ohms=0.0, lead_ohms=0.0)
EIGHTEEN = "1.5 3 6.2 12 24 47 82 130 180 300 510 820 1300 2200 3900 6800 13000 24000"


def demand(sensor="tern-coolant", low=-30.0, high=120.0):
    curve = load_sensor(SWEEPS / "sensors" / f"{sensor}.toml").curve
    return demand_of(sensor, lambda t: float(curve.ohms(t)), extended_celsius(curve), low, high)


def ladder_of(rungs, base):
    parts = tuple(Part(ohms=float(one), tolerance_percent=0.1) for one in rungs)
    return replace(designed_ladder("x", BARE, parts), fixed_ohms=base)


def at_least(one, rungs, base, step, deviation):
    """Return the closed form of one set: the worst of all its rungs."""
    form = LeastExcursions(one, step, np.asarray(rungs), base, deviation)
    return float(form.of_each(np.arange(len(rungs))[None, :]).max())


def least_over_all_ways(values, layers):
    """Return the least worst excursion over all states, orders and detours: brute force.

    For each limit among all excursions there are: spread from stop to stop one relay at a time.
    """

    def keeps(limit):
        reached = {(start, start): True for start in layers[0]}
        ends = set(layers[0])
        for after in layers[1:]:
            arrived = set()
            for start in ends:
                for goal in after:
                    low, high = sorted((values[start], values[goal]))
                    seen, fresh = {start}, [start]
                    while fresh:
                        here = fresh.pop()
                        for axis in range(len(values).bit_length() - 1):
                            there = here ^ (1 << axis)
                            if there in seen or not low - limit <= values[there] <= high + limit:
                                continue
                            seen.add(there)
                            fresh.append(there)
                    if goal in seen:
                        arrived.add(goal)
            ends = arrived
            if not ends:
                return False
        return bool(reached) and bool(ends)

    low, high = 0.0, 300.0
    while high - low > 0.01:
        middle = (low + high) / 2
        low, high = (low, middle) if keeps(middle) else (middle, high)
    return high


@settings(max_examples=25, deadline=None)
@given(data=st.data())
def test_the_closed_form_is_never_above_the_truth(data):
    """Six rungs on a falling and a rising sensor: every state, order and detour."""
    if data.draw(st.booleans()):
        one, bases, most = demand(low=40.0, high=110.0), [0.0, 60.0, 130.0], 900.0
    else:
        one, bases, most = demand("tern-exhaust-pt1000", 40.0, 110.0), [900.0, 1100.0], 150.0
    base = data.draw(st.sampled_from(bases))
    rungs = np.sort([data.draw(st.floats(10.0, most)) for _ in range(6)])
    step, deviation = data.draw(st.sampled_from([(10.0, 4.0), (35.0, 6.0), (70.0, 5.0)]))
    values = one.celsius(states_ohms(ladder_of(rungs, base), np.arange(64, dtype=np.uint64)))
    targets = np.arange(40.0, 110.1, step)
    layers = [[int(i) for i in np.flatnonzero(np.abs(values - t) <= deviation)] for t in targets]
    if not all(layers):
        return
    assert at_least(one, rungs, base, step, deviation) <= least_over_all_ways(values, layers) + 0.02


def test_the_closed_form_sees_a_gap_in_the_stack():
    """Two rungs from the middle moved to the end: whatever the order, the next one moves more."""
    one = demand()
    fine = np.array([float(text) for text in EIGHTEEN.split()])
    gap = np.sort(np.concatenate([fine[(fine != 300.0) & (fine != 510.0)], [24000.0, 24000.0]]))
    bounds = [at_least(one, rungs, 101.0, 5.0, 0.25) for rungs in (gap, fine)]
    assert bounds[0] > bounds[1] + 1.0 > 1.0


@pytest.mark.parametrize(("step", "possible"), [(5.0, 5.08), (1.0, 7.2)])
def test_the_closed_form_is_near_what_is_possible(step, possible):
    """The ladder of the design notes: what an exact search of theirs, and plans, come to on it.

    States up to 0.25 degC off their targets, 100 ohm always in circuit and 1 ohm of contacts.
    """
    rungs = [float(text) for text in EIGHTEEN.split()]
    assert possible * 0.9 <= at_least(demand(), rungs, 101.0, step, 0.25) <= possible


@pytest.mark.parametrize(
    ("sensor", "low", "high", "base", "least", "deviation"),
    [
        ("tern-coolant", -30.0, 120.0, 101.0, 2.0, 3.0),
        ("tern-coolant", 0.0, 100.0, 150.0, 20.0, 2.0),
        ("tern-exhaust-pt1000", 0.0, 300.0, 911.0, 2.0, 0.17),
    ],
)
def test_the_share_of_a_deviation_is_that_of_all_sums(sensor, low, high, base, least, deviation):
    """Rungs at about even ratios: the nearest of all sums to each of many targets.

    Shares are of resistances, so that those well above 1 are only large.
    """
    one, source = demand(sensor, low, high), np.random.default_rng(7)
    count = 14
    top = 0.6 * (one.most_ohms - base)
    ohms = np.geomspace(least, top, 5 * count) * source.uniform(0.97, 1.03, 5 * count)
    ohms = np.sort(ohms)
    sets = np.sort(5 * np.arange(count) + source.integers(0, 5, (20, count)), axis=1)
    form = Coverage(one, ohms, base, deviation)
    targets = np.linspace(low, high, 15_001)
    kept = 0
    for places, below, above in zip(sets, form.below(sets), form.above(sets), strict=True):
        values = states_ohms(ladder_of(ohms[places], base), np.arange(1 << count, dtype=np.uint64))
        made = np.sort(one.celsius(values))
        after = np.clip(np.searchsorted(made, targets), 1, made.size - 1)
        near = np.minimum(np.abs(made[after] - targets), np.abs(made[after - 1] - targets))
        off = near / deviation
        listed = one.many_ohms(targets) < base + ohms[places][LISTED]
        kept += bool(below <= 1.0)
        worst = min(off[listed].max(), 1.3)
        assert min(below, 1.3) <= worst + 0.1
        # A hole right below the first rung not listed counts as one above.
        assert min(max(below, above), 1.3) >= worst - 0.1
        # Further up only holes are seen, and whether all rungs together reach the end.
        reach = off[-1] if one.rising else off[0]
        if values.max() < one.most_ohms:
            assert min(above, 1.3) >= min(reach, 1.3) - 0.1
    assert 0 < kept < len(sets)


def form_for(counts=None):
    ohms = np.array([part.ohms for part in catalogue_of_series("E12", 1.0).parts])
    ohms = ohms[(ohms >= 10) & (ohms <= 10_000)]
    form = ClosedForm(
        [demand(low=0.0, high=100.0), demand("tern-air", 0.0, 90.0)],
        (10.0, 5.0),
        ohms,
        90.0,
        state_celsius=0.1,
        deviation=2.0,
    )
    return form, np.full(ohms.size, np.inf if counts is None else counts)


def test_a_set_is_judged_alone_as_among_others():
    form, counts = form_for()
    sets = moved(np.tile(np.arange(0, 36, 4), (40, 1)), counts.size, random.Random(3))
    for judge in (form.below, form.above, lambda rows: form.of_each(rows).max(axis=(0, 2))):
        together = judge(sets)
        assert [float(judge(row[None, :])[0]) for row in sets] == together.tolist()


def test_moves_stay_among_the_parts_and_counts_are_kept():
    form, counts = form_for(counts=1)
    sets = np.tile(np.arange(0, 36, 4), (200, 1))
    source = random.Random(5)
    for _ in range(20):
        sets = moved(sets, counts.size, source)
        assert (np.diff(sets, axis=1) >= 0).all()
        assert 0 <= sets.min() <= sets.max() < counts.size
        once = np.array([len(set(row)) == len(row) for row in sets.tolist()])
        assert (fits(sets, counts) == once).all()
    assert not once.all()
    start = np.arange(0, 36, 4)[None, :]
    found, costs = annealed(form, lambda e, _: e.max(axis=(0, 2)), start, counts, source, 200)
    assert fits(found, counts).all()
    assert (np.diff(costs) >= 0).all()
    assert len(np.unique(found, axis=0)) == len(found)


def test_annealing_comes_near_the_best_of_all_sets():
    """Five rungs of twelve values: all 4368 sets in turn."""
    form, _ = form_for()
    every = np.array(list(_rising(12, 5))) * 3
    counts = np.full(37, np.inf)

    def cost(excursions, places):
        # Only places that brute force has, too.
        off = (places % 3 != 0).sum(axis=1)
        return excursions.max(axis=(0, 2)) + off

    best = cost(form.of_each(every), every) + 10.0 * np.maximum(
        np.maximum(form.below(every), form.above(every)) - 1.0, 0.0
    )
    start = np.array([[0, 9, 18, 27, 33]])
    _, costs = annealed(form, cost, start, counts, random.Random(1), 600)
    assert costs[0] <= best.min() + 0.6


def _rising(parts, count, first=0):
    if count == 0:
        yield ()
        return
    for one in range(first, parts):
        for rest in _rising(parts, count - 1, one):
            yield (one, *rest)
