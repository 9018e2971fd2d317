"""A fixed resistor that is not what it says: a calibration finds it together with the leads."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from controller.ladder.calibration import (
    Instrument,
    Measurement,
    calibrate,
    calibrated_ladder,
    propose_design,
    state_uncertainty_ohms,
)
from controller.ladder.electrical import connected_mask, state_ohms, with_contact
from controller.ladder.model import Group, GroupKind, Ladder, Relay, Rung

UTC = "2026-03-31T09:30:00+00:00"
OHMS = (1000.0, 470.0, 220.0, 100.0, 47.0, 22.0)


def ladder(fixed_uncertainty_ohms: float) -> Ladder:
    count = len(OHMS)
    return Ladder(
        name="harbour bench",
        relay_count=count + 1,
        relays=tuple(
            Relay(index=i, contact_ohms=0.05, contact_uncertainty_ohms=0.002)
            for i in range(count + 1)
        ),
        groups=(
            Group(
                kind=GroupKind.SERIES,
                rungs=tuple(
                    Rung(relay=i, ohms=r, uncertainty_ohms=r * 0.01 / 3**0.5)
                    for i, r in enumerate(OHMS)
                ),
            ),
        ),
        lead_ohms=0.12,
        lead_uncertainty_ohms=0.02,
        fixed_ohms=100.0,
        fixed_uncertainty_ohms=fixed_uncertainty_ohms,
        short_relay=count,
    )


def calibrated_from(stated: Ladder, true_fixed_ohms: float):
    """Measure every proposed state and the short of a ladder whose rungs are off by 0.3 %."""
    rng = np.random.default_rng(4)
    groups = (
        replace(
            stated.groups[0],
            rungs=tuple(
                replace(rung, ohms=rung.ohms * (1 + rng.uniform(-0.003, 0.003)))
                for rung in stated.groups[0].rungs
            ),
        ),
    )
    real = replace(stated, groups=groups, fixed_ohms=true_fixed_ohms)
    short = with_contact(stated, connected_mask(stated), len(OHMS), closed=True)
    states = dict.fromkeys(
        [*propose_design(stated, measurements=18, instrument=Instrument()).states, short]
    )
    readings = [
        Measurement(
            state=state,
            ohms=state_ohms(real, state) + rng.normal(0.0, 0.003),
            uncertainty_ohms=0.003,
        )
        for state in states
    ]
    return real, calibrate(stated, readings, utc=UTC)


def test_states_are_known_although_the_fixed_resistor_is_off():
    stated = ladder(0.1 / 3**0.5)
    real, calibration = calibrated_from(stated, 100.09)
    tuned = calibrated_ladder(stated, calibration)
    for state in range(1 << len(OHMS)):
        off = state_ohms(tuned, state) - state_ohms(real, state)
        spread = state_uncertainty_ohms(stated, calibration, state)
        assert abs(off) < 3.5 * spread
        assert spread < 0.02  # far less than the tolerance that the resistor came with
    assert calibration.probability > 0.01
    assert tuned.fixed_uncertainty_ohms == 0.0
    assert calibration.lead_ohms == pytest.approx(0.12 + 0.09, abs=0.03)


def test_a_resistor_said_to_be_exact_that_is_not_is_found_out():
    _, calibration = calibrated_from(ladder(0.0), 100.4)
    assert calibration.probability < 0.001
