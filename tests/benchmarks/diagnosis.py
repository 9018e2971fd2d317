"""How often the diagnosis finds the fault that was put in: confusion, interval coverage, certainty.

The simulated input is solved as a circuit (node voltage, then the module's own arithmetic), with
normal noise before the report is rounded to 1 degC: nothing of it is shared with the formulas of
the diagnosis. Run it by itself for the full confusion table: ``python
tests/benchmarks/diagnosis.py``. What lies outside the set of known faults, and readings few and
many, are in `diagnosis_rows`, whose table is part of the rows here.
"""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from controller.diagnosis import Diagnosis, InputCircuit, Readings, diagnose
from controller.diagnosis.fit import fit, profile_intervals
from controller.diagnosis.hypotheses import hypotheses_for, response_of
from controller.diagnosis.likelihood import likelihood_of
from controller.sensors.curve import Sensor
from controller.sensors.thermistor import BetaCurve

REFERENCE_VOLTS = 5.0
PULLUP_OHMS = 2200.0
SUPPLY_VOLTS = 12.5
NOISE_CELSIUS = 0.3

CURVE = BetaCurve(
    reference_ohms=2800.0,
    reference_celsius=25.0,
    beta_kelvin=3450.0,
    lowest_celsius=-45.0,
    highest_celsius=160.0,
)
OTHER_CURVES = (
    BetaCurve(
        reference_ohms=2252.0,
        reference_celsius=25.0,
        beta_kelvin=3980.0,
        lowest_celsius=-60.0,
        highest_celsius=200.0,
    ),
    BetaCurve(
        reference_ohms=5000.0,
        reference_celsius=25.0,
        beta_kelvin=3600.0,
        lowest_celsius=-60.0,
        highest_celsius=220.0,
    ),
)
CANDIDATES = tuple(
    Sensor(name=f"other {i}", kind="ntc-beta", curve=curve) for i, curve in enumerate(OTHER_CURVES)
)
CIRCUIT = InputCircuit(
    pullup_ohms=PULLUP_OHMS, reference_volts=REFERENCE_VOLTS, supply_volts=SUPPLY_VOLTS
)


@dataclass(frozen=True, kw_only=True)
class Injected:
    """A fault that is put in. Names follow the diagnosis; each field is off by default."""

    kind: str
    label: str
    series_ohms: float = 0.0
    leakage_ohms: float = np.inf
    supply_leakage_ohms: float = np.inf
    gain: float = 1.0
    offset_celsius: float = 0.0
    curve: BetaCurve = CURVE
    second_pullup_ohms: float | None = None
    second_below_ohms: float = 0.0


def simulate(
    fault: Injected,
    rng: np.random.Generator,
    *,
    celsius: Iterable[float] = tuple(range(-30, 125, 10)),
    noise_celsius: float = NOISE_CELSIUS,
    resolution_celsius: float = 1.0,
) -> Readings:
    """Return readings of one sweep; targets are missed by up to a degree, as a ladder does."""
    targets = np.array(tuple(celsius), dtype=float)
    ohms = CURVE.ohms(targets + rng.uniform(-1.0, 1.0, targets.size))
    pullup = np.full(ohms.shape, PULLUP_OHMS / fault.gain)
    if fault.second_pullup_ohms is not None:
        switched = ohms < fault.second_below_ohms
        pullup[switched] = 1.0 / (1.0 / pullup[switched] + 1.0 / fault.second_pullup_ohms)
    outside = 1.0 / (ohms + fault.series_ohms)
    siemens = 1.0 / pullup + outside + 1.0 / fault.leakage_ohms + 1.0 / fault.supply_leakage_ohms
    amperes = REFERENCE_VOLTS / pullup + SUPPLY_VOLTS / fault.supply_leakage_ohms
    volts = np.minimum(amperes / siemens, 0.9999 * REFERENCE_VOLTS)
    seen = PULLUP_OHMS * volts / (REFERENCE_VOLTS - volts)
    ends = np.sort(
        fault.curve.ohms(np.array([fault.curve.lowest_celsius, fault.curve.highest_celsius]))
    )
    exact = fault.curve.celsius(np.clip(seen, *ends)) + fault.offset_celsius
    noisy = exact + rng.normal(0.0, noise_celsius, exact.shape)
    if resolution_celsius > 0:
        noisy = np.round(noisy / resolution_celsius) * resolution_celsius
    return Readings(ohms=ohms, reported_celsius=noisy)


