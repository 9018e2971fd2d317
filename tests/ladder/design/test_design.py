"""Designed ladders: preferred values, closed forms against brute force, files that load again."""

from __future__ import annotations

import itertools
from dataclasses import replace
from pathlib import Path

import eseries
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.errors import InputError
from controller.ladder.design import (
    SERIES,
    Aim,
    Build,
    Catalogue,
    Part,
    catalogue_of_series,
    demand_of,
    designed_ladder,
    load_drawer,
    search_rungs,
)
from controller.ladder.design import search as search_module
from controller.ladder.design.demand import (
    least_rungs,
    lower_bound_celsius,
    nearest_deviations_celsius,
    worst_deviation_celsius,
)
from controller.ladder.design.ladders import base_ohms, ladder_text
from controller.ladder.electrical import states_ohms
from controller.ladder.files import load_ladder
from controller.ladder.search import NearestSearch
from controller.sensors.extension import extended_celsius
from controller.sensors.files import load_sensor

SWEEPS = Path(__file__).parents[3] / "sweeps"
BARE = Build(output_relays=False, contact_ohms=0.0, lead_ohms=0.0)


def demand(sensor="tern-coolant", low=-30.0, high=120.0):
    curve = load_sensor(SWEEPS / "sensors" / f"{sensor}.toml").curve
    return demand_of(sensor, lambda t: float(curve.ohms(t)), extended_celsius(curve), low, high)


def parts(*ohms):
    return tuple(Part(ohms=one, tolerance_percent=0.1) for one in ohms)


@pytest.mark.parametrize("name", SERIES)
def test_a_series_is_that_of_the_standard(name):
    """Oracle: the library `eseries` (IEC 60063)."""
    ours = [part.ohms for part in catalogue_of_series(name, 1.0).parts]
    theirs = list(eseries.erange(eseries.ESeries[name], 1.0, 1e6))
    assert ours == pytest.approx(theirs)


def test_a_series_that_does_not_exist_is_refused():
    with pytest.raises(InputError, match="no series E13"):
        catalogue_of_series("E13", 1.0)


def test_a_drawer_is_read(tmp_path):
    path = tmp_path / "drawer.csv"
    path.write_text(
        "ohms,count,tolerance_percent\n# from the cabinet\n47,3,0.1\n1k,10,1\n47,5,1\n10,0,1\n"
    )
    assert load_drawer(path).parts == (
        Part(ohms=47.0, tolerance_percent=0.1, count=3),
        Part(ohms=1000.0, tolerance_percent=1.0, count=10),
    )


@pytest.mark.parametrize("row", ["47,three,1", "47,1,-1", "47,1,x", "0,1,1", "10,0,1"])
def test_a_drawer_that_makes_no_sense_is_refused(tmp_path, row):
    path = tmp_path / "drawer.csv"
    path.write_text(f"ohms,count,tolerance_percent\n{row}\n")
    with pytest.raises(InputError):
        load_drawer(path)


def test_a_demand_is_the_curve():
    one = demand()
    curve = load_sensor(SWEEPS / "sensors" / "tern-coolant.toml").curve
    for celsius in np.arange(-30.0, 120.1, 7.5):
        ohms = float(curve.ohms(celsius))
        assert one.ohms(float(celsius)) == pytest.approx(ohms, rel=1e-5)
        assert float(one.celsius(np.array([ohms]))[0]) == pytest.approx(celsius, abs=1e-3)


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
    """Six rungs on the coolant sensor from 40 to 110 degC: every state, order and detour."""
    one = demand(low=40.0, high=110.0)
    base = data.draw(st.sampled_from([0.0, 60.0, 130.0]))
    rungs = np.sort([data.draw(st.floats(20.0, 900.0)) for _ in range(6)])
    step, deviation = data.draw(st.sampled_from([(10.0, 4.0), (35.0, 6.0), (70.0, 5.0)]))
    ladder = replace(designed_ladder("x", BARE, parts(*rungs)), fixed_ohms=base)
    values = one.celsius(states_ohms(ladder, np.arange(64, dtype=np.uint64)))
    targets = np.arange(40.0, 110.1, step)
    layers = [[int(i) for i in np.flatnonzero(np.abs(values - t) <= deviation)] for t in targets]
    if not all(layers):
        return
    bound = lower_bound_celsius(one, rungs, base, step, deviation)
    assert bound <= least_over_all_ways(values, layers) + 0.02


