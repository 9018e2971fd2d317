"""Ladder calibration: recovers known rungs, says what it cannot, and keeps its correlations."""

from __future__ import annotations

import functools
import itertools
from dataclasses import replace

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
    calibration_text,
    check_spots,
    design,
    drifts,
    load_calibration,
    measurements_from_csv,
    spot_states,
    state_uncertainty_ohms,
    states_covariance_ohms2,
    undetermined_relays,
    write_calibration,
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
from controller.ladder.model import Group, GroupKind, Ladder, Relay, Rung

propose_design = functools.cache(design.propose_design)
"""The same ladder gets the same design: a search a test is not worth."""
UTC = "2026-03-31T09:30:00+00:00"


def make_ladder(
    series=(1000.0, 470.0, 220.0, 100.0, 47.0),
    parallel=(),
    *,
    short=True,
    contact_ohms=0.05,
    contact_uncertainty_ohms=0.01,
    lead_ohms=0.12,
    lead_uncertainty_ohms=0.05,
):
    count = len(series) + len(parallel)
    groups = []
    if series:
        groups.append(
            Group(
                kind=GroupKind.SERIES,
                rungs=tuple(
                    Rung(relay=i, ohms=r, uncertainty_ohms=r * 0.01 / 3**0.5)
                    for i, r in enumerate(series)
                ),
            )
        )
    if parallel:
        groups.append(
            Group(
                kind=GroupKind.PARALLEL,
                rungs=tuple(
                    Rung(relay=len(series) + i, ohms=r, uncertainty_ohms=r * 0.01 / 3**0.5)
                    for i, r in enumerate(parallel)
                ),
            )
        )
    return Ladder(
        name="harbour bench",
        relay_count=count + short,
        relays=tuple(
            Relay(
                index=i,
                contact_ohms=contact_ohms,
                contact_uncertainty_ohms=contact_uncertainty_ohms,
            )
            for i in range(count + short)
        ),
        groups=tuple(groups),
        lead_ohms=lead_ohms,
        lead_uncertainty_ohms=lead_uncertainty_ohms,
        short_relay=count if short else None,
    )


def true_parameters(ladder, rng):
    """Rungs off by up to a percent, contacts and leads off by about their uncertainty."""
    rungs = np.array([rung.ohms for rung in rungs_of(ladder)])
    contact = max(relay.contact_uncertainty_ohms for relay in ladder.relays)
    return np.array(
        [
            *(rungs * (1 + rng.uniform(-0.01, 0.01, rungs.size))),
            rng.normal(0, contact),
            ladder.lead_ohms + rng.normal(0, ladder.lead_uncertainty_ohms),
        ]
    )


def measure(ladder, parameters, states, rng, meter, *, gain=1.0):
    """Return measurements: meter noise, and every closed contact a little different each time."""
    ohms = states_ohms(with_parameters(ladder, parameters), np.array(states, dtype=np.uint64))
    own = meter.uncertainty_ohms(ohms)
    scatter = np.sqrt(contact_variances_ohms2(ladder, states, parameters))
    noise = rng.normal(0, 1, (2, len(states)))
    seen = gain * ohms + own * noise[0] + scatter * noise[1]
    return [
        Measurement(state=s, ohms=float(abs(r)), uncertainty_ohms=float(u))
        for s, r, u in zip(states, seen, own, strict=True)
    ]


SHAPES = {
    "series": {},
    "parallel": {"series": (), "parallel": (2200.0, 4700.0, 10e3, 22e3)},
    "both": {"series": (330.0, 680.0, 1300.0), "parallel": (2200.0, 4700.0, 10e3)},
}
METER = Instrument(relative=5e-5, floor_ohms=0.01)


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


LADDER = make_ladder()


def calibrated(ladder, seed=12, change=None):
    rng = np.random.default_rng(seed)
    truth = true_parameters(ladder, np.random.default_rng(1))
    if change:
        truth[change[0]] += change[1]
    states = propose_design(ladder, measurements=14, instrument=METER).states
    return truth, calibrate(
        ladder, measure(ladder, truth, states, rng, METER), utc=UTC, instrument="bench meter"
    )


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


def test_a_file_gives_the_same_calibration_back(tmp_path):
    _, calibration = calibrated(make_ladder())
    path = tmp_path / "calibration.toml"
    write_calibration(path, calibration)
    again = load_calibration(path)
    assert again.rung_ohms == calibration.rung_ohms
    assert np.array_equal(again.covariance_ohms2, calibration.covariance_ohms2)
    assert calibration_text(again) == calibration_text(calibration)
    with pytest.raises(InputError, match="already"):
        write_calibration(path, calibration)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (("relays = [0,", "relays = [1,"), "twice"),
        (("rung_ohms = [", "rung_ohms = [5.0, "), "values for"),
        (("utc = ", 'utc = "yesterday" #'), "not a date"),
        (("covariance_ohms2 = [\n  [", "covariance_ohms2 = [\n  [-"), "covariance"),
        (("measurements", "measurement"), "did you mean"),
        (("rungwise-calibration/1", "rungwise-ladder/1"), "format"),
    ],
)
def test_a_damaged_file_is_refused_with_the_place(tmp_path, change, message):
    _, calibration = calibrated(make_ladder())
    path = tmp_path / "calibration.toml"
    text = calibration_text(calibration)
    assert change[0] in text
    path.write_text(text.replace(*change, 1), encoding="utf-8")
    with pytest.raises(InputError, match=message):
        load_calibration(path)


def test_an_asymmetric_covariance_is_refused(tmp_path):
    _, calibration = calibrated(make_ladder())
    matrix = calibration.covariance_ohms2.copy()
    old = repr(float(matrix[0, 1]))
    text = calibration_text(calibration).replace(old, repr(float(matrix[0, 1]) * 2 + 1e-3), 1)
    path = tmp_path / "calibration.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match="symmetric"):
        load_calibration(path)


def test_measured_states_from_a_csv_file(tmp_path):
    path = tmp_path / "measured.csv"
    path.write_text(
        "# bench meter, four wires\nstate,ohms,uncertainty_ohms\nshort,0.17,0.01\n"
        "0x0f,47.2,0.02\n31,0.4,10m\n",
        encoding="utf-8",
    )
    first, second, third = measurements_from_csv(path, make_ladder())
    assert (first.state, first.ohms) == (0b100000, 0.17)
    assert (second.state, second.ohms, second.uncertainty_ohms) == (15, 47.2, 0.02)
    assert (third.state, third.uncertainty_ohms) == (31, 0.01)


def test_every_wrong_row_of_a_csv_file_is_named(tmp_path):
    path = tmp_path / "measured.csv"
    path.write_text(
        "state,ohms,uncertainty_ohms\nred,1,0.1\n0x01,-1,0.1\n0x01,1,0\n0xff,1,0.1\n",
        encoding="utf-8",
    )
    with pytest.raises(InputError) as refused:
        measurements_from_csv(path, make_ladder())
    assert [problem.line for problem in refused.value.problems] == [2, 3, 4, 5]
