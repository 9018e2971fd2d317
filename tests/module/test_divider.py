"""The divider and the converter, against tests/reference/divider_adc.csv (Ohm's law, computed
apart from the project; its first line states both ADC conventions) and by laws."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.ladder.loading import state_loading
from controller.ladder.model import Group, GroupKind, Ladder, Relay, Rung
from controller.module.divider import (
    AdcConvention,
    adc_code,
    adc_volts,
    divider_ohms,
    divider_volts,
    most_watts,
    short_circuit_amperes,
)


@pytest.fixture(scope="module")
def table(reference_rows):
    rows = reference_rows("divider_adc.csv")
    return {key: np.array([float(row[key]) for row in rows]) for key in rows[0]}


def test_voltages_are_those_of_the_table(table):
    volts = divider_volts(5.0, table["rp_ohm"], table["r_ohm"])
    assert volts == pytest.approx(table["v"], abs=2e-9)
    assert volts / 5.0 == pytest.approx(table["f"], abs=1e-9)


def test_resistances_come_back_from_the_voltages_of_the_table(table):
    inner = np.isfinite(table["r_ohm"]) & (table["r_ohm"] > 0)
    ohms = divider_ohms(5.0, table["rp_ohm"][inner], table["f"][inner] * 5.0)
    assert ohms == pytest.approx(table["r_ohm"][inner], rel=2e-7)


def test_powers_are_those_of_the_table(table):
    watts = [
        state_loading(one_rung(r), 1, reference_volts=5.0, pullup_ohms=rp).rungs[0].watts
        for r, rp in zip(table["r_ohm"], table["rp_ohm"], strict=True)
        if 0 < r < math.inf
    ]
    inner = np.isfinite(table["r_ohm"]) & (table["r_ohm"] > 0)
    assert np.array(watts) * 1e3 == pytest.approx(table["p_mW"][inner], abs=1e-6)


def one_rung(ohms):
    return Ladder(
        name="one resistor",
        relay_count=1,
        relays=(Relay(index=0, contact_ohms=0.0),),
        groups=(Group(kind=GroupKind.PARALLEL, rungs=(Rung(relay=0, ohms=ohms),)),),
    )


@pytest.mark.parametrize(
    ("column", "bits", "convention"),
    [
        ("code10_floor1024", 10, AdcConvention.FLOOR),
        ("code10_round1023", 10, AdcConvention.ROUND),
        ("code12_floor4096", 12, AdcConvention.FLOOR),
        ("code12_round4095", 12, AdcConvention.ROUND),
    ],
)
def test_codes_are_those_of_the_table(table, column, bits, convention):
    # The table was computed from exact resistances but prints rounded ones and fractions: a row on
    # the edge of a code (0.1 of 4095 is 409.5) has to match on one side of that rounding.
    tabled = table[column].astype(int)
    below = adc_code(table["f"] - 2e-11, bits, convention)
    above = adc_code(table["f"] + 2e-11, bits, convention)
    sure = below == above
    assert adc_code(table["f"], bits, convention)[sure].tolist() == tabled[sure].tolist()
    assert ((below <= tabled) & (tabled <= above)).all()
    assert sure.sum() >= 0.6 * len(tabled)


def test_open_and_short_are_exact_ends():
    assert float(divider_volts(5.0, 2490.0, math.inf)) == 5.0
    assert float(divider_volts(5.0, 2490.0, 0.0)) == 0.0
    assert float(divider_ohms(5.0, 2490.0, 5.0)) == math.inf
    assert float(divider_ohms(5.0, 2490.0, 0.0)) == 0.0


def test_a_pullup_limits_the_current_of_a_short(make_module):
    # Common practice, no source: 5 V behind the pull-up limits the short's current to Vref/Rp.
    assert float(short_circuit_amperes(5.0, 1000.0)) == pytest.approx(5e-3)
    assert make_module(pullup_ohms=1000.0).short_circuit_amperes == pytest.approx(5e-3)


def test_the_most_power_is_at_the_pullup_resistance(table):
    for pullup in np.unique(table["rp_ohm"]):
        tabled = table["p_mW"][table["rp_ohm"] == pullup]
        assert float(most_watts(5.0, pullup)) * 1e3 == pytest.approx(tabled.max(), abs=1e-6)


@given(st.floats(1e-2, 1e7), st.floats(10.0, 1e6), st.floats(0.5, 24.0))
def test_resistance_to_voltage_and_back(ohms, pullup_ohms, reference_volts):
    volts = divider_volts(reference_volts, pullup_ohms, ohms)
    back = float(divider_ohms(reference_volts, pullup_ohms, volts))
    # Near the reference the difference Vref - V loses digits in proportion to 1 + R/Rp.
    assert back == pytest.approx(ohms, rel=1e-14 * (10 + ohms / pullup_ohms))


@given(st.integers(6, 16), st.sampled_from(AdcConvention), st.data())
def test_every_code_decodes_to_a_voltage_that_encodes_to_it(bits, convention, data):
    code = data.draw(st.integers(0, 2**bits - 1))
    volts = adc_volts(code, bits, convention, 5.0)
    assert int(adc_code(volts / 5.0, bits, convention)) == code


@given(st.integers(6, 16), st.sampled_from(AdcConvention), st.floats(0.0, 1.0))
def test_a_code_stands_for_a_voltage_within_half_a_step(bits, convention, fraction):
    volts = adc_volts(adc_code(fraction, bits, convention), bits, convention, 1.0)
    steps = 2**bits if convention is AdcConvention.FLOOR else 2**bits - 1
    assert abs(float(volts) - fraction) <= 0.5 / steps * (1 + 1e-9)
