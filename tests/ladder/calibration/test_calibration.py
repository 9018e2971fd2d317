"""Ladder calibration: recovers known rungs, says what it cannot, and keeps its correlations."""

from __future__ import annotations

import itertools
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from controller.errors import InputError
from controller.ladder.calibration import (
    Instrument,
    Measurement,
    assess,
    calibrate,
    calibrate_and_check,
    calibrated_ladder,
    state_uncertainty_ohms,
    states_covariance_ohms2,
    undetermined_relays,
)
from controller.ladder.calibration.model import (
    contact_variances_ohms2,
    nominal_parameters,
    rungs_of,
    sensitivities,
    with_parameters,
)
from controller.ladder.electrical import state_ohms, states_ohms
from controller.ladder.electrical import state_uncertainty_ohms as nominal_uncertainty_ohms
from controller.ladder.model import Relay

sys.path.insert(0, str(Path(__file__).parent))
from measured_ladders import (
    METER,
    SHAPES,
    UTC,
    make_ladder,
    measure,
    propose_design,
    true_parameters,
)


@pytest.mark.parametrize("shape", SHAPES)
def test_the_true_values_are_found_within_their_stated_uncertainty(shape):
    """Normalised squared errors follow chi-square: the covariance is of the right size."""
    ladder = make_ladder(**SHAPES[shape])
    size = len(rungs_of(ladder))
    states = propose_design(ladder, measurements=2 * size + 3, instrument=METER).states
    rng = np.random.default_rng(5)
    distances, chi_squares = [], []
    for _ in range(60):
        truth = true_parameters(ladder, rng)
        measured = measure(ladder, truth, states, rng, METER)
        found, rows = calibrate_and_check(ladder, measured, utc=UTC)
        off = found.parameters - truth
        distances.append(off @ np.linalg.solve(found.covariance_ohms2, off))
        chi_squares.append(found.chi_square)
    low, high = stats.chi2.ppf([0.0005, 0.9995], 60 * (size + 2))
    assert low <= sum(distances) <= high
    freedom = sum(row.redundancy for row in rows)
    assert len(states) - size - 2 <= freedom <= len(states) - size
    low, high = stats.chi2.ppf([0.0005, 0.9995], 60 * freedom)
    assert low <= sum(chi_squares) <= high


@pytest.mark.parametrize(("known_to", "lost"), [(1e-5, 0), (50.0, 2)])
def test_restraints_count_as_readings_only_where_they_are_worth_some(known_to, lost):
    """Contacts and leads known beforehand cost no reading; a vague notion of them costs two."""
    ladder = make_ladder(lead_uncertainty_ohms=known_to, contact_uncertainty_ohms=1e-6)
    ladder = replace(
        ladder,
        # The offset's restraint is the largest contact uncertainty; a spare relay states it, so
        # that no measured state scatters by it.
        relay_count=7,
        relays=(*ladder.relays, Relay(index=6, contact_uncertainty_ohms=known_to)),
    )
    states = propose_design(ladder, measurements=14).states
    ohms = states_ohms(ladder, np.array(states, dtype=np.uint64))
    measured = [
        Measurement(state=s, ohms=float(r), uncertainty_ohms=1e-3)
        for s, r in zip(states, ohms, strict=True)
    ]
    assert calibrate(ladder, measured, utc=UTC).degrees_of_freedom == 14 - 5 - lost


def test_exact_measurements_give_exact_rungs():
    ladder = make_ladder(parallel=(2200.0, 4700.0))
    truth = true_parameters(ladder, np.random.default_rng(3))
    states = propose_design(ladder, measurements=14).states
    exact = states_ohms(with_parameters(ladder, truth), np.array(states, dtype=np.uint64))
    measured = [
        Measurement(state=s, ohms=float(r), uncertainty_ohms=1e-4)
        for s, r in zip(states, exact, strict=True)
    ]
    found = calibrate(ladder, measured, utc=UTC)
    assert found.rung_ohms == pytest.approx(truth[:-2], rel=2e-5)


