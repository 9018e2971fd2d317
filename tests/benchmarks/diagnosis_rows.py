"""The table of the diagnosis: what is put in, and how often the answer is right or wrong.

One row for every fault inside and outside the set that the diagnosis knows, and for every number
of readings, at 0.1 and at 0.5 degC of noise. The input is worked out in `diagnosis_circuit`,
which shares no formula with the product; here its readings are given to the diagnosis and the
answers counted: right, cannot tell, certain and wrong. By itself, the whole table:

    python tests/benchmarks/diagnosis_rows.py [RUNS] [WORD OF A LABEL]
"""

from __future__ import annotations

import functools
import operator
import sys
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any, TypeAlias

import numpy as np
from diagnosis_circuit import (
    TEN_KOHM_CONSTANTS,
    Array,
    Celsius,
    Input,
    beta_celsius,
    steinhart_celsius,
    type1_celsius,
    type1_ohms,
)
from scipy import stats

from controller.diagnosis import Diagnosis, InputCircuit, Readings, Reporting, diagnose
from controller.diagnosis.states import states_ohms2
from controller.ladder.files import load_ladder
from controller.ladder.model import Ladder
from controller.sensors.chart_fit import fit_chart
from controller.sensors.curve import Curve, Sensor
from controller.sensors.files import load_sensor
from controller.sensors.thermistor import BetaCurve, SteinhartHartCurve

HERE = Path(__file__).resolve().parent
COUNTS = (5, 8, 12, 20, 61)
NOISES_CELSIUS = (0.1, 0.5)
MOST_WRONG = 0.05
TOLERANCE_CELSIUS = 3.0
SWEEPS = HERE.parents[1] / "sweeps"

Draw: TypeAlias = Callable[[np.random.Generator, Array], Input]
"""Draws a faulty input for given resistances."""


@dataclass(frozen=True, kw_only=True)
class Fault:
    """A row: `kind` is the right answer, or one of the right answers."""

    label: str
    kinds: tuple[str, ...]
    draw: Draw
    inside: bool
    least_readings: int = 5


