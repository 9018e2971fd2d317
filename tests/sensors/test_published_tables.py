"""Curves against published tables; source and tolerance stand in the first line of each table."""

from __future__ import annotations

import math

import numpy as np
import pytest

from controller.sensors.files import load_sensor
from controller.sensors.polynomial import platinum_curve
from controller.sensors.table import TableCurve
from controller.sensors.thermistor import BetaCurve, RatioCurve, SteinhartHartCurve
from controller.sensors.tolerance import PLATINUM_CLASSES


def column(rows, name):
    return np.array([float(row[name]) for row in rows])


def published(rows, name):
    return [row for row in rows if row[name]]


class TestPlatinum:
    """IEC 60751, tests/reference/pt100_iec60751.csv."""

    def test_resistance_is_that_of_the_equation(self, reference):
        rows = reference("pt100_iec60751")
        ohms = platinum_curve(reference_ohms=100.0).ohms(column(rows, "t_degC"))
        np.testing.assert_allclose(ohms, column(rows, "r_ohm"), rtol=0, atol=1e-6)

    def test_resistance_is_the_printed_one(self, reference):
        rows = published(reference("pt100_iec60751"), "r_published_ohm")
        ohms = platinum_curve(reference_ohms=100.0).ohms(column(rows, "t_degC"))
        np.testing.assert_allclose(ohms, column(rows, "r_published_ohm"), rtol=0, atol=0.0051)

    def test_slope_is_the_tabulated_one(self, reference):
        rows = reference("pt100_iec60751")
        slope = platinum_curve(reference_ohms=100.0).slope_ohms_per_kelvin(column(rows, "t_degC"))
        np.testing.assert_allclose(slope, column(rows, "dr_dt_ohm_per_K"), rtol=0, atol=1e-6)

    def test_temperature_is_a_true_inverse_on_both_sides_of_zero(self, reference):
        rows = reference("pt100_iec60751")
        curve = platinum_curve(reference_ohms=100.0)
        # The table has six decimals: 0.5e-6 ohm is 2e-6 degC at most.
        ohms = np.clip(column(rows, "r_ohm"), *curve.ends_ohms)
        np.testing.assert_allclose(curve.celsius(ohms), column(rows, "t_degC"), rtol=0, atol=2e-6)

    def test_minus_100_is_not_what_the_quadratic_formula_gives(self, reference):
        (row,) = [r for r in reference("pt100_iec60751") if float(r["t_degC"]) == -100.0]
        ohms, a, b = float(row["r_ohm"]), 3.9083e-3, -5.775e-7
        quadratic = (-a + math.sqrt(a * a - 4 * b * (1 - ohms / 100.0))) / (2 * b)
        assert quadratic == pytest.approx(-100.208, abs=5e-4)
        curve = platinum_curve(reference_ohms=100.0)
        assert float(curve.celsius(ohms)) == pytest.approx(-100.0, abs=2e-6)

    def test_scales_with_the_reference_resistance(self, reference):
        rows = reference("pt100_iec60751")
        ohms = platinum_curve(reference_ohms=1000.0).ohms(column(rows, "t_degC"))
        np.testing.assert_allclose(ohms, 10.0 * column(rows, "r_ohm"), rtol=0, atol=1e-5)


class TestPlatinumClasses:
    """IEC 60751 classes of tolerance, tests/reference/pt100_iec60751.csv (EN 60751:2008)."""

    @pytest.mark.parametrize("name", ["AA", "A", "B"])
    def test_limits_in_degc_are_the_tabulated_ones_and_end_where_they_end(self, reference, name):
        limits = PLATINUM_CLASSES[name]
        for row in reference("pt100_iec60751"):
            celsius, printed = float(row["t_degC"]), row[f"tol{name}_K"]
            found = limits.at(celsius)
            if printed:
                assert found == pytest.approx(float(printed), abs=1e-9)
            else:
                assert found is None

    @pytest.mark.parametrize("name", ["AA", "A", "B"])
    def test_limits_in_ohm_are_the_tabulated_ones(self, reference, name):
        """The slope of the curve makes ohm of them; four decimals, five for none of the rows."""
        curve = platinum_curve(reference_ohms=100.0)
        rows = published(reference("pt100_iec60751"), f"tol{name}_ohm")
        celsius = column(rows, "t_degC")
        limits = np.array([PLATINUM_CLASSES[name].at(t) for t in celsius])
        ohms = limits * curve.slope_ohms_per_kelvin(celsius)
        np.testing.assert_allclose(ohms, column(rows, f"tol{name}_ohm"), rtol=0, atol=6e-5)

    def test_class_c_is_twice_class_b(self):
        """IEC 60751: 0.6 + 0.01 |t| (from memory)."""
        for celsius in (-196.0, 0.0, 100.0, 600.0):
            b, c = (PLATINUM_CLASSES[name].at(celsius) for name in "BC")
            assert c == pytest.approx(2 * b)


