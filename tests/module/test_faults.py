"""What faults do to the resistance a module seems to see: circuit laws, worked by hand."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.module.divider import divider_ohms, divider_volts
from controller.module.faults import (
    Gain,
    LeakageToGround,
    Noise,
    SeriesResistance,
    StuckReport,
    seen_ohms,
)


def test_each_fault_alone():
    assert seen_ohms(1000.0, ()) == 1000.0
    assert seen_ohms(1000.0, [SeriesResistance(ohms=150.0)]) == 1150.0
    assert seen_ohms(1000.0, [LeakageToGround(ohms=1000.0)]) == pytest.approx(500.0)
    assert seen_ohms(1000.0, [Gain(factor=1.1)]) == pytest.approx(1100.0)
    assert seen_ohms(1000.0, [Noise(volts=1.0), StuckReport(celsius=20.0)]) == 1000.0


def test_all_together_in_the_order_of_the_circuit():
    faults = [Gain(factor=2.0), LeakageToGround(ohms=500.0), SeriesResistance(ohms=250.0)]
    assert seen_ohms(250.0, faults) == pytest.approx(2.0 * 250.0)  # 2 (500 || 500)


def test_open_and_short():
    assert seen_ohms(math.inf, ()) == math.inf
    assert seen_ohms(math.inf, [LeakageToGround(ohms=4700.0)]) == pytest.approx(4700.0)
    assert seen_ohms(0.0, [SeriesResistance(ohms=5.0)]) == 5.0
    assert seen_ohms(0.0, [LeakageToGround(ohms=5.0)]) == 0.0
    assert seen_ohms(1000.0, [LeakageToGround(ohms=0.0)]) == 0.0


def test_two_of_a_kind_combine_as_resistors_do():
    pair = [LeakageToGround(ohms=2000.0), LeakageToGround(ohms=2000.0)]
    assert seen_ohms(1000.0, pair) == pytest.approx(seen_ohms(1000.0, [LeakageToGround(ohms=1e3)]))
    pair = [SeriesResistance(ohms=1.0), SeriesResistance(ohms=2.0)]
    assert seen_ohms(1000.0, pair) == 1003.0


@given(st.floats(1.0, 1e5), st.floats(0.5, 2.0))
def test_a_gain_is_a_wrong_pullup(ohms, factor):
    believed = 2490.0
    volts = divider_volts(5.0, believed / factor, ohms)
    seen = float(divider_ohms(5.0, believed, volts))
    assert seen_ohms(ohms, [Gain(factor=factor)]) == pytest.approx(seen, rel=1e-9)