EIGHTEEN = "1.5 3 6.2 12 24 47 82 130 180 300 510 820 1300 2200 3900 6800 13000 24000"


def test_the_closed_form_sees_a_gap_in_the_stack():
    """Two rungs from the middle moved to the end: whatever the order, the next one moves more."""
    one = demand()
    fine = np.array([float(text) for text in EIGHTEEN.split()])
    gap = np.sort(np.concatenate([fine[(fine != 300.0) & (fine != 510.0)], [24000.0, 24000.0]]))
    bounds = [lower_bound_celsius(one, rungs, 101.0, 5.0, 0.25) for rungs in (gap, fine)]
    assert bounds[0] > bounds[1] + 1.0 > 1.0
    assert lower_bound_celsius(one, fine[:-1], 101.0, 5.0, 0.25) == np.inf


@pytest.mark.parametrize(
    ("sensor", "low", "high", "rungs", "fixed"),
    [
        (
            "tern-coolant",
            -30.0,
            120.0,
            EIGHTEEN,
            100.0,
        ),
        ("tern-coolant", -30.0, 120.0, "4 8 16 32 64 128 256 512 1024 2048 4096 8192 16384", 91.0),
        ("tern-exhaust-pt1000", 0.0, 300.0, "1 2 3.9 8.2 16 33 62 120 240 470 820", 910.0),
    ],
)
def test_the_deviation_is_what_the_exact_search_finds(sensor, low, high, rungs, fixed):
    one = demand(sensor, low, high)
    values = np.array([float(text) for text in rungs.split()])
    ladder = designed_ladder("x", BARE, parts(*values), parts(fixed)[0])
    search = NearestSearch(ladder)
    targets = np.arange(low, high + 1e-9, 0.02)
    ohms = one.many_ohms(targets)
    made = np.array([candidate.ohms for candidate in search.nearest_many(ohms)])
    off = np.abs(one.celsius(made) - targets)
    assert worst_deviation_celsius(one, values, fixed) == pytest.approx(off.max(), abs=0.02)
    near = nearest_deviations_celsius(one, values, fixed, ohms)
    below = ohms < fixed + values[10] if values.size > 10 else np.full(ohms.shape, True)
    np.testing.assert_allclose(near[below], off[below], atol=0.01)


def test_the_file_is_the_ladder(tmp_path):
    build = Build(rated_operations=100_000, power_watts=0.125)
    chosen, fixed = parts(1.5, 3.0, 47.0, 47.0, 1000.0), parts(100.0)[0]
    path = tmp_path / "ladder.toml"
    path.write_text(ladder_text('A "box"', build, chosen, fixed, ["For the workshop."]))
    assert load_ladder(path) == designed_ladder('A "box"', build, chosen, fixed)
    bare = Build(output_relays=False)
    path.write_text(ladder_text("bare", bare, chosen, None, []))
    assert load_ladder(path) == designed_ladder("bare", bare, chosen)


def quick(catalogue, count=9, *, seed=1, deviation=2.0, few_kinds=False):
    aim = Aim(steps_celsius=(10.0,), deviation_celsius=deviation, few_kinds=few_kinds, tries=60)
    return search_rungs(
        catalogue,
        count,
        [demand(low=0.0, high=100.0)],
        aim,
        build=BARE,
        fixed_ohms=150.0,
        seed=seed,
    )


def test_the_same_seed_finds_the_same_rungs_and_another_may_not():
    catalogue = catalogue_of_series("E96", 1.0)
    first = quick(catalogue)
    assert first is not None
    assert first == quick(catalogue)
    assert len({found.parts for seed in range(4) if (found := quick(catalogue, seed=seed))}) > 1
    ohms = [part.ohms for part in first.parts]
    assert ohms == sorted(ohms)
    found = np.array(ohms)
    one = demand(low=0.0, high=100.0)
    deviation = worst_deviation_celsius(one, found, base_ohms(BARE, 9, 150.0))
    assert first.deviation_celsius == deviation <= 2.0


