"""How often a curve's stated uncertainty holds the truth, and how often a misread point is named.

The charts are read off sensors that share no code with the fits: a Steinhart-Hart thermistor, the
Type 1 ratio curve, one with a single Beta, a silicon PTC, platinum by Callendar-Van Dusen, nickel
by its polynomial. Their numbers are those of the published tables in tests/reference, which the
tests hold them to. Each point is misread by itself, all points together by the errors of the axes,
and each is written down to three figures.

    python tests/benchmarks/curves.py [CHARTS]
"""

from __future__ import annotations

import re
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace

import numpy as np

from controller.errors import InputError
from controller.sensors.chart_fit import fit_chart
from controller.sensors.curve import Curve
from controller.sensors.error_parts import PUBLISHED_CELSIUS
from controller.sensors.table import TableCurve
from controller.sensors.thermistor import BEND_KELVIN2, BetaCurve

Ohms = Callable[[np.ndarray], np.ndarray]


@dataclass(frozen=True, kw_only=True)
class Truth:
    """A real sensor: resistance in ohm of degC, and the span its charts have."""

    name: str
    ohms: Ohms
    lowest_celsius: float
    highest_celsius: float


def steinhart_hart(celsius: np.ndarray) -> np.ndarray:
    """10K3: 1/T = A + B ln R + C ln^3 R, read backwards off 40,000 points."""
    ln = np.linspace(4.0, 14.0, 40_001)
    kelvin = 1.0 / (1.129241e-3 + 2.341077e-4 * ln + 8.775468e-8 * ln**3)
    return np.exp(np.interp(1.0 / (np.asarray(celsius) + 273.15), 1.0 / kelvin, ln))


def type_1(celsius: np.ndarray) -> np.ndarray:
    """Type 1 ratio curve, 2.8 kohm at 25 degC."""
    u = 1.0 / (np.asarray(celsius) + 273.15)
    return 2800.0 * np.exp(-14.195756 + 4407.4785 * u - 5165.8730 * u**2 - 1.4017368e7 * u**3)


def one_beta(celsius: np.ndarray) -> np.ndarray:
    """10 kohm at 25 degC, B = 3977 K over the whole span."""
    return 1e4 * np.exp(3977.0 * (1.0 / (np.asarray(celsius) + 273.15) - 1.0 / 298.15))


def silicon(celsius: np.ndarray) -> np.ndarray:
    """1 kohm silicon PTC; above 100 degC its equation gains a term."""
    x = np.asarray(celsius) - 25.0
    over = np.maximum(np.asarray(celsius) - 100.0, 0.0)
    return 1000.0 * (1.0 + 7.874e-3 * x + 1.874e-5 * x**2 - 3.42e-8 * over**3.7)


def platinum(celsius: np.ndarray) -> np.ndarray:
    """Pt100: Callendar-Van Dusen with the coefficients of IEC 60751."""
    t = np.asarray(celsius)
    cold = np.where(t < 0.0, -4.183e-12 * (t - 100.0) * t**3, 0.0)
    return 100.0 * (1.0 + 3.9083e-3 * t - 5.775e-7 * t**2 + cold)


def nickel(celsius: np.ndarray) -> np.ndarray:
    """Ni100, DIN 43760."""
    t = np.asarray(celsius)
    return 100.0 * (1.0 + 5.485e-3 * t + 6.65e-6 * t**2 + 2.805e-11 * t**4 - 2.0e-17 * t**6)


TRUTHS = (
    Truth(name="10K3", ohms=steinhart_hart, lowest_celsius=-20.0, highest_celsius=120.0),
    Truth(name="Type 1", ohms=type_1, lowest_celsius=-30.0, highest_celsius=120.0),
    Truth(name="one Beta", ohms=one_beta, lowest_celsius=-20.0, highest_celsius=120.0),
    Truth(name="silicon PTC", ohms=silicon, lowest_celsius=-40.0, highest_celsius=140.0),
    Truth(name="Pt100", ohms=platinum, lowest_celsius=-100.0, highest_celsius=350.0),
    Truth(name="Ni100", ohms=nickel, lowest_celsius=-40.0, highest_celsius=180.0),
)


@dataclass(frozen=True, kw_only=True)
class Reading:
    """How a chart is read (k = 1), what is said of it, and which points there are."""

    label: str
    points: int = 8
    own_percent: float = 0.0
    own_celsius: float = 0.0
    common_percent: float = 0.0
    common_celsius: float = 0.0
    stated: dict[str, float] = field(default_factory=dict)
    figures: int | None = 3


