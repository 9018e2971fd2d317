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
    nearest_states_ohms,
    worst_deviation_celsius,
)
from controller.ladder.design.ladders import base_ohms, ladder_text
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


EIGHTEEN = "1.5 3 6.2 12 24 47 82 130 180 300 510 820 1300 2200 3900 6800 13000 24000"


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
    made_here = nearest_states_ohms(one, values, fixed, ohms)
    np.testing.assert_allclose(np.abs(one.celsius(made_here) - targets), off, atol=0.01)


def test_the_file_is_the_ladder(tmp_path):
    build = Build(rated_operations=100_000, power_watts=0.125)
    chosen, fixed = parts(1.5, 3.0, 47.0, 47.0, 1000.0), parts(100.0)[0]
    path = tmp_path / "ladder.toml"
    path.write_text(ladder_text('A "box"', build, chosen, fixed, ["For the workshop."]))
    assert load_ladder(path) == designed_ladder('A "box"', build, chosen, fixed)
    bare = Build(output_relays=False)
    path.write_text(ladder_text("bare", bare, chosen, None, []))
    assert load_ladder(path) == designed_ladder("bare", bare, chosen)


def quick(catalogue, count=9, *, seed=1, deviation=2.0, tries=30):
    aim = Aim(steps_celsius=(10.0,), deviation_celsius=deviation, rounds=150, tries=tries)
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
    assert first
    assert first == quick(catalogue)
    assert len({found[0].parts for seed in range(4) if (found := quick(catalogue, seed=seed))}) > 1
    one = demand(low=0.0, high=100.0)
    for found in first:
        ohms = [part.ohms for part in found.parts]
        assert ohms == sorted(ohms)
        deviation = worst_deviation_celsius(one, np.array(ohms), base_ohms(BARE, 9, 150.0))
        assert deviation <= found.deviation_celsius <= 2.0
    excursions = [found.excursions_celsius for found in first]
    assert excursions == sorted(excursions)


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
    sets = [found for seed in range(3) for found in quick(drawer, seed=seed)]
    assert sets
    for found in sets:
        for part in found.parts:
            assert found.parts.count(part) <= part.count
    with pytest.raises(InputError, match="200 rungs are wanted"):
        quick(drawer, count=200)


def rungs_of(catalogue, steps, count=9, fixed_ohms=150.0):
    """Return the part of the search that asks the exact one."""
    one = demand(low=0.0, high=100.0)
    aim = Aim(steps_celsius=steps, deviation_celsius=2.0)
    return search_module._Rungs(catalogue, count, [one], aim, BARE, fixed_ohms)


def test_judging_exactly_only_improves():
    """Without it the set is the one that the closed form thinks best."""
    catalogue = catalogue_of_series("E24", 1.0)
    ohms = [part.ohms for part in catalogue.parts]
    least = []
    for seed, tries in itertools.product(range(3), (0, 30)):
        found = quick(catalogue, seed=seed, tries=tries)[0]
        places = [ohms.index(part.ohms) for part in found.parts]
        least.append(rungs_of(catalogue, (10.0,)).excursions(places, (0.5,))[0])
        if tries:
            assert found.excursions_celsius == pytest.approx(least[-1:], abs=0.1)
    assert all(after <= before for before, after in zip(least[::2], least[1::2], strict=True))
    assert sum(least[1::2]) < sum(least[::2])


def test_a_step_size_is_judged_the_same_alone_and_after_others():
    """What a search knows of stops it knows by identity: those of the first must still be there."""
    catalogue = catalogue_of_series("E24", 1.0)
    places = [50, 54, 58, 62, 66, 70, 74, 78, 82]
    steps = (10.0, 5.0, 2.0, 1.0)
    together = rungs_of(catalogue, steps).excursions(places, (1.0,) * 4)
    alone = [rungs_of(catalogue, (step,)).excursions(places, (1.0,))[0] for step in steps]
    assert together == pytest.approx(alone)
    # No better than what is wanted: not worked out.
    assert rungs_of(catalogue, (10.0,)).excursions(places, (1.0,), alone[0] * 0.9) is None


def test_what_cannot_be_made_is_not_found():
    assert quick(catalogue_of_series("E12", 1.0), count=4, deviation=0.05) == ()


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