def test_leads_and_contacts_are_parted_by_the_shorted_state():
    ladder = make_ladder(lead_uncertainty_ohms=0.1, contact_uncertainty_ohms=0.01)
    rng = np.random.default_rng(6)
    truth = true_parameters(ladder, rng)
    states = propose_design(ladder, measurements=12).states
    measured = measure(ladder, truth, states, rng, Instrument(relative=0, floor_ohms=0.002))
    assert states[0] >> ladder.short_relay & 1
    found = calibrate(ladder, measured, utc=UTC)
    assert found.uncertainties_ohms[-1] < 0.015
    assert found.lead_ohms == pytest.approx(truth[-1], abs=3 * found.uncertainties_ohms[-1])
    without = calibrate(ladder, measured[1:], utc=UTC)
    assert without.uncertainties_ohms[-1] > found.uncertainties_ohms[-1]


def table(seed=7, measurements=16):
    ladder = make_ladder()
    rng = np.random.default_rng(seed)
    truth = true_parameters(ladder, rng)
    states = propose_design(ladder, measurements=measurements, instrument=METER).states
    return ladder, measure(ladder, truth, states, rng, METER)


def test_two_readings_in_each_others_rows_never_pass():
    """Any two: refused as impossible, or contradictory; unless they are too near to matter."""
    ladder, measured = table()
    assert assess(ladder, *calibrate_and_check(ladder, measured, utc=UTC)).sound
    tried = refused = 0
    for i, j in itertools.combinations(range(len(measured)), 2):
        first, second = measured[i], measured[j]
        largest = max(first.uncertainty_ohms, second.uncertainty_ohms)
        if abs(first.ohms - second.ohms) < 30 * largest:
            continue
        swapped = list(measured)
        swapped[i] = replace(first, ohms=second.ohms)
        swapped[j] = replace(second, ohms=first.ohms)
        tried += 1
        try:
            found = assess(ladder, *calibrate_and_check(ladder, swapped, utc=UTC))
        except InputError:  # no rung can be so far off
            refused += 1
        else:
            assert found.contradictory, (i, j)
    assert refused < tried
    assert tried > 100


@pytest.mark.parametrize("at", range(16))
def test_a_slip_in_any_row_is_noticed_and_the_row_is_named(at):
    ladder, measured = table()
    assert not assess(ladder, *calibrate_and_check(ladder, measured, utc=UTC)).contradictory
    wrong = measured[at].ohms + 40 * measured[at].uncertainty_ohms
    measured[at] = replace(measured[at], ohms=wrong)
    found = assess(ladder, *calibrate_and_check(ladder, measured, utc=UTC))
    assert found.contradictory
    assert found.suspects[0].index == at
    assert not found.usable


def test_a_row_that_nothing_checks_is_named_with_the_relay_it_stands_for():
    """Four rungs weighed together with others, the fifth alone and once: nothing shows its slip."""
    ladder = make_ladder()
    closed = 0b11111
    inside = [(1,), (2,), (3,), (4,), (1, 2), (2, 3), (3, 4), (1, 4), (0,)]
    states = [closed & ~sum(1 << relay for relay in relays) for relays in inside]
    rng = np.random.default_rng(16)
    measured = measure(ladder, true_parameters(ladder, rng), states, rng, METER)
    good = assess(ladder, *calibrate_and_check(ladder, measured, utc=UTC))
    assert [(row.index, row.alone_for) for row in good.unchecked] == [(8, (0,))]
    assert good.usable
    assert not good.sound
    measured[8] = replace(measured[8], ohms=measured[8].ohms + 100.0)
    calibration, rows = calibrate_and_check(ladder, measured, utc=UTC)
    slipped = assess(ladder, calibration, rows)
    # The residuals cannot show it, the ladder file can: 10 % of a 1 % rung.
    assert not slipped.contradictory
    assert [one.relay for one in slipped.unconfirmed] == [0]
    assert not slipped.usable
    # Measured twice, the contradiction shows, and which of the two it is does not.
    twice = [*measured, replace(measured[8], ohms=measured[8].ohms - 100.0)]
    again = assess(ladder, *calibrate_and_check(ladder, twice, utc=UTC))
    assert again.contradictory
    assert {row.index for row in again.suspects} == {8, 9}


def test_a_rung_that_really_moved_is_confirmed_by_others_and_still_no_pass():
    ladder = make_ladder()
    rng = np.random.default_rng(17)
    truth = true_parameters(ladder, rng)
    truth[1] = 470.0 * 1.03
    states = propose_design(ladder, measurements=16, instrument=METER).states
    found = assess(
        ladder,
        *calibrate_and_check(ladder, measure(ladder, truth, states, rng, METER), utc=UTC),
    )
    assert [one.relay for one in found.moved] == [1]
    assert found.moved[0].tolerance_ohms == pytest.approx(4.7)
    assert found.usable
    assert not found.sound


