"""Module files and fault tables: what they give, and every problem at once."""

from pathlib import Path

import pytest

from controller.documents import read_document
from controller.errors import InputError
from controller.module.divider import AdcConvention
from controller.module.encoding import Rounding
from controller.module.faults import (
    CurveOffset,
    Gain,
    LeakageToGround,
    Noise,
    SeriesResistance,
    StuckReport,
    WrongCurve,
)
from controller.module.files import FAULT_KINDS, load_faults, load_module
from controller.module.simulate import SimulatedModule

SWEEPS = Path(__file__).parents[2] / "sweeps"
SENSOR = """
format = "rungwise-sensor/1"
name = "test sensor"
kind = "ntc-beta"
reference_ohms = 2800.0
reference_celsius = 25.0
beta_kelvin = 3500.0
lowest_celsius = -40.0
highest_celsius = 130.0
"""
MODULE = """
format = "rungwise-module/1"
name = "module at hand"
sensor = "sensor.toml"
[input]
reference_volts = 5.0
pullup_ohms = 2490.0
filter_time_constant_s = 0.1
[adc]
bits = 10
convention = "round"
sample_interval_s = 0.02
[report]
resolution_celsius = 0.5
rounding = "truncate"
open_reports_celsius = -40.0
short_reports_celsius = 130.0
[limits]
low_volts = 0.1
high_volts = 4.9
detection_s = 2.0
"""


@pytest.fixture
def written(tmp_path):
    """Write the sensor and a module file, some of its text replaced; return the module's path."""

    def write(*replacements, sensor=SENSOR):
        text = MODULE
        for old, new in replacements:
            assert old in text
            text = text.replace(old, new)
        (tmp_path / "sensor.toml").write_text(sensor)
        path = tmp_path / "module.toml"
        path.write_text(text)
        return path

    return write


def second_pullup(ohms, on_above_celsius, off_below_celsius):
    """Return text that takes the place of the `[adc]` line."""
    return (
        f"\n[input.second_pullup]\npullup_ohms = {ohms}\n"
        f"on_above_celsius = {on_above_celsius}\noff_below_celsius = {off_below_celsius}\n[adc]"
    )


def problems_of(path):
    with pytest.raises(InputError) as caught:
        load_module(path)
    return [(problem.key, problem.message) for problem in caught.value.problems]


def test_a_file_becomes_a_module(written):
    module = load_module(written())
    assert (module.name, module.sensor.name) == ("module at hand", "test sensor")
    assert (module.adc_bits, module.adc_convention) == (10, AdcConvention.ROUND)
    assert (module.resolution_celsius, module.rounding) == (0.5, Rounding.TRUNCATE)
    assert (module.lowest_report_celsius, module.highest_report_celsius) == (-40.0, 215.0)
    assert (module.open_reports_celsius, module.short_reports_celsius) == (-40.0, 130.0)
    assert module.second_pullup is None
    assert module.rate_limit_kelvin_per_s is None
    assert (module.low_code, module.high_code) == ("low circuit", "high circuit")


def test_a_named_encoding_brings_its_steps_and_limits(written):
    named = 'encoding = "sae-j1939-spn-110"'
    module = load_module(written(("resolution_celsius = 0.5", named)))
    assert module.resolution_celsius == 1.0
    assert (module.lowest_report_celsius, module.highest_report_celsius) == (-40.0, 210.0)


def test_a_second_pullup_holds_its_report_for_ten_time_constants_by_default(written):
    pullup = load_module(written(("\n[adc]", second_pullup(249.0, 60.0, 50.0)))).second_pullup
    assert pullup is not None
    assert (pullup.ohms, pullup.on_above_celsius, pullup.off_below_celsius) == (249.0, 60.0, 50.0)
    assert pullup.blanking_s == pytest.approx(1.0)


def test_every_problem_is_told_at_once(written):
    path = written(
        ("pullup_ohms = 2490.0", "pullup_ohms = -1.0"),
        ("bits = 10", 'bits = "ten"'),
        ('convention = "round"', 'convention = "rounded"'),
        ("high_volts = 4.9", "high_volts = 0.05"),
        ("detection_s = 2.0", "detection_s = nan\ndetecton_s = 2.0"),
        sensor=SENSOR.replace("beta_kelvin = 3500.0", "beta_kelvin = -3500.0"),
    )
    keys = {key for key, _ in problems_of(path)}
    assert keys >= {
        "input.pullup_ohms",
        "adc.bits",
        "adc.convention",
        "limits.high_volts",
        "limits.detection_s",
        "limits.detecton_s",
        "beta_kelvin",
    }