class TestBeta:
    """One B for a whole thermistor against published tables: it admits how far off it is."""

    @pytest.mark.parametrize(
        ("name", "column_name", "scale"),
        [
            ("ntc_type1_ratio", "ratio_published", 1.0),
            ("ntc_10k3_steinhart_neg40_to_1", "r_published_ohm", 1e-4),
        ],
    )
    def test_u_holds_the_published_table(self, reference, sensor_file, name, column_name, scale):
        """B25/85 of each: 3468 K from the printed ratios; 10K3 by its Steinhart-Hart equation."""
        rows = reference(name)
        celsius, ratio = column(rows, "t_degC"), scale * column(rows, column_name)
        at_85 = {"ntc_type1_ratio": 0.107, "ntc_10k3_steinhart_neg40_to_1": 0.10700}[name]
        if name != "ntc_type1_ratio":
            ten_k = SteinhartHartCurve(
                a=1.129241e-3,
                b=2.341077e-4,
                c=8.775468e-8,
                lowest_celsius=-41.0,
                highest_celsius=90.0,
            )
            at_85 = float(ten_k.ohms(85.0)) / 1e4
        beta = -math.log(at_85) / (1 / 298.15 - 1 / 358.15)
        path = sensor_file(
            f'kind = "ntc-beta"\nreference_ohms = 1\nreference_celsius = 25\n'
            f"beta_kelvin = {beta}\nlowest_celsius = -50\nhighest_celsius = 150\n"
        )
        curve = load_sensor(path).curve
        error = np.abs(curve.celsius(ratio) - celsius)
        expanded = 2 * curve.uncertainty_celsius(celsius)
        # The ratios are printed to three or four figures: 0.2 % are 0.05 degC.
        assert (error <= expanded + 0.05).all()
        assert error.max() > 2.5
        assert (expanded <= 2.0 * error + 0.5).all()
        assert expanded.min() > 0.0

    def test_whoever_knows_better_says_so(self, sensor_file):
        text = (
            'kind = "ntc-beta"\nreference_ohms = 2000\nreference_celsius = 25\n'
            "beta_kelvin = 3435\nlowest_celsius = -20\nhighest_celsius = 100\n"
        )
        grid = np.linspace(-20.0, 100.0, 25)
        known = load_sensor(sensor_file(text + "model_uncertainty_celsius = 0.0\n")).curve
        assert not known.uncertainty_celsius(grid).any()
        half = load_sensor(sensor_file(text + "model_uncertainty_celsius = 0.25\n")).curve
        np.testing.assert_allclose(half.uncertainty_celsius(grid), 0.25)
        # B25/50 holds at 50 degC and is worse than B25/85 at 85.
        near = load_sensor(sensor_file(text + "beta_to_celsius = 50\n")).curve
        far = load_sensor(sensor_file(text)).curve
        at = near.uncertainty_celsius([50.0, 85.0]), far.uncertainty_celsius([50.0, 85.0])
        assert at[0][0] < at[1][0]
        assert at[0][1] > at[1][1]


