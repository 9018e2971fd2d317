"""Fixed points of water against published values; a sensor compared in them by hand."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from uncertainties import ufloat
from uncertainties.umath import log

from controller.errors import InputError, SpanError
from controller.sensors.bath import BathPoint, compare_in_bath
from controller.sensors.bath_file import load_bath
from controller.sensors.thermistor import BetaCurve
from controller.sensors.water import (
    air_pressure_pa,
    air_pressure_uncertainty_pa,
    boiling_celsius,
    boiling_point,
    ice_point,
)

DEMO = Path(__file__).resolve().parents[2] / "sweeps" / "sensors" / "baths" / "tern-coolant.toml"


@pytest.mark.parametrize(
    ("megapascal", "kelvin"), [(0.1, 372.755919), (1.0, 453.035632), (10.0, 584.149488)]
)
def test_saturation_temperature(megapascal, kelvin):
    """IAPWS R7-97(2012), table 36: program verification values, to all digits printed."""
    assert boiling_celsius(megapascal * 1e6) + 273.15 == pytest.approx(kelvin, abs=5.1e-7)


@pytest.mark.parametrize(
    ("kelvin", "megapascal"), [(300, 0.353658941e-2), (500, 2.63889776), (600, 12.3443146)]
)
def test_saturation_pressure_read_backwards(kelvin, megapascal):
    """IAPWS R7-97(2012), table 35: the two equations invert each other exactly."""
    assert boiling_celsius(megapascal * 1e6) + 273.15 == pytest.approx(kelvin, abs=1e-5)


def test_one_atmosphere_is_not_quite_100_degrees():
    """ITS-90: water at 101.325 kPa boils at 99.974 degC (CIPM/BIPM supplementary information)."""
    assert boiling_celsius(101_325.0) == pytest.approx(99.974, abs=1e-3)


@pytest.mark.parametrize(
    ("metres", "pascal"), [(0, 101325.0), (1000, 89874.6), (2000, 79495.2), (5000, 54019.9)]
)
def test_standard_atmosphere(metres, pascal):
    """ISO 2533:1975, table of pressure against geopotential altitude: half a last digit."""
    assert air_pressure_pa(metres) == pytest.approx(pascal, abs=0.06)


def test_a_weather_report_is_taken_back_to_the_spot():
    """At 500 m, ISO 2533 gives 95461 Pa for 101325 Pa; in proportion for any other."""
    assert air_pressure_pa(500.0, sea_level_pressure_pa=102_000.0) == pytest.approx(
        95_460.8 * 102_000.0 / 101_325.0, abs=1.0
    )


@given(st.floats(4e4, 1.1e5), st.floats(1.0, 3000.0))
def test_pressure_uncertainty_by_clausius_clapeyron(pascal, u):
    """dT/dp = R T^2 / (p L), L = 2.26 MJ/kg, R = 461.5 J/(kg K): an ideal vapour, to 5 %."""
    point = boiling_point(pascal, pressure_uncertainty_pa=u, uncertainty_celsius=0.0)
    kelvin = point.celsius + 273.15
    slope = 461.5 * kelvin**2 / (pascal * 2.26e6)
    assert point.uncertainty_celsius == pytest.approx(slope * u, rel=0.05)


def day(metres, **changes):
    options = {
        "sea_level_pressure_uncertainty_pa": 0.0,
        "sea_level_uncertainty_kelvin": 0.0,
        "altitude_uncertainty_metres": 0.0,
        **changes,
    }
    return air_pressure_uncertainty_pa(metres, **options)


@given(st.floats(0.0, 4000.0), st.floats(960e2, 1040e2), st.floats(260.0, 310.0))
def test_the_uncertainty_of_the_pressure_is_that_of_its_formula(metres, pascal, kelvin):
    """JCGM 100:2008, 5.1.3: central differences of the ISO 2533 formula."""

    def pressure(h, p0, t0):
        return air_pressure_pa(h, sea_level_pressure_pa=p0, sea_level_kelvin=t0)

    here = {"sea_level_pressure_pa": pascal, "sea_level_kelvin": kelvin}
    by_kelvin = (pressure(metres, pascal, kelvin + 1) - pressure(metres, pascal, kelvin - 1)) / 2
    by_metre = (pressure(metres + 1, pascal, kelvin) - pressure(metres - 1, pascal, kelvin)) / 2
    found = day(metres, **here, sea_level_uncertainty_kelvin=1.0)
    assert found == pytest.approx(abs(by_kelvin), rel=1e-3, abs=1e-6)
    found = day(metres, **here, altitude_uncertainty_metres=1.0)
    assert found == pytest.approx(abs(by_metre), rel=1e-3)
    found = day(metres, **here, sea_level_pressure_uncertainty_pa=1000.0)
    assert found == pytest.approx(1000.0 * pressure(metres, 1.0, kelvin), rel=1e-9)


def test_a_hot_or_cold_day_counts_with_the_altitude():
    """Common practice, no source: 4 % of the height for every 10 K; 1000 m are about 112 hPa."""
    low, high = (day(metres, sea_level_uncertainty_kelvin=10.0) for metres in (500.0, 1000.0))
    assert high == pytest.approx(0.04 * 11_200.0, rel=0.2)
    assert high == pytest.approx(2 * low, rel=0.1)
    assert day(0.0, sea_level_uncertainty_kelvin=10.0) == 0.0


def test_the_ice_point_is_zero():
    assert ice_point().celsius == 0.0


@pytest.mark.parametrize("pascal", [0.0, 600.0, 23e6, math.nan])
def test_pressures_beyond_the_equation_are_refused(pascal):
    with pytest.raises(InputError):
        boiling_celsius(pascal)


@pytest.mark.parametrize("metres", [-3000.0, 12000.0, math.nan])
def test_altitudes_beyond_the_standard_are_refused(metres):
    with pytest.raises(InputError):
        air_pressure_pa(metres)


BETA = BetaCurve(
    reference_ohms=2000.0,
    reference_celsius=25.0,
    beta_kelvin=3435.0,
    lowest_celsius=-20.0,
    highest_celsius=100.0,
)


def point(celsius, ohms, *, u_celsius=0.1, u_ohms=1.0):
    return BathPoint(
        label="bath",
        celsius=celsius,
        uncertainty_celsius=u_celsius,
        ohms=ohms,
        uncertainty_ohms=u_ohms,
    )


def test_error_and_uncertainty_agree_with_the_uncertainties_package():
    """The package `uncertainties` as oracle: 1/T = 1/T0 + ln(R/R0)/B, minus the bath."""
    ohms, bath = ufloat(830.0, 4.0), ufloat(49.0, 0.15)
    kelvin = 1 / (1 / 298.15 + log(ohms / 2000.0) / 3435.0)
    error = kelvin - 273.15 - bath
    (result,) = compare_in_bath(BETA, [point(49.0, 830.0, u_celsius=0.15, u_ohms=4.0)])
    assert result.error_celsius == pytest.approx(error.nominal_value, abs=1e-9)
    assert result.uncertainty_celsius == pytest.approx(2 * error.std_dev, rel=1e-6)
    assert not result.beyond_span


def test_the_curve_adds_its_own_uncertainty(demo):
    curve = demo("tern-coolant-chart").curve
    (result,) = compare_in_bath(curve, [point(50.0, float(curve.ohms(50.0)))])
    shares = dict(result.budget)
    assert shares["curve"] == pytest.approx(float(curve.uncertainty_celsius(50.0)), rel=1e-12)
    assert shares["curve"] > 0.1
    assert result.uncertainty_celsius == pytest.approx(
        2 * math.sqrt(sum(u**2 for u in shares.values()))
    )
    assert result.error_celsius == pytest.approx(0.0, abs=1e-9)


def test_a_sensor_reading_beyond_its_span_is_said_to(demo):
    (result,) = compare_in_bath(BETA, [point(99.9, 150.0)])
    assert result.beyond_span
    true = 1 / (1 / 298.15 + math.log(150.0 / 2000.0) / 3435.0) - 273.15
    assert result.reads_celsius == pytest.approx(true, abs=1e-6)
    assert result.error_celsius > 8.0


def test_a_bath_outside_the_span_is_refused():
    with pytest.raises(SpanError):
        compare_in_bath(BETA, [point(120.0, 120.0)])


@pytest.mark.parametrize("ohms", [0.0, -5.0, math.inf, math.nan])
def test_resistances_that_are_none_are_refused(ohms):
    with pytest.raises(InputError, match="above 0 ohm"):
        compare_in_bath(BETA, [point(20.0, ohms)])


def test_no_points_no_statement():
    with pytest.raises(InputError, match="no bath points"):
        compare_in_bath(BETA, [])


def test_the_demo_bath(demo):
    """The fixed points are found, and each error is R's deviation over the slope, to 0.05 degC."""
    points = load_bath(DEMO)
    assert [p.celsius for p in points[:2]] == [0.0, 48.6]
    # 1004 hPa at sea level is 1001.6 hPa at 20 m: 99.974 degC less 11.6 hPa at 0.028 degC/hPa.
    assert points[2].celsius == pytest.approx(99.65, abs=0.03)
    curve = demo("tern-coolant").curve
    for result in compare_in_bath(curve, points):
        p = result.point
        linear = (p.ohms - float(curve.ohms(p.celsius))) / float(
            curve.slope_ohms_per_kelvin(p.celsius)
        )
        assert result.error_celsius == pytest.approx(linear, abs=0.05)
        assert np.isfinite(result.uncertainty_celsius)