HEALTHY = Injected(kind="healthy", label="healthy")
CLEAR = (
    Injected(kind="series-resistance", label="series 40 ohm", series_ohms=40.0),
    Injected(kind="series-resistance", label="series 300 ohm", series_ohms=300.0),
    Injected(kind="leakage-to-ground", label="leakage 30 kohm", leakage_ohms=30e3),
    Injected(kind="leakage-to-ground", label="leakage 4 kohm", leakage_ohms=4e3),
    Injected(
        kind="leakage-to-supply", label="leakage to supply 100 kohm", supply_leakage_ohms=100e3
    ),
    Injected(kind="gain", label="gain 1.10", gain=1.10),
    Injected(kind="gain", label="gain 0.80", gain=0.80),
    Injected(kind="curve-offset", label="offset +3 degC", offset_celsius=3.0),
    Injected(kind="curve-offset", label="offset -6 degC", offset_celsius=-6.0),
    Injected(kind="wrong-curve", label="curve of other 0", curve=OTHER_CURVES[0]),
    Injected(kind="wrong-curve", label="curve of other 1", curve=OTHER_CURVES[1]),
    Injected(
        kind="second-pullup",
        label="second pull-up 1 kohm below 900 ohm",
        second_pullup_ohms=1000.0,
        second_below_ohms=900.0,
    ),
    Injected(
        kind="series-resistance+leakage-to-ground",
        label="series 80 ohm and leakage 20 kohm",
        series_ohms=80.0,
        leakage_ohms=20e3,
    ),
    Injected(
        kind="gain+curve-offset",
        label="gain 1.25 and offset -4 degC",
        gain=1.25,
        offset_celsius=-4.0,
    ),
)
FAINT = (
    Injected(kind="series-resistance", label="series 4 ohm", series_ohms=4.0),
    Injected(kind="leakage-to-ground", label="leakage 400 kohm", leakage_ohms=400e3),
    Injected(kind="gain", label="gain 1.02", gain=1.02),
    Injected(kind="curve-offset", label="offset +0.7 degC", offset_celsius=0.7),
)


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """Counts over the runs of one fault.

    `wrong_and_told`: another kind, claimed as certain, and not "healthy" with a bound around it.
    """

    fault: Injected
    runs: int
    right: int
    right_and_told: int
    wrong_and_told: int
    called: Counter[str]

    @property
    def right_share(self) -> float:
        """Share of runs in which the fault that was put in has the best score."""
        return self.right / self.runs


PARAMETERS = {
    "series-resistance": "series_ohms",
    "leakage-to-ground": "leakage_ohms",
    "gain": "gain",
    "curve-offset": "offset_celsius",
}


def _healthy_within_bounds(found: Diagnosis, fault: Injected) -> bool:
    """Whether "healthy" came with a bound that leaves room for the fault that was put in.

    "No fault found; up to 6 ohm would not show" is no wrong answer to 4 ohm.
    """
    name = PARAMETERS.get(fault.kind)
    if found.best is None or found.best.kind != "healthy" or name is None:
        return False
    explanation = next(one for one in found.explanations if one.kind == fault.kind)
    interval = next(one for one in explanation.parameters if one.name == name)
    low = -np.inf if interval.low is None else interval.low
    high = np.inf if interval.high is None else interval.high
    return bool(low <= getattr(fault, name) <= high)


def examine(fault: Injected, *, runs: int, seed: int) -> Outcome:
    """Diagnose one fault many times."""
    rng = np.random.default_rng(seed)
    found: list[Diagnosis] = [
        diagnose(simulate(fault, rng), CURVE, candidates=CANDIDATES, circuit=CIRCUIT)
        for _ in range(runs)
    ]
    right = [one.best is not None and one.best.kind == fault.kind for one in found]
    told = [one.distinguishable for one in found]
    excused = [_healthy_within_bounds(one, fault) for one in found]
    return Outcome(
        fault=fault,
        runs=runs,
        right=sum(right),
        right_and_told=sum(r and t for r, t in zip(right, told, strict=True)),
        wrong_and_told=sum(
            t and not r and not e for r, t, e in zip(right, told, excused, strict=True)
        ),
        called=Counter(one.best.kind if one.best else "undecided" for one in found),
    )


TRUTHS = {
    "series_ohms": Injected(kind="series-resistance", label="", series_ohms=60.0),
    "leakage_ohms": Injected(kind="leakage-to-ground", label="", leakage_ohms=25e3),
    "gain": Injected(kind="gain", label="", gain=1.08),
    "offset_celsius": Injected(kind="curve-offset", label="", offset_celsius=2.3),
}
PAIR_TRUTH = Injected(
    kind="series-resistance+leakage-to-ground", label="", series_ohms=60.0, leakage_ohms=25e3
)