def test_no_more_parts_are_taken_than_lie_in_the_drawer():
    every = itertools.cycle([1, 2])
    drawer = Catalogue(
        name="drawer",
        parts=tuple(
            replace(part, count=next(every))
            for part in catalogue_of_series("E12", 1.0).parts
            if 10 <= part.ohms <= 10_000
        ),
    )
    for seed in range(3):
        found = quick(drawer, seed=seed)
        if found is not None:
            for part in found.parts:
                assert found.parts.count(part) <= part.count
    with pytest.raises(InputError, match="200 rungs are wanted"):
        quick(drawer, count=200)


def test_the_exact_part_of_the_search_only_improves():
    """Without its exchanges the set is the annealed one: never quieter in the exact search."""
    catalogue = catalogue_of_series("E24", 1.0)
    one = demand(low=0.0, high=100.0)

    def least(found):
        rungs = search_module._Rungs(  # the same question that the search asks
            catalogue,
            9,
            [one],
            Aim(steps_celsius=(10.0,), deviation_celsius=2.0),
            BARE,
            150.0,
            None,
        )
        ohms = [part.ohms for part in catalogue.parts]
        return rungs._limits([ohms.index(part.ohms) for part in found.parts], [0.0])[0]

    both = [
        search_rungs(
            catalogue,
            9,
            [one],
            Aim(steps_celsius=(10.0,), deviation_celsius=2.0, tries=tries),
            build=BARE,
            fixed_ohms=150.0,
            seed=2,
        )
        for tries in (0, 150)
    ]
    annealed, tightened = (least(found) for found in both)
    assert tightened < annealed


def test_what_cannot_be_made_is_not_found():
    assert quick(catalogue_of_series("E12", 1.0), count=4, deviation=0.05) is None


@settings(max_examples=30, deadline=None)
@given(data=st.data())
def test_fewer_rungs_than_stated_never_do(data):
    """Random sets of one rung less than the least leave a target further off: all their states."""
    low, high = data.draw(st.sampled_from([(40.0, 110.0), (0.0, 60.0), (80.0, 100.0)]))
    one, deviation = demand(low=low, high=high), data.draw(st.floats(0.5, 5.0))
    base = one.least_ohms * data.draw(st.sampled_from([0.0, 0.5, 0.9]))
    count = least_rungs(one, base, deviation) - 1
    if not 1 <= count <= 8:
        return
    rungs = [data.draw(st.floats(1.0, one.most_ohms)) for _ in range(count)]
    sums = base + np.array(
        [sum(s) for n in range(count + 1) for s in itertools.combinations(rungs, n)]
    )
    targets = np.arange(low, high + 1e-9, (high - low) / 2000)
    off = np.abs(one.celsius(sums)[:, None] - targets[None, :]).min(axis=0)
    assert off.max() > deviation - 0.02


@pytest.mark.parametrize("deviation", [0.5, 1.0, 4.0])
def test_as_many_rungs_as_stated_do_where_any_value_can_be_had(deviation):
    """The bound is tight: the stack it is read off makes every temperature."""
    one = demand(low=0.0, high=100.0)
    base = 0.999 * one.least_ohms
    rungs = [one.ohms(100.0 - deviation) - base]
    while base + sum(rungs) < one.ohms(deviation):
        here = float(one.celsius(np.array([base + sum(rungs)]))[0])
        rungs.append(one.ohms(here - 2.0 * deviation) - base)
    assert len(rungs) == least_rungs(one, base, deviation)
    sums = np.zeros(1)
    for ohms in rungs:
        sums = np.concatenate([sums, sums + ohms])
    targets = np.arange(0.0, 100.01, 0.05)
    made = one.celsius(base + sums)
    off = np.array([np.abs(made - target).min() for target in targets])
    assert off.max() <= deviation + 0.02
