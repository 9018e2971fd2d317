"""Which states to measure: as good as the best of all, and each rung checked by two."""

from __future__ import annotations

import itertools
import sys
from pathlib import Path

import numpy as np
import pytest

from controller.errors import InputError
from controller.ladder.calibration import (
    Instrument,
    undetermined_relays,
)

sys.path.insert(0, str(Path(__file__).parent))
from measured_ladders import make_ladder, propose_design


def plain_series(rungs):
    return make_ladder(
        series=rungs,
        short=False,
        contact_ohms=0.0,
        contact_uncertainty_ohms=0.0,
        lead_ohms=0.0,
        lead_uncertainty_ohms=0.0,
    )


@pytest.mark.parametrize("measurements", [3, 4, 5])
def test_the_design_is_as_good_as_the_best_of_all(measurements):
    """Three rungs: every set of states is tried that is checked as well as the one proposed."""
    rungs = np.array([100.0, 150.0, 220.0])
    meter = Instrument(relative=1e-4, floor_ohms=0.01)
    proposed = propose_design(
        plain_series(tuple(rungs)), measurements=measurements, instrument=meter
    )
    assert len(set(proposed.states)) == measurements
    if measurements == 5:  # two readings more than rungs
        assert min(proposed.redundancies) > 0.1
    worth = np.hypot(meter.uncertainty_ohms(rungs), 1e-3 * rungs)
    cost = np.sum((np.array(proposed.uncertainties_ohms) / worth) ** 2)
    best = np.inf
    patterns = [np.array([s >> i & 1 for i in range(3)], dtype=float) for s in range(1, 8)]
    for chosen in itertools.combinations(patterns, measurements):
        rows = np.array(chosen) / meter.uncertainty_ohms(np.array(chosen) @ rungs)[:, None]
        information = rows.T @ rows
        if np.linalg.matrix_rank(information) < 3:
            continue
        covariance = np.linalg.inv(information)
        redundancy = 1 - np.einsum("ij,jk,ik->i", rows, covariance, rows)
        if redundancy.min() >= min(proposed.redundancies) - 1e-9:
            best = min(best, float(np.sum(np.diag(covariance) / worth**2)))
    assert cost <= best * 1.02


def test_the_design_weighs_better_than_one_rung_at_a_time():
    """Seven equal rungs, seven readings: 4n/(n+1)^2 = 0.4375 of the variance of one reading.

    The best spring-balance design, an S-matrix (Harwit & Sloane, Hadamard Transform Optics, 1979;
    from memory).
    """
    ladder = plain_series((100.0,) * 7)
    proposed = propose_design(
        ladder, measurements=7, instrument=Instrument(relative=0.0, floor_ohms=1.0)
    )
    variance = np.mean(np.square(proposed.uncertainties_ohms))
    assert variance == pytest.approx(0.4375, rel=0.03)


def test_a_large_ladder_gets_a_design_that_determines_it_and_says_what_is_unchecked():
    ladder = make_ladder(series=tuple(1.8**i for i in range(16)))
    proposed = propose_design(ladder, measurements=20)
    assert len(proposed.states) == 20
    assert undetermined_relays(ladder, proposed.states) == ()
    # Three readings more than values cannot check twenty states.
    assert len(proposed.unchecked) > 3


def test_with_enough_readings_every_rung_is_checked_by_two_states():
    """Leave any one state out, and the others still determine every rung."""
    ladder = make_ladder(series=tuple(10 * 1.8**i for i in range(8)))
    proposed = propose_design(ladder, measurements=18)
    assert proposed.unchecked == ()
    for index in range(len(proposed.states)):
        rest = proposed.states[:index] + proposed.states[index + 1 :]
        assert undetermined_relays(ladder, rest) == ()


def test_too_few_measurements_are_refused():
    with pytest.raises(InputError, match="at least 6"):
        propose_design(make_ladder(), measurements=5)
