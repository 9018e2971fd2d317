"""Between two calibrations: spot checks, and which rung has drifted."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from controller.errors import InputError
from controller.ladder.calibration import (
    calibrate,
    calibrated_ladder,
    check_spots,
    drifts,
    spot_states,
)
from controller.ladder.calibration.model import (
    rungs_of,
    with_parameters,
)
from controller.ladder.electrical import state_ohms

sys.path.insert(0, str(Path(__file__).parent))
from measured_ladders import (
    METER,
    SHAPES,
    UTC,
    calibrated,
    make_ladder,
    measure,
    propose_design,
    true_parameters,
)

LADDER = make_ladder()


def test_spot_checks_agree_until_a_rung_moves():
    ladder = make_ladder()
    truth, calibration = calibrated(ladder)
    states = spot_states(ladder)
    assert len(states) == 4
    rng = np.random.default_rng(13)
    spots = check_spots(ladder, calibration, measure(ladder, truth, states, rng, METER))
    assert all(spot.agrees for spot in spots)
    assert spots[0].expected_ohms < 0.5
    truth[0] += 2.0
    moved = check_spots(ladder, calibration, measure(ladder, truth, states, rng, METER))
    assert moved[0].agrees
    assert not all(spot.agrees for spot in moved)


@pytest.mark.parametrize("shape", SHAPES)
def test_every_rung_is_in_a_spot_check(shape):
    ladder = make_ladder(**SHAPES[shape])
    base = [state_ohms(ladder, state) for state in spot_states(ladder)]
    for rung in rungs_of(ladder):
        changed = calibrated_with(ladder, rung.relay, rung.ohms * 1.05)
        now = [state_ohms(changed, state) for state in spot_states(ladder)]
        assert max(abs(n / b - 1) for n, b in zip(now, base, strict=True)) > 1e-3


def calibrated_with(ladder, relay, ohms):
    values = [ohms if rung.relay == relay else rung.ohms for rung in rungs_of(ladder)]
    return with_parameters(ladder, np.array([*values, 0.0, ladder.lead_ohms]))


def test_drift_is_shown_for_the_rung_that_moved_alone():
    ladder = make_ladder()
    _, before = calibrated(ladder)
    _, now = calibrated(ladder, seed=14, change=(1, 1.5))
    moved = [drift for drift in drifts(LADDER, before, now) if drift.significant]
    assert [drift.what for drift in moved] == ["relay 1"]
    assert moved[0].difference_ohms == pytest.approx(1.5, abs=0.3)


def test_a_warmer_day_is_no_drift():
    """A rung of 100 ppm/K may differ by 100 ppm for each kelvin, either way."""
    _, before = calibrated(LADDER)
    _, now = calibrated(LADDER, seed=14, change=(0, 1.0))
    warm = replace(
        LADDER,
        groups=tuple(
            replace(g, rungs=tuple(replace(r, tempco_ppm_per_k=100.0) for r in g.rungs))
            for g in LADDER.groups
        ),
    )
    same_day = replace(before, ambient_celsius=20.0), replace(now, ambient_celsius=20.0)
    assert drifts(warm, *same_day)[0].significant
    other_day = same_day[0], replace(now, ambient_celsius=32.0)
    moved = drifts(warm, *other_day)[0]
    assert not moved.significant
    plain = drifts(LADDER, *same_day)[0].uncertainty_ohms
    # A limit to either side, rectangular: 1000 ohm, 12 K, 100 ppm/K.
    expected = np.hypot(plain, 1000.0 * 12.0 * 1e-4 / 3**0.5)
    assert moved.uncertainty_ohms == pytest.approx(expected, rel=1e-3)


def test_false_alarms_stay_below_one_ladder_in_twenty():
    """Two calibrations of the same rungs, many times: about 5 % show any drift at all."""
    ladder = make_ladder()
    states = propose_design(ladder, measurements=10, instrument=METER).states
    rng = np.random.default_rng(15)
    truth = true_parameters(ladder, rng)
    found = [
        calibrate(ladder, measure(ladder, truth, states, rng, METER), utc=UTC) for _ in range(120)
    ]
    alarms = sum(
        any(drift.significant for drift in drifts(LADDER, before, now))
        for before, now in zip(found[::2], found[1::2], strict=True)
    )
    low, high = stats.binom.ppf([0.0005, 0.9995], 60, 0.05)
    assert low <= alarms <= high


def test_a_calibration_of_other_rungs_is_refused():
    _, calibration = calibrated(make_ladder())
    other = make_ladder(series=(100.0, 200.0))
    with pytest.raises(InputError, match="other rungs"):
        calibrated_ladder(other, calibration)