BOILING = '[[point]]\nkind = "boiling"\nohms = 190\nuncertainty_ohms = 0.5\n'
BATH = '[[point]]\nkind = "bath"\nohms = 190\nuncertainty_ohms = 0.5\n'


def load(tmp_path, text):
    path = tmp_path / "bath.toml"
    path.write_text('format = "rungwise-bath/1"\n' + text, encoding="utf-8")
    return load_bath(path)


def test_altitude_alone_leaves_the_weather_in_the_uncertainty(tmp_path):
    (alone,) = load(tmp_path, BOILING + "altitude_metres = 0\n")
    (measured,) = load(tmp_path, BOILING + "air_pressure_hpa = 1013.25\n")
    assert alone.celsius == pytest.approx(measured.celsius)
    # 10 hPa of weather are 0.28 degC, 10 m are 1.2 hPa.
    assert alone.uncertainty_celsius == pytest.approx(math.hypot(0.28, 0.1), abs=0.005)
    assert measured.uncertainty_celsius == pytest.approx(math.hypot(0.028, 0.1), abs=0.001)


def test_altitude_and_the_temperature_of_the_day_add_to_it(tmp_path):
    """At 2000 m 12 K are 4.2 % of 218 hPa of air below, about 9 hPa; at 4 K a third of that."""
    text = BOILING + "altitude_metres = 2000\naltitude_uncertainty_metres = 0\n"
    (unknown,) = load(tmp_path, text)
    (measured,) = load(tmp_path, text + "air_celsius = 2\n")
    # 795 hPa: 0.034 degC/hPa; ISO 2533 has 2 degC at 2000 m, so both boil at the same.
    assert measured.celsius == pytest.approx(unknown.celsius, abs=1e-9)
    weather = 10 * 0.785
    assert unknown.uncertainty_celsius == pytest.approx(
        math.hypot(0.034 * weather, 0.034 * 7.9, 0.1), abs=0.02
    )
    assert measured.uncertainty_celsius == pytest.approx(
        math.hypot(0.034 * weather, 0.034 * 2.6, 0.1), abs=0.02
    )
    # A colder column of air is heavier: less pressure is left above it.
    (cold,) = load(tmp_path, text + "air_celsius = -20\n")
    assert cold.celsius < measured.celsius - 0.3