@pytest.mark.parametrize(
    ("stem", "name"),
    [
        ("tern-harbour-ni100", "Ni100 DIN 43760 (6178 ppm/K)"),
        ("workshop-ni100-617", "Ni100 GOST 6651 a=0.00617"),
        ("workshop-cu100-428", "Cu100 GOST 6651 a=0.00428"),
    ],
)
def test_nickel_and_copper(reference, demo, stem, name):
    """DIN 43760 and GOST 6651-2009, tests/reference/ni_cu_rtd.csv: 0.006 ohm."""
    rows = [row for row in reference("ni_cu_rtd") if row["curve"] == name]
    curve = demo(stem).curve
    ohms = curve.ohms(column(rows, "t_degC"))
    # Computed to four decimals from the published polynomials: the same polynomial must agree.
    np.testing.assert_allclose(ohms, column(rows, "r_ohm"), rtol=0, atol=6e-5)
    printed = published(rows, "r_published_ohm")
    if printed:
        ohms = curve.ohms(column(printed, "t_degC"))
        np.testing.assert_allclose(ohms, column(printed, "r_published_ohm"), rtol=0, atol=0.006)
    back = curve.celsius(np.clip(column(rows, "r_ohm"), *curve.ends_ohms))
    np.testing.assert_allclose(back, column(rows, "t_degC"), rtol=0, atol=3e-4)


def test_silicon_ptc(reference, demo):
    """Data sheet table of a silicon PTC, tests/reference/kty81_1_ptc.csv: 0.5 ohm every row."""
    rows = reference("kty81_1_ptc")
    curve = demo("tern-gearbox-silicon").curve
    ohms = curve.ohms(column(rows, "t_degC"))
    np.testing.assert_allclose(ohms, column(rows, "r_published_ohm"), rtol=0, atol=0.52)
    np.testing.assert_allclose(ohms, column(rows, "r_poly_ohm"), rtol=0, atol=6e-4)
    assert curve.rising


class TestType1:
    """The published Type 1 ratio curve, tests/reference/ntc_type1_ratio.csv: 0.05 %, 0.02 K."""

    def test_ratio(self, reference, demo):
        rows = reference("ntc_type1_ratio")
        ratio = demo("tern-coolant").curve.ohms(column(rows, "t_degC")) / 2800.0
        np.testing.assert_allclose(ratio, column(rows, "ratio_eq"), rtol=5e-4)
        # The printed ratios have four figures at best: 5e-5/0.0264 is 0.2 %.
        np.testing.assert_allclose(ratio, column(rows, "ratio_published"), rtol=2e-3)

    def test_temperature_agrees_with_the_separately_published_inverse(self, reference, demo):
        rows = reference("ntc_type1_ratio")
        curve = demo("tern-coolant").curve
        ohms = np.clip(2800.0 * column(rows, "ratio_eq"), *sorted(curve.ends_ohms))
        np.testing.assert_allclose(curve.celsius(ohms), column(rows, "t_inv_degC"), atol=0.02)

    def test_temperature_coefficient(self, reference, demo):
        rows = reference("ntc_type1_ratio")
        curve, celsius = demo("tern-coolant").curve, column(rows, "t_degC")
        alpha = 100.0 * curve.slope_ohms_per_kelvin(celsius) / curve.ohms(celsius)
        # Printed to two or three figures.
        np.testing.assert_allclose(alpha, column(rows, "alpha_pct_per_K_published"), atol=0.02)

    def test_a_beta_from_25_and_85_reads_minus_37_at_a_true_minus_40(self, reference, demo):
        """Seen in print: one Beta over the whole span of this curve is three degrees off."""
        coolant = demo("tern-coolant").curve
        t25, t85 = 298.15, 358.15
        beta = math.log(coolant.ohms(25.0) / coolant.ohms(85.0)) / (1 / t25 - 1 / t85)
        curve = BetaCurve(
            reference_ohms=2800.0,
            reference_celsius=25.0,
            beta_kelvin=beta,
            lowest_celsius=-55.0,
            highest_celsius=150.0,
        )
        assert float(curve.celsius(coolant.ohms(-40.0))) == pytest.approx(-37.1, abs=0.1)

    def test_a_table_of_every_second_row_predicts_the_others(self, reference):
        """Interpolation in 1/T against ln R: within 0.05 K on a 10 K grid."""
        rows = reference("ntc_type1_ratio")
        celsius, ohms = column(rows, "t_degC"), 2800.0 * column(rows, "ratio_eq")
        nodes = tuple(zip(celsius[::2].tolist(), ohms[::2].tolist(), strict=True))
        curve = TableCurve(points=nodes, lowest_celsius=nodes[0][0], highest_celsius=nodes[-1][0])
        between = slice(1, len(nodes) * 2 - 2, 2)
        np.testing.assert_allclose(curve.celsius(ohms[between]), celsius[between], atol=0.05)


