"""The simulated module in time: filter, samples, codes, faults."""

import math
from dataclasses import dataclass

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import signal

from controller.module.divider import AdcConvention, adc_code, adc_volts, divider_volts
from controller.module.faults import (
    CurveOffset,
    Gain,
    LeakageToGround,
    Noise,
    SeriesResistance,
    StuckReport,
    WrongCurve,
)
from controller.module.model import SecondPullup
from controller.module.simulate import SimulatedModule
from controller.sensors.curve import Sensor

TWO = SecondPullup(ohms=249.0, on_above_celsius=60.0, off_below_celsius=50.0, blanking_s=1.5)
"""A second pull-up for the tests."""


# What the trade says of such a module


def test_a_dead_short_reads_130_and_an_open_circuit_minus_40(make_module):
    # Common practice, no source: the end readings of the module at hand.
    module = SimulatedModule(make_module())
    module.expose(0.0, 0.0)
    assert module.report(10.0).celsius == 130.0
    module.expose(10.0, math.inf)
    assert module.report(20.0).celsius == -40.0


def test_short_and_open_leave_a_low_and_a_high_circuit_code(make_module):
    # Common practice, no source.
    module = SimulatedModule(make_module(), start_ohms=2800.0)
    assert module.report(10.0).codes == ()
    module.expose(10.0, 0.0)
    assert module.report(20.0).codes == ("low circuit",)
    module.expose(20.0, math.inf)
    assert module.report(30.0).codes == ("low circuit", "high circuit")
    module.expose(30.0, 2800.0)
    assert module.report(40.0).codes == ("low circuit", "high circuit"), "kept until cleared"
    module.clear_codes(40.0)
    assert module.report(50.0).codes == ()


@pytest.mark.parametrize("celsius", range(-38, 148, 6))
def test_a_healthy_module_reports_the_temperature_of_its_input(make_module, sensor, celsius):
    module = SimulatedModule(make_module(), start_ohms=float(sensor.curve.ohms(celsius)))
    # Half a step of 1 degC, and half a count of 12 bits (0.3 degC at the ends of the span).
    assert abs(module.report(1.0).celsius - celsius) <= 1.0


# Time


def test_the_filter_is_that_of_scipy(make_module):
    # scipy.signal.lsim, input held between samples, for 1/(1 + tau s): to half an ADC count.
    tau, interval = 0.2, 0.01
    settings_ = {"filter_time_constant_s": tau, "sample_interval_s": interval, "adc_bits": 16}
    module = SimulatedModule(make_module(**settings_), start_ohms=2800.0)
    changes = {0.5: 400.0, 0.9: 9000.0, 1.0: 9500.0, 2.0: 1200.0}
    step = 1e-3
    times = np.arange(0.0, 3.0 + step / 2, step)
    # A jump inside one step of lsim's input: the sample before it has the old value.
    ohms = np.full(times.shape, 2800.0)
    for at, value in changes.items():
        ohms[times > at - step / 2] = value
    volts_in = divider_volts(5.0, 2490.0, ohms)
    start = float(volts_in[0])
    _, expected, _ = signal.lsim(
        signal.TransferFunction([1.0], [tau, 1.0]), volts_in - start, times, interp=False
    )
    pending = sorted(changes.items())
    compared = 0
    for index in range(0, len(times), 10):
        at = times[index]
        while pending and pending[0][0] <= at + step / 2:
            module.expose(*pending.pop(0))
        seen = module.report(max(at, module._now_s) + step / 4).volts
        assert seen == pytest.approx(start + expected[index], abs=0.6 * 5.0 / 2**16)
        compared += 1
    assert compared == 301


def test_a_step_reaches_63_percent_after_one_time_constant(make_module):
    values = {"filter_time_constant_s": 1.0, "adc_bits": 16, "pullup_ohms": 1000.0}
    module = SimulatedModule(make_module(**values), start_ohms=1000.0)
    module.expose(0.0, 3000.0)  # 2.5 V to 3.75 V
    assert module.report(1.0).volts == pytest.approx(2.5 + 1.25 * (1 - math.exp(-1)), abs=1e-4)


def test_samples_see_the_input_as_it_was_just_before(make_module):
    module = SimulatedModule(make_module(filter_time_constant_s=0.0), start_ohms=2800.0)
    module.expose(1.0, 400.0)
    before = module.report(1.0).celsius
    assert before == 25.0
    assert module.report(1.0099).celsius == before
    assert module.report(1.0101).celsius > 80.0


def test_time_never_goes_back(make_module):
    module = SimulatedModule(make_module(), start_s=5.0)
    module.report(6.0)
    with pytest.raises(ValueError, match="time went back"):
        module.expose(5.5, 100.0)
    with pytest.raises(ValueError, match="time went back"):
        module.report(math.nan)
    with pytest.raises(ValueError, match="zero or more"):
        module.expose(7.0, -1.0)


