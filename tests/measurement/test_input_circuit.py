"""Vref and pull-up out of two readings of the board's own input, against Kirchhoff's law."""

from __future__ import annotations

import math
import random
from dataclasses import replace

import numpy as np
import pytest
from uncertainties import ufloat

from controller.measurement.input_circuit import Seen, Tap, input_circuit, seen_of

TAP = Tap(load_ohms=10e6, scale_percent=2.0)


def node_volts(vref: float, pullup: float, ohms: float, load: float) -> float:
    """Nodal analysis: the currents into the input's node add up to nothing."""
    conductance = 1 / pullup + 1 / load + (0.0 if math.isinf(ohms) else 1 / ohms)
    return float(np.linalg.solve([[conductance]], [vref / pullup])[0])


def exact(volts: float) -> Seen:
    return Seen(volts=volts, step_volts=1e-12, spread_volts=0.0, at_end=False)


@pytest.mark.parametrize("load", [2e5, 1e6, 1e7])
@pytest.mark.parametrize(
    ("vref", "pullup", "ohms"), [(5, 2490, 2500), (5, 1000, 400), (12, 5e4, 9e4)]
)
def test_the_load_of_the_tap_is_taken_out(
    load: float, vref: float, pullup: float, ohms: float
) -> None:
    found = input_circuit(
        exact(node_volts(vref, pullup, math.inf, load)),
        exact(node_volts(vref, pullup, ohms, load)),
        ohms=ohms,
        uncertainty_ohms=0.0,
        tap=replace(TAP, load_ohms=load),
    )
    assert found.reference_volts == pytest.approx(vref, rel=1e-9)
    assert found.pullup_ohms == pytest.approx(pullup, rel=1e-9)
    assert found.short_circuit_amperes == pytest.approx(vref / pullup, rel=1e-9)
    assert found.most_watts == pytest.approx(vref**2 / 4 / pullup, rel=1e-9)


def test_a_wrong_scale_leaves_the_pullup_alone() -> None:
    volts = [node_volts(5, 2490, ohms, 10e6) for ohms in (math.inf, 2500)]
    wrong = [exact(1.07 * one) for one in volts]
    found = input_circuit(*wrong, ohms=2500, uncertainty_ohms=0.0, tap=TAP)
    assert found.pullup_ohms == pytest.approx(2490, rel=1e-9)
    assert found.reference_volts == pytest.approx(5 * 1.07, rel=1e-9)


def test_the_uncertainty_is_that_of_an_independent_propagation() -> None:
    step, load = 5 / 1024, 10e6
    isolated, loaded = node_volts(5, 2490, math.inf, load), node_volts(5, 2490, 2500, load)
    seen = [
        Seen(volts=v, step_volts=step, spread_volts=step, at_end=False) for v in (isolated, loaded)
    ]
    found = input_circuit(*seen, ohms=2500, uncertainty_ohms=1.5, tap=TAP)
    # Rounding to a step, a converter right within one step to either side, a spread of one step:
    # rectangular each (JCGM 100:2008, 4.3.7), by the package `uncertainties`.
    doubt = math.sqrt((step / 2) ** 2 / 3 + step**2 / 3 + (step / 2) ** 2 / 3)
    v0, v, r = ufloat(isolated, doubt), ufloat(loaded, doubt), ufloat(2500, 1.5)
    rt = r * (v0 - v) / v
    expected = 1 / (1 / rt - 1 / load)
    assert found.pullup_ohms == pytest.approx(expected.n, rel=1e-9)
    assert found.pullup_uncertainty_ohms == pytest.approx(2 * expected.s, rel=0.02)


def test_what_is_stated_holds_for_ten_bits_at_any_input() -> None:
    chance = random.Random(4)
    inside = 0
    for _ in range(400):
        pullup, vref = chance.uniform(500, 20_000), chance.uniform(4.5, 5.5)
        ohms = pullup * chance.uniform(0.4, 2.5)
        raws = [
            [min(1023, int(node_volts(vref, pullup, one, 10e6) / 2 / 5 * 1024))]
            for one in (math.inf, ohms)
        ]
        tap = replace(TAP, volts_per_volt=2.0)
        seen = [seen_of(one, full_scale=1024, full_scale_volts=5.0, tap=tap) for one in raws]
        found = input_circuit(*seen, ohms=ohms, uncertainty_ohms=0.0, tap=tap)
        inside += abs(found.pullup_ohms - pullup) <= found.pullup_uncertainty_ohms
        assert abs(found.reference_volts - vref) <= found.reference_uncertainty_volts
    assert inside >= 380


@pytest.mark.parametrize(("isolated", "loaded"), [(5.0, 5.0), (5.0, 5.1), (5.0, 0.0)])
def test_volts_that_no_resistor_makes_are_refused(isolated: float, loaded: float) -> None:
    with pytest.raises(ValueError, match="does not fall"):
        input_circuit(exact(isolated), exact(loaded), ohms=1000, uncertainty_ohms=0.0, tap=TAP)


def test_the_end_of_the_converter_is_told() -> None:
    assert seen_of([1022, 1023], full_scale=1024, full_scale_volts=5.0, tap=TAP).at_end
    assert not seen_of([1022], full_scale=1024, full_scale_volts=5.0, tap=TAP).at_end