def read(truth: Truth, how: Reading, rng: np.random.Generator) -> list[tuple[float, float]]:
    """Return the chart as one person reads it."""
    celsius = np.linspace(truth.lowest_celsius, truth.highest_celsius, how.points)
    shift = how.common_celsius * rng.standard_normal()
    shift = shift + how.own_celsius * rng.standard_normal(how.points)
    percent = how.common_percent * rng.standard_normal()
    percent = percent + how.own_percent * rng.standard_normal(how.points)
    ohms = truth.ohms(celsius + shift) * (1.0 + percent / 100.0)
    if how.figures is not None:
        unit = 10.0 ** (np.floor(np.log10(ohms)) - how.figures + 1)
        ohms = np.round(ohms / unit) * unit
    return list(zip(celsius.tolist(), ohms.tolist(), strict=True))


def covered(truth: Truth, how: Reading, *, charts: int, seed: int) -> int:
    """Return how often U (k = 2) holds the truth at one temperature drawn for each chart."""
    rng = np.random.default_rng(seed)
    inside = 0
    for _ in range(charts):
        curve = fit_chart(
            read(truth, how, rng),
            **how.stated,
        )
        celsius = rng.uniform(truth.lowest_celsius, truth.highest_celsius)
        inside += holds(curve, truth, celsius)
    return inside


def holds(curve: Curve, truth: Truth, celsius: float) -> bool:
    """Whether U (k = 2) of the curve holds the truth at a temperature."""
    miss = truth.ohms(np.array(celsius)) - curve.ohms(celsius)
    error = float(miss / curve.slope_ohms_per_kelvin(celsius))
    return abs(error) <= 2.0 * float(curve.uncertainty_celsius(celsius))


@dataclass(frozen=True, kw_only=True)
class Named:
    """What became of charts with one slip, or of clean ones.

    `right`: the point that was misread is named and no other, be it that the chart is refused and
    it is the one to read again. `wrong`: another is named. `open`: several are, which cannot be
    told apart. The rest pass for clean.
    """

    charts: int
    right: int
    wrong: int
    open: int


def named(truth: Truth, how: Reading, *, slip: float, charts: int, seed: int) -> Named:
    """Misread one point by a share of its resistance, either way; a slip of 0 is a clean chart."""
    rng = np.random.default_rng(seed)
    counts = {"right": 0, "wrong": 0, "open": 0}
    for _ in range(charts):
        points = read(truth, how, rng)
        index = int(rng.integers(how.points))
        celsius, ohms = points[index]
        points[index] = (celsius, ohms * (1.0 + slip * rng.choice([-1.0, 1.0])))
        found, several = names(points, how.stated)
        if found == {celsius} and slip:
            counts["right"] += 1
        elif found:
            counts["wrong"] += 1
        elif several:
            counts["open"] += 1
    return Named(charts=charts, **counts)


def names(points: list[tuple[float, float]], stated: dict[str, float]) -> tuple[set[float], bool]:
    """Return the temperatures of the points that are named, and whether there are suspects."""
    try:
        curve = fit_chart(points, **stated)
    except InputError as error:
        found = re.search(r"the point at (\S+) degC", error.problems[0].hint or "")
        again = float(found[1]) if found else np.nan
        return {celsius for celsius, _ in points if abs(celsius - again) < 0.01}, False
    return {point.celsius for point in curve.left_out}, bool(curve.suspects)


def table_covered(truth: Truth, points: int, *, tables: int, seed: int) -> int:
    """Return how often U holds the truth between the points of tables printed to four figures."""
    rng = np.random.default_rng(seed)
    low, high = truth.lowest_celsius, truth.highest_celsius
    inside = 0
    for _ in range(tables):
        edges = np.sort(rng.uniform(low, high, 2))
        if edges[1] - edges[0] < 60.0:
            edges = np.array([low, high])
        at = np.round(np.linspace(*edges, points))
        ohms = truth.ohms(at)
        unit = 10.0 ** (np.floor(np.log10(ohms)) - 3)
        rows = zip(at.tolist(), (np.round(ohms / unit) * unit).tolist(), strict=True)
        curve = TableCurve(
            points=tuple(rows),
            lowest_celsius=float(at[0]),
            highest_celsius=float(at[-1]),
            reading_uncertainty_celsius=PUBLISHED_CELSIUS,
            figures=4,
        )
        inside += holds(curve, truth, rng.uniform(at[0], at[-1]))
    return inside


def beta_covered(truth: Truth, *, readings: int, seed: int) -> int:
    """Return how often U holds the truth, where all that is known of it is R25 and B25/85."""
    rng = np.random.default_rng(seed)
    at_25, at_85 = truth.ohms(np.array([25.0, 85.0]))
    curve = BetaCurve(
        reference_ohms=float(at_25),
        reference_celsius=25.0,
        beta_kelvin=float(np.log(at_25 / at_85) / (1 / 298.15 - 1 / 358.15)),
        bend_kelvin2=BEND_KELVIN2,
        lowest_celsius=-40.0,
        highest_celsius=135.0,
    )
    return sum(holds(curve, truth, rng.uniform(-40.0, 135.0)) for _ in range(readings))


def stated(percent: float, celsius: float, **more: float) -> dict[str, float]:
    """What the file says of single points, and of the axes."""
    return {
        "reading_uncertainty_percent": percent,
        "reading_uncertainty_celsius": celsius,
        **more,
    }