def coverage(
    fault: Injected,
    *,
    runs: int,
    seed: int,
    names: Sequence[str],
    noise_celsius: float = NOISE_CELSIUS,
) -> dict[str, float]:
    """Return how often the 95 % interval of each named parameter holds the true value."""
    rng = np.random.default_rng(seed)
    response = response_of(CURVE)
    inside: Counter[str] = Counter()
    for _ in range(runs):
        readings = simulate(fault, rng, noise_celsius=noise_celsius)
        likelihood = likelihood_of(readings, noise_celsius=None)
        hypothesis = next(
            one for one in hypotheses_for(readings.ohms, response) if one.kind == fault.kind
        )
        found = fit(hypothesis, readings.ohms, likelihood)
        for interval in profile_intervals(found, readings.ohms, likelihood):
            truth = getattr(fault, interval.name)
            low = -np.inf if interval.low is None else interval.low
            high = np.inf if interval.high is None else interval.high
            inside[interval.name] += low <= truth <= high
    return {name: inside[name] / runs for name in names}


def binomial_bounds(runs: int, share: float = 0.95) -> tuple[float, float]:
    """Return the two-sided 99.9 % bounds of a share seen in so many runs."""
    from scipy.stats import binom

    low, high = binom.ppf([0.0005, 0.9995], runs, share)
    return float(low) / runs, float(high) / runs


def rows(*, runs: int = 25, coverage_runs: int = 500) -> list[tuple[str, str, str, str, str, bool]]:
    """Return (name, measured, against, ratio, aim, met) for the table of benchmarks."""
    found = []
    healthy = examine(HEALTHY, runs=5 * runs, seed=1)
    found.append(
        (
            "diagnosis: a healthy module is called healthy",
            f"{healthy.right}",
            f"{healthy.runs} runs",
            f"{healthy.right_share:.3f}",
            ">= 0.95",
            healthy.right_share >= 0.95,
        )
    )
    outcomes = [examine(fault, runs=runs, seed=100 + i) for i, fault in enumerate(CLEAR)]
    found += [
        (
            f"diagnosis: {one.fault.label} is found",
            f"{one.right}",
            f"{one.runs} runs",
            f"{one.right_share:.3f}",
            ">= 0.90",
            one.right_share >= 0.90,
        )
        for one in outcomes
    ]
    outcomes += [examine(fault, runs=runs, seed=200 + i) for i, fault in enumerate(FAINT)]
    wrong = sum(one.wrong_and_told for one in outcomes)
    told = wrong + sum(one.right_and_told for one in outcomes)
    found.append(
        (
            "diagnosis: wrong though it claims to be certain",
            f"{wrong}",
            f"{told} claims",
            f"{wrong / told:.3f}",
            "<= 0.05",
            wrong / told <= 0.05,
        )
    )
    low, high = binomial_bounds(coverage_runs)
    pair = coverage(PAIR_TRUTH, runs=coverage_runs, seed=9, names=("series_ohms", "leakage_ohms"))
    shares = {
        **{
            name: coverage(fault, runs=coverage_runs, seed=5, names=(name,))[name]
            for name, fault in TRUTHS.items()
        },
        **{f"{name} beside another fault": share for name, share in pair.items()},
    }
    for name, share in shares.items():
        found.append(
            (
                f"diagnosis: 95 % interval of {name} holds the truth",
                f"{share * coverage_runs:.0f}",
                f"{coverage_runs} runs",
                f"{share:.3f}",
                f"{low:.3f} to {high:.3f}",
                low <= share <= high,
            )
        )
    return found + certainty_rows()


def certainty_rows(*, runs: int = 20) -> list[tuple[str, str, str, str, str, bool]]:
    """Return the table of right / cannot tell / certain and wrong."""
    sys.path.insert(0, str(Path(__file__).resolve().parent))
    from diagnosis_rows import table_rows

    return [(f"diagnosis, {row[0]}", *row[1:]) for row in table_rows(runs=runs)]


def confusion(*, runs: int) -> str:
    """Return the confusion table: what was put in, and what it was called how often."""
    lines = [f"{'put in':38s} {'right':>6s} {'told':>6s} {'wrongly':>8s}  called"]
    for index, fault in enumerate((HEALTHY, *CLEAR, *FAINT)):
        one = examine(fault, runs=runs, seed=300 + index)
        called = ", ".join(f"{kind} {count}" for kind, count in one.called.most_common())
        counts = f"{one.right:6d} {one.right_and_told:6d} {one.wrong_and_told:8d}"
        lines.append(f"{fault.label:38s} {counts}  {called}")
    return "\n".join(lines)


if __name__ == "__main__":
    print(confusion(runs=int(sys.argv[1]) if len(sys.argv) > 1 else 50))
    for row in rows():
        print(row)
