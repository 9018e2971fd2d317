"""The parts every plan has, against the library `uncertainties` as an independent oracle."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from uncertainties import ufloat
from uncertainties.umath import log

from controller.ladder.files import load_ladder
from controller.measurement.model import SettleRule
from controller.measurement.parts import (
    ladder_contributions,
    rectangular_celsius,
)
from controller.sensors.files import load_sensor

SWEEPS = Path(__file__).parents[2] / "sweeps"
SETTLE = SettleRule(within_celsius=0.5, for_s=3.0, at_most_s=30.0)


def test_the_ladders_parts_are_what_the_oracle_propagates():
    """The same circuit written out with `uncertainties`, and the Beta equation on top of it."""
    ladder = load_ladder(SWEEPS / "ladders" / "bench-16.toml")
    ladder = replace(ladder, fixed_ohms=100.0, fixed_uncertainty_ohms=0.06)
    curve = load_sensor(SWEEPS / "sensors" / "tern-air.toml").curve
    for state in (0x1F76C, 0x1E9BC, 0x1FF6C):
        whole = ufloat(ladder.lead_ohms, ladder.lead_uncertainty_ohms)
        whole += ufloat(ladder.fixed_ohms, ladder.fixed_uncertainty_ohms)

        def contact(relay: int):
            made = ladder.relays[relay]
            return ufloat(made.contact_ohms, made.contact_uncertainty_ohms)

        whole += contact(ladder.isolate_relay)
        for rung in ladder.groups[0].rungs:
            resistor = ufloat(rung.ohms, rung.uncertainty_ohms)
            if state >> rung.relay & 1:
                closed = contact(rung.relay)
                whole += resistor * closed / (resistor + closed)
            else:
                whole += resistor
        # 1/T = 1/T0 + ln(R/R0)/B
        made = 1 / (1 / 298.15 + log(whole / 2000.0) / 3435.0) - 273.15
        slope = float(curve.slope_ohms_per_kelvin(made.nominal_value))
        parts = ladder_contributions(ladder, state, slope)
        ours = math.hypot(*(one.celsius for one in parts))
        assert ours == pytest.approx(made.std_dev, rel=1e-6)


@given(st.floats(0.001, 100.0))
def test_a_rectangular_interval_has_the_spread_of_uniform_numbers(width):
    numbers = (np.arange(100_000) + 0.5) / 100_000 * width
    assert rectangular_celsius(width) == pytest.approx(float(numbers.std()), rel=1e-4)