POINTS = {"3 to 5": (3, 4, 5), "6 to 12": (6, 8, 12)}
AXES = {"common_percent": 2.0, "common_celsius": 0.7}
OWN = {"own_percent": 2.0, "own_celsius": 0.7}
READINGS = (
    Reading(label="axes 2 %, 0.7 K", **AXES, stated=stated(2.0, 0.7)),
    Reading(label="axes and points 2 %, 0.7 K", **AXES, **OWN, stated=stated(2.0, 0.7)),
    Reading(
        label="points 2 %, 0.7 K, axes exact and said so",
        **OWN,
        stated=stated(2.0, 0.7, common_uncertainty_percent=0.0),
    ),
    Reading(
        label="points 0.1 %, 0.02 K, axes exact and said so",
        own_percent=0.1,
        own_celsius=0.02,
        figures=5,
        stated=stated(0.1, 0.02, common_uncertainty_percent=0.0),
    ),
    Reading(
        label="axes and points 1 %, 0.3 K, nothing stated",
        common_percent=1.0,
        common_celsius=0.3,
        own_percent=1.0,
        own_celsius=0.3,
    ),
)
NAMING = (
    Reading(label="points 2 %, 0.5 K", own_percent=2.0, own_celsius=0.5, stated=stated(2.0, 0.5)),
    Reading(label="points 1 %, 0.3 K", own_percent=1.0, own_celsius=0.3, stated=stated(1.0, 0.3)),
    Reading(
        label="points 0.1 %, 0.02 K",
        own_percent=0.1,
        own_celsius=0.02,
        figures=5,
        stated=stated(0.1, 0.02),
    ),
    Reading(label="points 1 %, 0.3 K, nothing stated", own_percent=1.0, own_celsius=0.3),
)

Row = tuple[str, str, str, str, str, bool]


def bounds(count: int, of: int) -> tuple[float, float]:
    """Return the Clopper-Pearson interval of a share, 95 %."""
    from scipy.stats import beta

    low = float(beta.ppf(0.025, count, of - count + 1)) if count else 0.0
    high = float(beta.ppf(0.975, count + 1, of - count)) if count < of else 1.0
    return low, high


def _row(name: str, count: int, of: int, *, least: float = 0.0, most: float = 1.0) -> Row:
    """Return a row; the aim is missed when the whole interval lies beyond it."""
    low, high = bounds(count, of)
    aim = f">= {least:g}" if least else f"<= {most:g}"
    share = f"{count / of:.3f} ({low:.3f} to {high:.3f})"
    return (f"curves: {name}", f"{count}", f"{of}", share, aim, high >= least and low <= most)


def rows(*, charts: int = 120) -> list[Row]:
    """Return every rate with its binomial bounds."""
    return [*_chart_rows(charts), *_table_rows(charts), *_naming_rows(charts)]


def _chart_rows(charts: int) -> Iterator[Row]:
    for how in READINGS:
        for label, counts in POINTS.items():
            for index, truth in enumerate(TRUTHS):
                inside = sum(
                    covered(truth, replace(how, points=n), charts=charts, seed=10 * n + index)
                    for n in counts
                )
                name = f"U holds {truth.name}, chart of {label}: {how.label}"
                yield _row(name, inside, charts * len(counts), least=0.95)


def _table_rows(charts: int) -> Iterator[Row]:
    for index, truth in enumerate(TRUTHS):
        for n in (4, 5, 6, 10):
            inside = table_covered(truth, n, tables=3 * charts, seed=40 + index)
            name = f"U holds {truth.name}, table of {n} points"
            yield _row(name, inside, 3 * charts, least=0.95)
    for index, truth in enumerate(TRUTHS[:3]):
        inside = beta_covered(truth, readings=3 * charts, seed=50 + index)
        yield _row(f"U holds {truth.name}, R25 and B25/85", inside, 3 * charts, least=0.95)


def _naming_rows(charts: int) -> Iterator[Row]:
    for how in NAMING:
        for n in (8, 12):
            for index, truth in enumerate(TRUTHS):
                reading, of = replace(how, points=n), 2 * charts
                slip = named(truth, reading, slip=0.2, charts=of, seed=60 + index)
                clean = named(truth, reading, slip=0.0, charts=of, seed=70 + index)
                name = f"{truth.name}, {n} points, {how.label}"
                yield _row(f"20 % slip named: {name}", slip.right, of, least=0.9)
                yield _row(f"20 % slip, another named: {name}", slip.wrong, of, most=0.05)
                yield _row(f"clean, named: {name}", clean.wrong + clean.open, of, most=0.06)


if __name__ == "__main__":
    size = int(sys.argv[1]) if len(sys.argv) > 1 else 120
    for part in (_table_rows, _naming_rows, _chart_rows):
        for row in part(size):
            print(*row, sep=" | ", flush=True)