def test_a_late_start_is_the_same_module(make_module):
    early, late = SimulatedModule(make_module()), SimulatedModule(make_module(), start_s=4096.0)
    for at, ohms in ((0.5, 300.0), (0.75, 2000.0), (4.0, 0.0)):
        early.expose(at, ohms)
        late.expose(at + 4096.0, ohms)
        assert early.report(at + 0.125) == late.report(at + 4096.125)


RESISTANCES = st.sampled_from([0.0, 30.0, 120.0, 250.0, 400.0, 2800.0, 2900.0, 5e4, 2e5, math.inf])
CHANGES = st.lists(st.tuples(st.integers(1, 150), RESISTANCES), max_size=8)
KINDS = st.fixed_dictionaries(
    {
        "filter_time_constant_s": st.sampled_from([0.0, 0.003, 0.05, 0.4]),
        "second_pullup": st.sampled_from([None, TWO]),
        "rate_limit_kelvin_per_s": st.sampled_from([None, 20.0, 200.0]),
        "rate_window_s": st.sampled_from([0.02, 0.5]),
        "detection_s": st.sampled_from([0.0, 0.1, 2.0]),
        "adc_convention": st.sampled_from(AdcConvention),
        "adc_bits": st.sampled_from([8, 12]),
    }
)


@given(CHANGES, KINDS, st.booleans(), st.sampled_from([0.0, 0.02]), st.integers(0, 9))
def test_answers_do_not_depend_on_how_often_they_are_asked_for(
    make_module, changes, kinds, odd_times, noise_volts, seed
):
    """Asking at every sample gives what asking once at the end gives, bit for bit."""
    faults = (Noise(volts=noise_volts),)
    eager = SimulatedModule(make_module(**kinds), faults, seed)
    lazy = SimulatedModule(make_module(**kinds), faults, seed)
    unit_s = 0.0137 if odd_times else 0.02
    at, asked_s = 0, 0.0
    for wait, ohms in [*changes, (60, 2800.0)]:
        at += wait
        while asked_s < at * unit_s:
            eager.report(asked_s)
            asked_s += 0.01
        eager.expose(at * unit_s, ohms)
        lazy.expose(at * unit_s, ohms)
        asked_s = at * unit_s
    assert eager.report(at * unit_s + 3.0) == lazy.report(at * unit_s + 3.0)


@given(CHANGES, KINDS)
def test_skipping_ahead_changes_nothing(make_module, changes, kinds):
    """Against the same module made to take every sample (noise of no size that matters)."""
    skipping = SimulatedModule(make_module(**kinds))
    every = SimulatedModule(make_module(**kinds), [Noise(volts=1e-300)])
    at = 0.0
    for wait, ohms in changes:
        at += wait * 0.05
        skipping.expose(at, ohms)
        every.expose(at, ohms)
        assert skipping.report(at + 0.013) == every.report(at + 0.013)
        at += 0.013


def test_settled_hours_cost_no_samples(make_module, monkeypatch):
    module = SimulatedModule(make_module(), start_ohms=2800.0)
    taken = 0
    convert = module._convert

    def counting(last):
        nonlocal taken
        before = module._next
        convert(last)
        taken += module._next - before

    monkeypatch.setattr(module, "_convert", counting)
    module.expose(1.0, 400.0)
    module.report(24 * 3600.0)
    # 64 time constants of 0.15 s and a rate window of 1 s, of 8.64 million samples.
    assert 0 < taken < 1400


# Codes


@pytest.mark.parametrize("detection_s", [0.0, 0.3, 2.0])  # inside the rate window, and beyond it
@pytest.mark.parametrize("ohms", [0.0, math.inf])
@pytest.mark.parametrize("asked_before", [True, False])
def test_a_code_comes_with_the_first_sample_after_the_detection_time(
    make_module, detection_s, ohms, asked_before
):
    values = {
        "filter_time_constant_s": 0.0,
        "detection_s": detection_s,
        "open_reports_celsius": -35.0,
        "sample_interval_s": 0.01,
    }
    undecided, decided = (-40.0, -35.0) if ohms else (150.0, 130.0)
    module = SimulatedModule(make_module(**values), start_ohms=2800.0)
    module.expose(1.0, ohms)
    # The first sample that sees the fault is at 1.01 s; the one that decides comes as much later
    # as the detection time.
    if asked_before and detection_s:
        report = module.report(1.01 + detection_s - 0.005)
        assert (report.celsius, report.codes) == (undecided, ())
    report = module.report(1.01 + detection_s + 0.005)
    assert report.celsius == decided
    assert report.codes == ("high circuit" if ohms else "low circuit",)


