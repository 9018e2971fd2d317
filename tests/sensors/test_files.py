"""Sensor files: good ones load, bad ones give every problem at once with key and line."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from controller.errors import InputError
from controller.sensors.files import load_sensor

BETA = """kind = "ntc-beta"
reference_ohms = 2000.0
reference_celsius = 25.0
beta_kelvin = 3435.0
lowest_celsius = -20.0
highest_celsius = 100.0
"""

DEMO = {
    "tern-coolant": "ntc-ratio",
    "tern-air": "ntc-beta",
    "tern-exhaust-pt1000": "platinum",
    "tern-oil-steinhart-hart": "ntc-steinhart-hart",
    "tern-harbour-ni100": "polynomial",
    "workshop-ni100-617": "polynomial",
    "workshop-cu100-428": "polynomial",
    "tern-gearbox-silicon": "polynomial",
    "tern-coolant-chart": "chart-fit",
    "tern-fuel-table": "table",
    "tern-sea-water": "ntc-beta",
}


WARNED = {
    # Of this one only Beta is known, which is no better than that in the cold.
    "tern-air": ["The curve cannot support a tolerance of 2 deg"],
}


def problems(path):
    with pytest.raises(InputError) as caught:
        load_sensor(path)
    return caught.value.problems


@pytest.mark.parametrize(("stem", "kind"), DEMO.items())
def test_demo_sensors_load(demo, stem, kind):
    sensor = demo(stem)
    assert sensor.kind == kind
    assert sensor.name
    grid = np.linspace(sensor.curve.lowest_celsius, sensor.curve.highest_celsius, 101)
    np.testing.assert_allclose(sensor.curve.celsius(sensor.curve.ohms(grid)), grid, atol=1e-9)
    assert [warning[:45] for warning in sensor.warnings] == WARNED.get(stem, [])


def test_every_demo_sensor_is_tested():
    folder = Path(__file__).resolve().parents[2] / "sweeps" / "sensors"
    assert {path.stem for path in folder.glob("*.toml")} == set(DEMO)


def test_the_name_defaults_to_that_of_the_file(sensor_file):
    sensor = load_sensor(sensor_file(BETA, "bilge.toml"))
    assert sensor.name == "bilge"
    assert sensor.tolerance_celsius is None


def test_charts_and_tables_span_their_points(sensor_file):
    points = "points = [[80, 320], [0, 6060], [40, 1180], [20, 2500]]\n"
    for kind in ("table", "chart-fit"):
        curve = load_sensor(sensor_file(f'kind = "{kind}"\n{points}')).curve
        assert (curve.lowest_celsius, curve.highest_celsius) == (0.0, 80.0)
        narrow = sensor_file(f'kind = "{kind}"\n{points}lowest_celsius = 10\n')
        assert load_sensor(narrow).curve.lowest_celsius == 10.0


def test_platinum_spans_the_standard(sensor_file):
    curve = load_sensor(sensor_file('kind = "platinum"\nreference_ohms = 100\n')).curve
    assert (curve.lowest_celsius, curve.highest_celsius) == (-200.0, 850.0)


def test_a_polynomial_may_write_its_leading_one(sensor_file):
    span = "lowest_celsius = 0\nhighest_celsius = 100\nreference_ohms = 100\n"
    start = 'kind = "polynomial"\n' + span
    without = load_sensor(sensor_file(start + "coefficients = [5.485e-3, 6.65e-6]\n")).curve
    written = load_sensor(sensor_file(start + "coefficients = [1.0, 5.485e-3, 6.65e-6]\n")).curve
    assert float(without.ohms(50.0)) == float(written.ohms(50.0))


PLATINUM = 'kind = "platinum"\nreference_ohms = 100\n'


def test_a_platinum_sensor_may_state_its_class_of_tolerance(sensor_file):
    """IEC 60751, tests/reference/pt100_iec60751.csv: class B is 0.8 degC at 100 degC."""
    sensor = load_sensor(sensor_file(PLATINUM + 'tolerance = "B"\n'))
    assert sensor.tolerance_at(100.0) == pytest.approx(0.8)
    assert sensor.tolerance_at(700.0) is None
    assert sensor.warnings == (
        (
            "Class B of IEC 60751 holds from -196 to 600 degC only; beyond that the sensor has no "
            "tolerance."
        ),
    )
    plain = load_sensor(sensor_file(PLATINUM + "tolerance_celsius = 1.5\n"))
    assert plain.tolerance_at(700.0) == 1.5
    assert load_sensor(sensor_file(PLATINUM)).tolerance_at(0.0) is None


BAD = {
    "unknown class of tolerance": (
        PLATINUM + 'tolerance = "D"\n',
        [("tolerance", "must be one of AA, A, B, C")],
    ),
    "class of a thermistor": (
        BETA + 'tolerance = "A"\n',
        [("tolerance", "those of platinum sensors")],
    ),
    "tolerance stated twice": (
        PLATINUM + 'tolerance = "A"\ntolerance_celsius = 1\n',
        [("tolerance", "stated twice")],
    ),
    "model uncertainty below zero": (
        BETA + "model_uncertainty_celsius = -1\n",
        [("model_uncertainty_celsius", "at least 0")],
    ),
    "common uncertainty of an equation": (
        BETA + "common_uncertainty_percent = 1\n",
        [("common_uncertainty_percent", "unknown key")],
    ),
    "no kind": ("lowest_celsius = 0\nhighest_celsius = 1\n", [("kind", "is missing")]),
    "unknown kind": (BETA.replace("ntc-beta", "ntc-betta"), [("kind", "must be one of")]),
    "kind of the wrong type": (BETA.replace('"ntc-beta"', "[1]"), [("kind", "must be one of")]),
    "unknown key": (BETA + "beta = 3\n", [("beta", "unknown key")]),
    "key of another kind": (BETA + "a = 1e-3\n", [("a", "unknown key")]),
    "beta zero": (BETA.replace("3435.0", "0.0"), [("beta_kelvin", "more than 0")]),
    "beta below zero": (BETA.replace("3435.0", "-3435.0"), [("beta_kelvin", "more than 0")]),
    "nan": (BETA.replace("3435.0", "nan"), [("beta_kelvin", "finite")]),
    "infinite": (BETA.replace("2000.0", "inf"), [("reference_ohms", "finite")]),
    "text for a number": (BETA.replace("2000.0", '"2x"'), [("reference_ohms", "")]),
    "negative ohms": (BETA.replace("2000.0", "-2000.0"), [("reference_ohms", "more than 0")]),
    "span reversed": (
        BETA.replace("-20.0", "120.0"),
        [("highest_celsius", "reversed")],
    ),
    "below absolute zero": (BETA.replace("-20.0", "-300.0"), [("lowest_celsius", "more than")]),
    "span missing": (
        BETA.replace("lowest_celsius = -20.0\nhighest_celsius = 100.0\n", ""),
        [("lowest_celsius", "is missing"), ("highest_celsius", "is missing")],
    ),
    "tolerance zero": (BETA + "tolerance_celsius = 0\n", [("tolerance_celsius", "more than 0")]),
    "steinhart-hart that rises": (
        (
            'kind = "ntc-steinhart-hart"\na = 1e-3\nb = -2e-4\nc = 1e-7\n'
            "lowest_celsius = 0\nhighest_celsius = 50\n"
        ),
        [("b", "more than 0")],
    ),
    "steinhart-hart that turns": (
        (
            'kind = "ntc-steinhart-hart"\na = 1e-3\nb = 2e-4\nc = -1e-6\n'
            "lowest_celsius = -50\nhighest_celsius = 50\n"
        ),
        [(None, "not finite")],
    ),
    "ratio that turns": (
        (
            'kind = "ntc-ratio"\nreference_ohms = 2800\na = -14\nb = 4407\nc = -5e5\nd = -1.4e7\n'
            "lowest_celsius = -50\nhighest_celsius = 150\n"
        ),
        [(None, "not strictly monotone")],
    ),
    "platinum beyond the standard": (
        'kind = "platinum"\nreference_ohms = 100\nhighest_celsius = 900\n',
        [("highest_celsius", "850")],
    ),
    "polynomial that turns": (
        (
            'kind = "polynomial"\nreference_ohms = 100\ncoefficients = [1e-2, -1e-4]\n'
            "lowest_celsius = 0\nhighest_celsius = 90\n"
        ),
        [(None, "turns near 50")],
    ),
    "polynomial below zero ohm": (
        (
            'kind = "polynomial"\nreference_ohms = 100\ncoefficients = [1e-2]\n'
            "lowest_celsius = -150\nhighest_celsius = 100\n"
        ),
        [(None, "not above zero")],
    ),
    "piece that does not meet": (
        (
            'kind = "polynomial"\nreference_ohms = 100\ncoefficients = [4e-3]\n'
            "lowest_celsius = 0\nhighest_celsius = 200\n"
            "[[extra]]\nfrom_celsius = 100\ncoefficients = [1e-4]\n"
        ),
        [("extra", "jumps by 1 % at 100 degC")],
    ),
    "extra without a power": (
        (
            'kind = "polynomial"\nreference_ohms = 100\ncoefficients = [4e-3]\n'
            "lowest_celsius = 0\nhighest_celsius = 200\n[[extra]]\ncoefficient = 1e-9\n"
        ),
        [("extra[0].power", "is missing")],
    ),
    "fraction of a power below its origin": (
        (
            'kind = "polynomial"\nreference_ohms = 100\ncoefficients = [4e-3]\n'
            "lowest_celsius = 0\nhighest_celsius = 200\n"
            "[[extra]]\ncoefficient = 1e-9\npower = 3.5\norigin_celsius = 100\nfrom_celsius = 50\n"
        ),
        [("extra[0].power", "not a whole number")],
    ),
    "no points": ('kind = "table"\n', [("points", "is missing")]),
    "one point": ('kind = "table"\npoints = [[20, 2500]]\n', [("points", "at least 2 rows")]),
    "too few to fit": (
        'kind = "chart-fit"\npoints = [[20, 2500], [80, 320]]\n',
        [("points", "at least 3 rows")],
    ),
    "row too long": (
        'kind = "table"\npoints = [[20, 2500, 1], [80, 320], [100, 180]]\n',
        [("points[0]", "row of 2")],
    ),
    "not monotone": (
        'kind = "table"\npoints = [[20, 2500], [40, 1180], [60, 1595], [80, 320]]\n',
        [("points[2]", "1595 ohm at 60 degC does not fall from 1180 ohm at 40 degC")],
    ),
    "duplicate temperature": (
        'kind = "table"\npoints = [[20, 2500], [40, 1180], [20, 2400], [80, 320]]\n',
        [("points[2]", "20 degC is already there, in points[0]")],
    ),
    "negative point": (
        'kind = "chart-fit"\npoints = [[20, 2500], [40, -1180], [60, 590], [80, 320]]\n',
        [("points[1][1]", "more than 0 ohm")],
    ),
    "table beyond its points": (
        'kind = "table"\npoints = [[20, 2500], [80, 320]]\nhighest_celsius = 100\n',
        [("highest_celsius", "the table ends at 80 degC")],
    ),
    "chart that turns": (
        (
            'kind = "chart-fit"\npoints = [[0, 6000], [20, 2500], [40, 2490], [60, 2480], '
            "[80, 320], [100, 310]]\ndegree = 3\nreading_uncertainty_percent = 1\n"
        ),
        [("points", "turns")],
    ),
    "percent above a hundred": (
        'kind = "table"\npoints = [[20, 2500], [80, 320]]\nreading_uncertainty_percent = 101\n',
        [("reading_uncertainty_percent", "at most 100")],
    ),
}


@pytest.mark.parametrize("case", BAD)
def test_bad_files_are_refused_with_key_and_reason(sensor_file, case):
    text, expected = BAD[case]
    path = sensor_file(text)
    found = problems(path)
    assert len(found) == len(expected), [str(p) for p in found]
    for key, message in expected:
        (match,) = [p for p in found if p.key == key and message in p.message]
        assert match.where == str(path)


def test_all_problems_come_at_once_in_order_of_line(sensor_file):
    path = sensor_file(
        """kind = "ntc-beta"
reference_ohms = -1.0
reference_celsius = "warm"
beta_kelvin = inf
lowest_celsius = 100.0
highest_celsius = -20.0
colour = "blue"
"""
    )
    found = problems(path)
    assert [(p.line, p.key) for p in found] == [
        (3, "reference_ohms"),
        (4, "reference_celsius"),
        (5, "beta_kelvin"),
        (7, "highest_celsius"),
        (8, "colour"),
    ]


def test_a_bad_row_of_a_table_is_named_with_its_line(sensor_file):
    path = sensor_file(
        'kind = "table"\npoints = [\n  [20, 2500],\n  [40, 1180],\n  [60, 1595],\n  [80, 320],\n]\n'
    )
    (problem,) = problems(path)
    assert problem.line == 6
    assert problem.hint == "was a digit misread?"


def test_another_format_is_refused(tmp_path):
    path = tmp_path / "plan.toml"
    path.write_text('format = "rungwise-plan/1"\n', encoding="utf-8")
    (problem,) = problems(path)
    assert problem.key == "format"