def test_sea_water_and_salt_are_cautioned(tmp_path):
    ice = '[[point]]\nkind = "ice"\nohms = 190\nuncertainty_ohms = 0.5\n'
    bath = BATH + "celsius = 50\nuncertainty_celsius = 0.1\n"
    points = load(tmp_path, ice + BOILING + "altitude_metres = 0\n" + bath)
    assert ["Sea water" in (p.caution or "") for p in points] == [True, False, False]
    assert ["fresh, clean water" in (p.caution or "") for p in points] == [True, True, False]


@pytest.mark.parametrize(
    ("text", "key", "message"),
    [
        ("", "point", "is missing"),
        (BOILING, "point[0].air_pressure_hpa", "is missing"),
        (BOILING + "sea_level_pressure_hpa = 1000\n", "point[0].altitude_metres", "is missing"),
        (
            BOILING + "air_pressure_hpa = 990\naltitude_metres = 100\n",
            "point[0].air_pressure_hpa",
            "needs neither",
        ),
        (BOILING + "air_pressure_hpa = 99000\n", "point[0].air_pressure_hpa", "at most 1100"),
        (BOILING + "altitude_metres = 20000\n", "point[0].altitude_metres", "outside"),
        (BATH + "celsius = 50\n", "point[0].uncertainty_celsius", "is missing"),
        (BATH + "uncertainty_celsius = 0.1\n", "point[0].celsius", "is missing"),
        ('[[point]]\nkind = "ice"\nuncertainty_ohms = 1\n', "point[0].ohms", "is missing"),
        (
            '[[point]]\nkind = "ice"\nohms = -1\nuncertainty_ohms = 1\n',
            "point[0].ohms",
            "more than 0",
        ),
        (
            '[[point]]\nkind = "ice"\nohms = 1\nuncertainty_ohms = 1\ncelsius = 3\n',
            "point[0].celsius",
            "unknown key",
        ),
        (
            '[[point]]\nkind = "iced"\nohms = 1\nuncertainty_ohms = 1\n',
            "point[0].kind",
            "must be one of",
        ),
    ],
)
def test_bad_bath_files_are_refused_with_key_and_reason(tmp_path, text, key, message):
    with pytest.raises(InputError) as caught:
        load(tmp_path, text)
    (problem,) = caught.value.problems
    assert problem.key == key
    assert message in problem.message