def test_a_scale_error_alone_needs_no_large_covariance():
    """The scale as one more unknown gives what the full covariance of the readings gives."""
    ladder, measured = table()
    scale = 3e-4
    found = calibrate(ladder, measured, utc=UTC, common_relative_uncertainty=scale)
    parameters = found.parameters
    states = [one.state for one in measured]
    slopes = np.vstack([sensitivities(ladder, states, parameters), np.eye(7)[-2:]])
    model = states_ohms(with_parameters(ladder, parameters), np.array(states, dtype=np.uint64))
    own = np.array([one.uncertainty_ohms for one in measured])
    spread = np.diag(own**2 + contact_variances_ohms2(ladder, states, parameters))
    full = np.zeros((18, 18))
    full[:16, :16] = spread + scale**2 * np.outer(model, model)
    full[16:, 16:] = np.diag([0.01**2, 0.05**2])
    expected = np.linalg.inv(slopes.T @ np.linalg.solve(full, slopes))
    own = np.sqrt(np.diag(expected))
    # To first order in the scale, which is what either way is good for.
    np.testing.assert_allclose(
        found.covariance_ohms2 / np.outer(own, own), expected / np.outer(own, own), atol=2e-3
    )


@pytest.mark.parametrize("shape", SHAPES)
def test_slopes_are_those_of_small_steps(shape):
    """Central differences of the resistance of every state."""
    ladder = make_ladder(**SHAPES[shape])
    nominal = nominal_parameters(ladder)
    states = [
        state
        for state in range(1 << ladder.relay_count)
        if np.isfinite(states_ohms(ladder, np.array([state], dtype=np.uint64))[0])
    ]
    found = sensitivities(ladder, states, nominal)
    for index, value in enumerate(nominal):
        step = np.zeros(nominal.size)
        step[index] = 1e-4 * max(abs(value), 0.1)
        ends = [
            states_ohms(with_parameters(ladder, nominal + way * step), states) for way in (1, -1)
        ]
        expected = (ends[0] - ends[1]) / (2 * step[index])
        np.testing.assert_allclose(found[:, index], expected, rtol=1e-6, atol=1e-6)


def test_undetermined_rungs_are_named_and_nothing_is_solved():
    ladder = make_ladder()
    everything = 0b100000 & 0
    only_together = [everything | 0b11100, everything | 0b11011, everything | 0b10111]
    states = [0b00000, *only_together, 0b01111]
    # Energised bypasses: relays 0 and 1 are only ever bypassed or in circuit together.
    assert undetermined_relays(ladder, states) == (0, 1)
    measured = [Measurement(state=s, ohms=500.0, uncertainty_ohms=0.1) for s in states]
    with pytest.raises(InputError) as refused:
        calibrate(ladder, measured, utc=UTC)
    text = str(refused.value)
    assert "relay 0" in text
    assert "relay 1" in text
    assert "relay 2" not in text


def test_a_rung_that_only_shows_through_its_closed_contact_is_not_determined():
    ladder = make_ladder()
    states = [0b11110, 0b11101, 0b11011, 0b11111]  # relays 3 and 4 stay bypassed
    assert undetermined_relays(ladder, states) == (3, 4)


@pytest.mark.parametrize(
    ("measured", "message"),
    [
        ([], "no measurements"),
        ([Measurement(state=1 << 9, ohms=1.0, uncertainty_ohms=0.1)], "does not fit"),
        ([Measurement(state=0, ohms=-1.0, uncertainty_ohms=0.1)], "no resistance"),
        ([Measurement(state=0, ohms=float("inf"), uncertainty_ohms=0.1)], "no resistance"),
        ([Measurement(state=0, ohms=1.0, uncertainty_ohms=0.0)], "above zero"),
    ],
)
def test_impossible_measurements_are_refused(measured, message):
    with pytest.raises(InputError, match=message):
        calibrate(make_ladder(), measured, utc=UTC)


def test_an_open_state_cannot_be_measured():
    ladder = make_ladder(**SHAPES["parallel"])
    with pytest.raises(InputError, match="open circuit"):
        calibrate(ladder, [Measurement(state=0, ohms=1.0, uncertainty_ohms=0.1)], utc=UTC)