def test_until_it_has_decided_a_module_reports_the_end_of_its_curve(make_module, sensor):
    values = {"detection_s": 100.0, "lowest_report_celsius": -60.0}
    for ohms, celsius in ((0.0, sensor.curve.highest_celsius), (1e9, sensor.curve.lowest_celsius)):
        module = SimulatedModule(make_module(**values), start_ohms=ohms)
        assert module.report(50.0).celsius == celsius


@dataclass(frozen=True, kw_only=True)
class RisingCurve:
    """1000 ohm at 0 degC, 3.85 ohm more for each kelvin: a sensor that rises."""

    lowest_celsius: float = -40.0
    highest_celsius: float = 150.0
    rising: bool = True

    def ohms(self, celsius):
        return 1000.0 + 3.85 * np.asarray(celsius, dtype=float)

    def celsius(self, ohms):
        return (np.asarray(ohms) - 1000.0) / 3.85


def test_a_rising_sensor_reads_the_other_way_round(make_module):
    rising = Sensor(name="rising", kind="polynomial", curve=RisingCurve())
    module = make_module(sensor=rising, detection_s=100.0, adc_bits=16)
    for ohms, celsius in ((0.0, -40.0), (1385.0, 100.0), (math.inf, 150.0)):
        assert SimulatedModule(module, start_ohms=ohms).report(50.0).celsius == celsius


def test_a_fault_shorter_than_the_detection_time_leaves_nothing(make_module):
    module = SimulatedModule(make_module(detection_s=0.5), start_ohms=2800.0)
    for cycle in range(20):
        module.expose(cycle * 2.0 + 1.0, math.inf)
        module.expose(cycle * 2.0 + 1.4, 2800.0)
    assert module.report(60.0).codes == ()


def test_a_cleared_code_comes_back_while_its_cause_is_there(make_module):
    module = SimulatedModule(make_module(detection_s=2.0))
    assert module.report(100.0).codes == ("high circuit",)
    module.clear_codes(100.0)
    assert module.report(101.5).codes == ()
    assert module.report(103.0).codes == ("high circuit",)


def test_a_jump_faster_than_the_rate_limit_sets_the_range_code(make_module, sensor):
    limits = {"rate_limit_kelvin_per_s": 20.0, "rate_window_s": 1.0}
    start = float(sensor.curve.ohms(20.0))
    for jump, codes in ((15.0, ()), (25.0, ("range",))):
        module = SimulatedModule(make_module(**limits), start_ohms=start)
        module.expose(60.0, float(sensor.curve.ohms(20.0 + jump)))
        assert module.report(120.0).codes == codes


@pytest.mark.parametrize(
    ("glitch_s", "glitch_ohms", "codes"),
    [
        (0.010, 0.0, ()),
        (0.010, math.inf, ()),
        (0.050, 600.0, ()),
        (0.050, math.inf, ("range",)),
    ],
)
def test_a_glitch_is_hidden_by_the_filter_or_seen(
    make_module, sensor, glitch_s, glitch_ohms, codes
):
    """Its end points are equal: what the filter of 0.15 s lets through of its size decides.

    By hand for 50 ms open at 60 degC: 1.23 V goes 28 % of the way to 5 V, to 2.30 V or 32 degC,
    28 K away; for 10 ms 6 % of the way, to 1.48 V or 53 degC.
    """
    limits = {"rate_limit_kelvin_per_s": 20.0, "filter_time_constant_s": 0.15}
    start = float(sensor.curve.ohms(60.0))
    module = SimulatedModule(make_module(**limits), start_ohms=start)
    module.expose(60.0, glitch_ohms)
    module.expose(60.0 + glitch_s, start)
    assert module.report(120.0).codes == codes


def test_coming_back_from_open_is_not_called_implausible(make_module):
    module = SimulatedModule(make_module(rate_limit_kelvin_per_s=20.0))
    module.expose(60.0, 2800.0)
    assert module.report(120.0).codes == ("high circuit",)


# Two pull-ups


def test_the_second_pullup_switches_with_hysteresis(make_module, sensor):
    module = SimulatedModule(make_module(second_pullup=TWO))
    pullups = []
    for index, celsius in enumerate((40, 55, 65, 55, 45, 55)):
        module.expose(index * 20.0, float(sensor.curve.ohms(celsius)))
        report = module.report(index * 20.0 + 19.0)
        assert abs(report.celsius - celsius) <= 1.0
        ohms = float(sensor.curve.ohms(celsius))
        pullups.append(
            min(
                (2490.0, 249.0),
                key=lambda p: abs(float(divider_volts(5.0, p, ohms)) - report.volts),
            )
        )
    assert pullups == [2490.0, 2490.0, 249.0, 249.0, 2490.0, 2490.0]
    assert module.report(200.0).codes == ()