class TestSteinhartHart:
    """Printed 10K3 table, tests/reference/ntc_10k3_steinhart_neg40_to_1.csv: 0.0025 K."""

    curve = SteinhartHartCurve(
        a=1.129241e-3, b=2.341077e-4, c=8.775468e-8, lowest_celsius=-41.0, highest_celsius=2.0
    )

    def test_temperature(self, reference):
        rows = reference("ntc_10k3_steinhart_neg40_to_1")
        celsius = self.curve.celsius(column(rows, "r_published_ohm"))
        np.testing.assert_allclose(celsius, column(rows, "t_sh_degC"), rtol=0, atol=1e-5)
        np.testing.assert_allclose(celsius, column(rows, "t_degC"), rtol=0, atol=0.0025)

    def test_closed_form_resistance(self, reference):
        rows = reference("ntc_10k3_steinhart_neg40_to_1")
        ohms = self.curve.ohms(column(rows, "t_sh_degC"))
        np.testing.assert_allclose(ohms, column(rows, "r_published_ohm"), rtol=1e-6)

    def test_zero_is_273_15_kelvin(self, reference):
        """With 273.2, or 273, every reading is 0.05 or 0.15 degC off: beyond the tolerance."""
        rows = reference("ntc_10k3_steinhart_neg40_to_1")
        celsius = self.curve.celsius(column(rows, "r_published_ohm"))
        assert np.abs(celsius - column(rows, "t_degC")).max() < 0.01


def test_beta(reference):
    """IEC 60539-1 B-value, tests/reference/beta_equation.csv: 1e-6 relative."""
    for row in reference("beta_equation"):
        curve = BetaCurve(
            reference_ohms=float(row["R25_ohm"]),
            reference_celsius=float(row["t25"]),
            beta_kelvin=float(row["B_K"]),
            lowest_celsius=-60.0,
            highest_celsius=160.0,
        )
        celsius, ohms = float(row["t_degC"]), float(row["r_ohm"])
        assert float(curve.ohms(celsius)) == pytest.approx(ohms, rel=1e-6)
        assert float(curve.celsius(ohms)) == pytest.approx(celsius, abs=1e-4)


def test_ratio_curve_of_a_beta_is_the_beta():
    """With c = d = 0 the ratio equation is the Beta equation: two codes, one curve."""
    beta = BetaCurve(
        reference_ohms=2000.0,
        reference_celsius=25.0,
        beta_kelvin=3435.0,
        lowest_celsius=-40.0,
        highest_celsius=150.0,
    )
    ratio = RatioCurve(
        reference_ohms=2000.0,
        a=-3435.0 / 298.15,
        b=3435.0,
        c=0.0,
        d=0.0,
        lowest_celsius=-40.0,
        highest_celsius=150.0,
    )
    grid = np.linspace(-40.0, 150.0, 39)
    np.testing.assert_allclose(ratio.ohms(grid), beta.ohms(grid), rtol=1e-13)


@pytest.mark.parametrize("kind", ["table", "chart-fit"])
def test_300_ohm_on_a_common_coolant_chart_reads_82(sensor_file, kind):
    """Common practice, no source: 2.5 kohm at 20 degC, 0.32 kohm at 80 degC; 0.30 kohm is 82.

    The points at 0 and 100 degC are those of the straight line in 1/T against ln R through them.
    """
    path = sensor_file(
        f'kind = "{kind}"\npoints = [[0, 6060], [20, 2500], [80, 320], [100, 187.3]]\n'
    )
    assert float(load_sensor(path).curve.celsius(300.0)) == pytest.approx(82.0, abs=0.5)