def test_readings_in_kohm_are_refused_not_fitted():
    ladder = make_ladder()
    states = propose_design(ladder, measurements=10).states
    rng = np.random.default_rng(8)
    measured = [
        Measurement(state=m.state, ohms=m.ohms / 1e3, uncertainty_ohms=m.uncertainty_ohms)
        for m in measure(ladder, true_parameters(ladder, rng), states, rng, METER)
    ]
    with pytest.raises(InputError, match="in ohm"):
        calibrate(ladder, measured, utc=UTC)


def test_uncertainties_that_cannot_be_solved_are_refused_without_a_traceback():
    ladder = make_ladder()
    states = propose_design(ladder, measurements=10).states
    measured = [Measurement(state=s, ohms=500.0, uncertainty_ohms=1e-200) for s in states]
    with np.errstate(all="ignore"), pytest.raises(InputError):
        calibrate(ladder, measured, utc=UTC, common_relative_uncertainty=1.0)


def test_one_instrument_makes_the_rungs_correlated():
    """A scale error is shared: the sum's uncertainty is that of the scale, not its root mean."""
    ladder = make_ladder(contact_uncertainty_ohms=0.0, lead_uncertainty_ohms=0.0)
    rng = np.random.default_rng(9)
    meter = Instrument(relative=0.0, floor_ohms=0.001)
    states = propose_design(ladder, measurements=12, instrument=meter).states
    measured = measure(ladder, true_parameters(ladder, rng), states, rng, meter)
    scale = 2e-4
    found = calibrate(ladder, measured, utc=UTC, common_relative_uncertainty=scale)
    correlations = found.covariance_ohms2[:5, :5] / np.outer(
        found.uncertainties_ohms[:5], found.uncertainties_ohms[:5]
    )
    assert correlations.min() > 0.9
    everything_in = 0
    whole = state_ohms(calibrated_ladder(ladder, found), everything_in)
    assert state_uncertainty_ohms(ladder, found, everything_in) == pytest.approx(
        scale * whole, rel=0.01
    )
    # As independent rungs the same calibration would look better than it is.
    independent = nominal_uncertainty_ohms(calibrated_ladder(ladder, found), everything_in)
    assert independent < 0.8 * scale * whole


def test_the_uncertainty_of_a_state_is_that_of_monte_carlo():
    """JCGM 101:2008: parameters drawn from the calibration, contacts anew each time, 1e5 draws."""
    ladder = make_ladder(**SHAPES["both"])
    rng = np.random.default_rng(10)
    states = propose_design(ladder, measurements=15, instrument=METER).states
    found = calibrate(
        ladder,
        measure(ladder, true_parameters(ladder, rng), states, rng, METER),
        utc=UTC,
        common_relative_uncertainty=1e-4,
    )
    # Energised bypasses relay 1 and joins relays 3 and 5.
    state = 0b101010
    draws = rng.multivariate_normal(found.parameters, found.covariance_ohms2, 100_000)
    contact = {i: 0.05 + draws[:, -2] + rng.normal(0, 0.01, len(draws)) for i in (1, 3, 5)}
    bypassed = draws[:, 1] * contact[1] / (draws[:, 1] + contact[1])
    joined = 1 / (1 / (draws[:, 3] + contact[3]) + 1 / (draws[:, 5] + contact[5]))
    ohms = draws[:, -1] + draws[:, 0] + bypassed + draws[:, 2] + joined
    tuned = calibrated_ladder(ladder, found)
    assert ohms.mean() == pytest.approx(state_ohms(tuned, state), rel=1e-5)
    assert ohms.std() == pytest.approx(state_uncertainty_ohms(ladder, found, state), rel=0.02)


def test_two_states_share_what_they_have_in_common():
    ladder = make_ladder()
    rng = np.random.default_rng(11)
    states = propose_design(ladder, measurements=12, instrument=METER).states
    found = calibrate(
        ladder, measure(ladder, true_parameters(ladder, rng), states, rng, METER), utc=UTC
    )
    covariance = states_covariance_ohms2(ladder, found, [0b00000, 0b10000])
    difference = np.sqrt(covariance[0, 0] + covariance[1, 1] - 2 * covariance[0, 1])
    # They differ by the 47 ohm rung alone, so their difference is known nearly as well as it is.
    assert difference == pytest.approx(np.hypot(found.uncertainties_ohms[4], 0.01), rel=0.3)