def test_the_report_is_held_while_the_filter_settles_after_a_switch_over(make_module, sensor):
    module = SimulatedModule(make_module(second_pullup=TWO), start_ohms=2800.0)
    module.expose(5.0, float(sensor.curve.ohms(90.0)))
    reports = [module.report(5.0 + k / 100).celsius for k in range(1, 400)]
    assert reports == sorted(reports), "never a reading beyond the truth on the way"
    assert abs(reports[-1] - 90.0) <= 1.0


def test_a_switch_over_is_no_fault(make_module, sensor):
    """Seen with the pull-up for hot, -10 degC is above the limit for open: for one sample only."""
    values = {"filter_time_constant_s": 0.0, "detection_s": 0.5, "second_pullup": TWO}
    cold_ohms = float(sensor.curve.ohms(-10.0))
    assert float(divider_volts(5.0, TWO.ohms, cold_ohms)) > 4.9
    module = SimulatedModule(
        make_module(rate_limit_kelvin_per_s=500.0, **values),
        start_ohms=float(sensor.curve.ohms(90.0)),
    )
    module.expose(10.0, cold_ohms)
    reports = {at: module.report(at) for at in (10.005, 11.4, 20.0)}
    assert [r.codes for r in reports.values()] == [(), (), ()]
    assert abs(reports[20.0].celsius - -10.0) <= 1.0


def test_open_and_short_with_two_pullups(make_module):
    module = SimulatedModule(make_module(second_pullup=TWO), start_ohms=2800.0)
    module.expose(5.0, 0.0)
    assert module.report(20.0).celsius == 130.0
    module.expose(20.0, math.inf)
    assert module.report(40.0).celsius == -40.0
    assert module.report(40.0).codes == ("low circuit", "high circuit")


def test_the_short_circuit_current_is_that_of_the_lower_pullup(make_module):
    assert make_module(second_pullup=TWO).short_circuit_amperes == pytest.approx(5.0 / 249.0)
    assert make_module(second_pullup=TWO).most_watts == pytest.approx(25.0 / (4 * 249.0))


# Faults


@pytest.mark.parametrize(
    ("fault", "seen"),
    [
        (SeriesResistance(ohms=150.0), 1150.0),
        (LeakageToGround(ohms=4000.0), 800.0),
        (Gain(factor=1.2), 1200.0),
    ],
)
def test_electrical_faults_shift_the_report_as_the_circuit_says(make_module, sensor, fault, seen):
    module = SimulatedModule(make_module(adc_bits=16), [fault], start_ohms=1000.0)
    assert abs(module.report(1.0).celsius - float(sensor.curve.celsius(seen))) <= 0.51


def test_a_wrong_curve_reports_that_curves_temperature(make_module, sensor):
    other = Sensor(name="other", kind="ntc-beta", curve=type(sensor.curve)(beta_kelvin=3900.0))
    module = SimulatedModule(make_module(adc_bits=16), [WrongCurve(sensor=other)], start_ohms=400.0)
    assert abs(module.report(1.0).celsius - float(other.curve.celsius(400.0))) <= 0.51
    assert abs(module.report(1.0).celsius - float(sensor.curve.celsius(400.0))) > 5.0


def test_an_offset_and_a_stuck_report(make_module):
    module = SimulatedModule(make_module(), [CurveOffset(kelvin=4.0)], start_ohms=2800.0)
    assert module.report(1.0).celsius == 29.0
    module = SimulatedModule(make_module(), [StuckReport(celsius=85.0)], start_ohms=2800.0)
    assert module.report(1.0).celsius == 85.0
    module.expose(1.0, math.inf)
    assert module.report(9.0).celsius == 85.0
    assert module.report(9.0).codes == ("high circuit",)


def test_noise_has_the_stated_size_and_repeats_by_seed(make_module):
    values = {"adc_bits": 16, "filter_time_constant_s": 0.0}
    runs = []
    for seed in (1, 1, 2):
        module = SimulatedModule(make_module(**values), [Noise(volts=0.01)], seed, start_ohms=2490)
        runs.append([module.report(k / 100).volts for k in range(4000)])
    assert runs[0] == runs[1]
    assert runs[0] != runs[2]
    # 4000 draws: the standard deviation is known to 1.1 % (k = 1); the mean to 0.16 mV.
    assert np.std(runs[0]) == pytest.approx(0.01, rel=0.05)
    assert np.mean(runs[0]) == pytest.approx(2.5, abs=8e-4)


def test_the_measured_voltage_is_that_of_the_code(make_module):
    module = make_module(adc_bits=10, adc_convention=AdcConvention.ROUND)
    volts = float(divider_volts(5.0, 2490.0, 333.0))
    code = adc_code(volts / 5.0, 10, AdcConvention.ROUND)
    expected = float(adc_volts(code, 10, AdcConvention.ROUND, 5.0))
    assert SimulatedModule(module, start_ohms=333.0).report(0.0).volts == expected