@pytest.mark.parametrize(
    ("old", "new", "key"),
    [
        ('sensor = "sensor.toml"', "", "sensor"),
        ("high_volts = 4.9", "high_volts = 5.0", "limits.high_volts"),
        ("bits = 10", "bits = 40", "adc.bits"),
        ("sample_interval_s = 0.02", "sample_interval_s = 0.0", "adc.sample_interval_s"),
        ("resolution_celsius = 0.5", "", "report.resolution_celsius"),
        (
            "resolution_celsius = 0.5",
            "resolution_celsius = 0.5\nhighest_report_celsius = -50.0",
            "report.highest_report_celsius",
        ),
        ("resolution_celsius = 0.5", 'encoding = "sae-j1979"', "report.encoding"),
        (
            "\n[adc]",
            second_pullup(2490.0, 60.0, 50.0),
            "input.second_pullup.pullup_ohms",
        ),
        (
            "\n[adc]",
            second_pullup(249.0, 50.0, 50.0),
            "input.second_pullup.off_below_celsius",
        ),
    ],
)
def test_each_mistake_is_named_alone(written, old, new, key):
    assert [found for found, _ in problems_of(written((old, new)))] == [key]


def test_a_file_that_is_not_there_is_named_with_the_key_that_names_it(written):
    changed = written(('sensor = "sensor.toml"', 'sensor = "nowhere.toml"'))
    assert {found for found, _ in problems_of(changed)} == {None, "sensor"}


def faults_of(tmp_path, text):
    path = tmp_path / "faults.toml"
    path.write_text('format = "faults-for-this-test/1"\n' + text)
    document = read_document(path, "faults-for-this-test/1")
    faults = load_faults(document.root)
    document.finish()
    return faults


def test_fault_tables_become_faults(tmp_path, written):
    written()
    faults = faults_of(
        tmp_path,
        """
        fault = [
          { kind = "series-resistance", ohms = 150.0 },
          { kind = "leakage-to-ground", ohms = 4700.0 },
          { kind = "gain", factor = 1.05 },
          { kind = "wrong-curve", sensor = "sensor.toml" },
          { kind = "curve-offset", offset_kelvin = -3.0 },
          { kind = "stuck-report", reports_celsius = 85.0 },
          { kind = "noise", noise_volts = 0.002 },
        ]
        """,
    )
    assert [type(fault) for fault in faults] == [
        SeriesResistance,
        LeakageToGround,
        Gain,
        WrongCurve,
        CurveOffset,
        StuckReport,
        Noise,
    ]
    assert len(faults) == len(FAULT_KINDS)
    assert faults[1] == LeakageToGround(ohms=4700.0)
    assert faults_of(tmp_path, "") == ()


def test_bad_faults_are_refused_together(tmp_path):
    with pytest.raises(InputError) as caught:
        faults_of(
            tmp_path,
            '[[fault]]\nkind = "series-resistence"\nohms = 1.0\n'
            '[[fault]]\nkind = "leakage-to-ground"\nohms = 0.0\n'
            '[[fault]]\nkind = "gain"\nfactr = 1.1\n',
        )
    keys = [problem.key for problem in caught.value.problems]
    assert set(keys) == {"fault[0].kind", "fault[1].ohms", "fault[2].factor", "fault[2].factr"}


@pytest.mark.parametrize("name", ["tern-aux-diesel", "tern-two-pullups"])
def test_the_demo_modules_report_their_sensors_temperatures(name):
    module = load_module(SWEEPS / "modules" / f"{name}.toml")
    curve = module.sensor.curve
    for celsius in range(-30, 121, 10):
        simulated = SimulatedModule(module)
        simulated.expose(0.0, float(curve.ohms(celsius)))
        assert abs(simulated.report(10.0).celsius - celsius) <= 1.0, celsius
    simulated.expose(10.0, 0.0)
    assert simulated.report(20.0).celsius == 130.0
    simulated.expose(20.0, float("inf"))
    report = simulated.report(30.0)
    assert report.celsius == -40.0
    assert [code.split()[0] for code in report.codes] == ["P0117", "P0118"]