def _log(rng: np.random.Generator, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def _either(rng: np.random.Generator, low: float, high: float) -> float:
    return float(rng.choice([-1.0, 1.0]) * rng.uniform(low, high))


def _gained(rng: np.random.Generator, *, least: float = 0.05) -> float:
    return 2490.0 / float(np.exp(_either(rng, least, 0.25)))


def _other_curve(rng: np.random.Generator) -> Celsius:
    """Return a curve of another shape; the printed one only in sizes that are no candidates."""
    size = float(rng.choice([2000.0, 2252.0, 3000.0, 5000.0, 10000.0]))
    if rng.random() < 0.4:
        return steinhart_celsius(*TEN_KOHM_CONSTANTS, scale=min(size, 3000.0) / 10e3)
    return beta_celsius(size, float(rng.choice([3250.0, 3600.0, 3800.0, 3977.0, 4200.0])))


def _intermittent(rng: np.random.Generator, ohms: Array) -> Input:
    """Series resistance in 35 % of the readings; drawn again until readings show both.

    Where no reading shows it the readings are those of a healthy input, and where all that could
    show it do, those of a plain series resistance: no right answer is hidden in them.
    """
    healthy = type1_celsius()
    while True:
        series = _log(rng, 60, 500)
        shows = np.abs(healthy(ohms + series) - healthy(ohms)) > 2.0
        hit = rng.random(ohms.size) < 0.35
        if np.any(shows & hit) and np.any(shows & ~hit):
            return Input(series_ohms=np.where(hit, series, 0.0))


CANDIDATE_BETA = (5000.0, 3435.0)


def _candidate(rng: np.random.Generator) -> Input:
    if rng.random() < 0.5:
        return Input(celsius=steinhart_celsius(*TEN_KOHM_CONSTANTS))
    return Input(celsius=beta_celsius(*CANDIDATE_BETA))


FAULTS = (
    Fault(label="healthy", kinds=("healthy",), inside=True, draw=lambda rng, ohms: Input()),
    Fault(
        label="series resistance",
        kinds=("series-resistance",),
        inside=True,
        draw=lambda rng, ohms: Input(series_ohms=_log(rng, 30, 400)),
    ),
    Fault(
        label="leakage to ground",
        kinds=("leakage-to-ground",),
        inside=True,
        draw=lambda rng, ohms: Input(leakage_ohms=_log(rng, 3e3, 40e3)),
    ),
    Fault(
        label="leakage to a supply",
        kinds=("leakage-to-supply",),
        inside=True,
        draw=lambda rng, ohms: Input(supply_leakage_ohms=_log(rng, 60e3, 300e3)),
    ),
    Fault(
        label="gain",
        kinds=("gain",),
        inside=True,
        draw=lambda rng, ohms: Input(pullup_ohms=_gained(rng)),
    ),
    Fault(
        label="offset",
        kinds=("curve-offset",),
        inside=True,
        draw=lambda rng, ohms: Input(offset_celsius=_either(rng, 2, 8)),
    ),
    Fault(
        label="curve of a candidate",
        kinds=("wrong-curve",),
        inside=True,
        draw=lambda rng, ohms: _candidate(rng),
    ),
    Fault(
        label="second pull-up",
        kinds=("second-pullup",),
        inside=True,
        least_readings=12,
        draw=lambda rng, ohms: Input(
            second_pullup_ohms=_log(rng, 400, 3000), second_below_ohms=900.0
        ),
    ),
    Fault(
        label="series and leakage",
        kinds=("series-resistance+leakage-to-ground",),
        inside=True,
        least_readings=8,
        draw=lambda rng, ohms: Input(
            series_ohms=_log(rng, 60, 300), leakage_ohms=_log(rng, 5e3, 30e3)
        ),
    ),
    Fault(
        label="gain and offset",
        kinds=("gain+curve-offset",),
        inside=True,
        least_readings=8,
        draw=lambda rng, ohms: Input(
            pullup_ohms=_gained(rng, least=0.12), offset_celsius=_either(rng, 3, 8)
        ),
    ),
    Fault(
        label="curve that is no candidate",
        kinds=("unknown-curve",),
        inside=False,
        draw=lambda rng, ohms: Input(celsius=_other_curve(rng)),
    ),
    Fault(
        label="same material, another size",
        kinds=("unknown-curve",),
        inside=False,
        draw=lambda rng, ohms: Input(
            celsius=type1_celsius(float(rng.choice([2000.0, 2252.0, 3300.0, 7000.0])))
        ),
    ),
    Fault(
        label="ADC reference 1 to 5 % off",
        kinds=("adc-reference",),
        inside=False,
        draw=lambda rng, ohms: Input(adc_reference_share=1 + _either(rng, 0.01, 0.05)),
    ),
    Fault(
        label="intermittent series resistance",
        kinds=("intermittent-contact",),
        inside=False,
        draw=_intermittent,
    ),
    Fault(
        label="series and gain",
        kinds=("series-resistance+gain",),
        inside=False,
        draw=lambda rng, ohms: Input(series_ohms=_log(rng, 40, 300), pullup_ohms=_gained(rng)),
    ),
    Fault(
        label="curve that is no candidate, and series",
        kinds=("unknown-curve+series-resistance", "unknown-curve"),
        inside=False,
        draw=lambda rng, ohms: Input(celsius=_other_curve(rng), series_ohms=_log(rng, 40, 300)),
    ),
)


def sweep_ohms(rng: np.random.Generator, count: int) -> Array:
    """Return the resistances of a sweep of -30 to 120 degC: 61 are the 5 degC sweep up and down.

    A ladder misses its targets a little: by up to 0.3 degC.
    """
    celsius = (
        np.concatenate([np.arange(-30, 121, 5), np.arange(115, -31, -5)]).astype(float)
        if count == 61
        else np.linspace(-30, 120, count)
    )
    return type1_ohms(celsius + rng.uniform(-0.3, 0.3, celsius.size))


@cache
def plan_curve() -> Curve:
    """Return the curve of the plan that is diagnosed against."""
    return load_sensor(SWEEPS / "sensors" / "tern-coolant.toml").curve


@cache
def candidates() -> tuple[Sensor, ...]:
    """Return the two sensors that are tried besides the plan's."""
    a, b, c = TEN_KOHM_CONSTANTS
    size, beta = CANDIDATE_BETA
    span = {"lowest_celsius": -60.0, "highest_celsius": 180.0}
    printed = SteinhartHartCurve(a=a, b=b, c=c, **span)
    formula = BetaCurve(reference_ohms=size, reference_celsius=25.0, beta_kelvin=beta, **span)
    return (
        Sensor(name="printed 10 kohm", kind="ntc-steinhart-hart", curve=printed),
        Sensor(name="5 kohm, B 3435", kind="ntc-beta", curve=formula),
    )


CIRCUIT = InputCircuit(pullup_ohms=2490.0, adc_bits=12)
REPORTING = Reporting(
    lowest_celsius=-40.0, highest_celsius=130.0, open_celsius=-40.0, short_celsius=130.0
)


def examine(fault: Fault, rng: np.random.Generator, *, count: int, noise: float) -> Diagnosis:
    """Diagnose one drawn input."""
    ohms = sweep_ohms(rng, count)
    celsius = fault.draw(rng, ohms).reports(ohms, rng, noise)
    return _diagnosed(ohms, celsius, plan_curve())


def _diagnosed(ohms: Array, celsius: Array, curve: Curve, **more: Any) -> Diagnosis:
    readings = Readings(
        ohms=ohms,
        reported_celsius=celsius,
        reporting=REPORTING,
        tolerance_celsius=np.full((), TOLERANCE_CELSIUS),
        **more,
    )
    return diagnose(readings, curve, candidates=candidates(), circuit=CIRCUIT)


def chart_plan(
    rng: np.random.Generator, *, common: bool, count: int = 25, noise: float = 0.3
) -> Diagnosis:
    """Diagnose a healthy module against a plan read off an eight-point chart.

    Every point is read to 2 % and 0.5 degC, or both axes are off by as much for all points alike.
    """
    at = np.linspace(-30.0, 130.0, 8)
    size = 1 if common else 8
    shift = rng.normal(0.0, 0.5, size)
    scale = np.exp(rng.normal(0.0, 0.02, size))
    read = type1_ohms(np.clip(at, -40, 135)) * scale
    curve = fit_chart(
        list(zip((at + shift).tolist(), read.tolist(), strict=True)),
        lowest_celsius=-35.0,
        highest_celsius=128.0,
        reading_uncertainty_percent=2.0,
        reading_uncertainty_celsius=0.5,
    )
    ohms = type1_ohms(np.linspace(-28, 120, count))
    return _diagnosed(ohms, Input().reports(ohms, rng, noise), curve)


LADDER_OHMS = tuple(2.0 * 1.95**k for k in range(16))


@cache
def plain_ladder(tolerance_percent: float) -> Ladder:
    """Return a ladder of sixteen rungs in series, each of the same tolerance."""
    from tempfile import TemporaryDirectory

    rungs = "\n".join(
        f"  {{ relay = {k}, ohms = {ohms!r}, tolerance_percent = {tolerance_percent} }},"
        for k, ohms in enumerate(LADDER_OHMS)
    )
    text = (
        'format = "rungwise-ladder/1"\nname = "sixteen"\nrelay_count = 16\n'
        f'[[group]]\nkind = "series"\nrungs = [\n{rungs}\n]\n'
    )
    with TemporaryDirectory() as folder:
        path = Path(folder) / "ladder.toml"
        path.write_text(text, encoding="utf-8")
        return load_ladder(path)


def nominal_ladder(
    rng: np.random.Generator, *, percent: float = 5.0, count: int = 25, noise: float = 0.3
) -> Diagnosis:
    """Diagnose a healthy module with a ladder whose rungs are off by up to their tolerance."""
    nominal = np.array(LADDER_OHMS)
    actual = nominal * (1 + percent / 100 * rng.uniform(-1, 1, nominal.size))
    in_circuit = []
    for target in type1_ohms(np.linspace(-30, 120, count)):
        left, used = float(target), np.zeros(nominal.size, dtype=bool)
        for k in reversed(range(nominal.size)):
            if nominal[k] <= left:
                used[k], left = True, left - nominal[k]
        in_circuit.append(used)
    used = np.array(in_circuit)
    # An energised relay bypasses its rung.
    states = [int(sum(1 << k for k in np.flatnonzero(~row))) for row in used]
    celsius = Input().reports(used @ actual, rng, noise)
    joint = states_ohms2(plain_ladder(percent), states)
    return _diagnosed(used @ nominal, celsius, plan_curve(), covariance_ohms2=joint)


@dataclass(frozen=True, kw_only=True)
class Tally:
    """How the answers of some runs came out; `first` of those that cannot tell name it first."""

    runs: int
    right: int
    first: int
    wrong: int
    called: Counter[str]

    @property
    def cannot_tell(self) -> int:
        """Runs without a certain answer."""
        return self.runs - self.right - self.wrong

    def __add__(self, other: Tally) -> Tally:
        return Tally(
            runs=self.runs + other.runs,
            right=self.right + other.right,
            first=self.first + other.first,
            wrong=self.wrong + other.wrong,
            called=self.called + other.called,
        )


def tally(kinds: Sequence[str], found: Sequence[Diagnosis]) -> Tally:
    """Count answers. An answer is right when it names the fault, alone or beside its named twin."""
    right = first = wrong = 0
    called: Counter[str] = Counter()
    for one in found:
        kind = one.best.kind if one.best else "none fits"
        named = {kind, *(one.best.twins if one.best else ())}
        hit = not named.isdisjoint(kinds)
        right += hit and one.distinguishable
        first += hit and not one.distinguishable
        wrong += one.distinguishable and not hit
        called[f"{kind}{'' if one.distinguishable else '?'}"] += 1
    return Tally(runs=len(found), right=right, first=first, wrong=wrong, called=called)


def tally_of(fault: Fault, *, count: int, noise: float, runs: int, seed: int = 0) -> Tally:
    """Draw and diagnose one fault many times."""
    rng = np.random.default_rng([seed, sum(fault.label.encode()), count, round(10 * noise)])
    return tally(
        fault.kinds,
        [examine(fault, rng, count=count, noise=noise) for _ in range(runs)],
    )


HEALTHY_PLANS: dict[str, Callable[[np.random.Generator], Diagnosis]] = {
    "healthy, plan from an 8-point chart": lambda rng: chart_plan(rng, common=False),
    "healthy, chart with both axes off": lambda rng: chart_plan(rng, common=True),
    "healthy, ladder of 5 % rungs": nominal_ladder,
}


def healthy_tally(label: str, *, runs: int, seed: int = 0) -> Tally:
    """Diagnose healthy modules against a plan or with a ladder that is a little off."""
    rng = np.random.default_rng([seed, sum(label.encode())])
    return tally(("healthy",), [HEALTHY_PLANS[label](rng) for _ in range(runs)])


TableRow: TypeAlias = tuple[str, str, str, str, str, bool]


def bounds(count: int, of: int) -> tuple[float, float]:
    """Return the 95 % bounds of a share (Clopper & Pearson, Biometrika 26, 1934, 404)."""
    low, high = stats.binomtest(count, of).proportion_ci(0.95)
    return float(low), float(high)


def table_row(name: str, one: Tally, *, pooled: bool = False) -> TableRow:
    """Return one row. A few runs miss the aim when their bounds lie beyond it; all together when
    their share does.
    """
    share = one.wrong / one.runs
    low, high = bounds(one.wrong, one.runs)
    return (
        name,
        f"{one.right} / {one.cannot_tell} / {one.wrong}",
        f"{one.runs} runs",
        f"{share:.3f} ({low:.3f} to {high:.3f})",
        f"wrong <= {MOST_WRONG}",
        (share if pooled else low) <= MOST_WRONG,
    )


def table_rows(
    *,
    runs: int,
    word: str = "",
    counts: Sequence[int] = COUNTS,
    noises: Sequence[float] = NOISES_CELSIUS,
    seed: int = 0,
) -> Iterator[TableRow]:
    """Yield the table: (name, measured, against, ratio, aim, met), and each fault's rows added."""
    for fault in (one for one in FAULTS if word in one.label):
        where = "inside" if fault.inside else "outside"
        found = []
        for count in (n for n in counts if n >= fault.least_readings):
            for noise in noises:
                found.append(tally_of(fault, count=count, noise=noise, runs=runs, seed=seed))
                name = f"{where}: {fault.label}, {count} readings, noise {noise} degC"
                yield table_row(name, found[-1])
        if found:
            together = functools.reduce(operator.add, found)
            yield table_row(f"{where}: {fault.label}, all of these", together, pooled=True)
    for label in HEALTHY_PLANS:
        if word in label:
            yield table_row(f"inside: {label}", healthy_tally(label, runs=2 * runs, seed=seed))


if __name__ == "__main__":
    many = int(sys.argv[1]) if len(sys.argv) > 1 else 25
    print("right / cannot tell / certain and wrong, and the share of the last")
    for line in table_rows(runs=many, word=sys.argv[2] if len(sys.argv) > 2 else ""):
        print(*line, sep="  ", flush=True)
