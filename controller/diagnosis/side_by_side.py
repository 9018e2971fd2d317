"""Runs side by side: step-wise differences, hysteresis between up and down, trend.

Knows: arrays of errors with their uncertainty; what two runs on one bench share.
Must not know: files, records, verdicts.

Two runs on one bench share rungs, leads and curve: what those are off by drops out of a
difference. So the uncertainties here are only those that scatter from reading to reading: report
resolution, settling, contacts, repeatability. `error` is reported minus achieved temperature, so
that runs may be compared although their states were not quite the same.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime

import numpy as np
import numpy.typing as npt

from controller.arrays import FloatArray
from controller.errors import InputError
from controller.ladder.calibration.least_squares import chi_square_exceeded, least_squares
from controller.run.model import StepResult
from controller.units import COVERAGE_FACTOR

__all__ = [
    "SCATTERING",
    "Comparison",
    "Hysteresis",
    "HysteresisPoint",
    "Run",
    "StepDifference",
    "Trend",
    "compare",
    "hysteresis",
    "mean_error",
    "run_of",
    "trend",
    "trend_of_runs",
]

SCATTERING = frozenset({"report", "settling", "contacts", "repeatability"})
"""The parts of a budget that are not shared by two runs on one bench."""

_SECONDS_A_DAY = 86_400.0
_LEAST_FOR_A_TREND = 3
_LIKELY = 0.05
"""A probability below this counts as a real difference."""


@dataclass(frozen=True, kw_only=True)
class Run:
    """The judged readings of one run in the order they were taken: arrays (n,).

    `uncertainty_celsius` is standard (k = 1), the part that is not shared with other runs on the
    same bench; a scalar is spread over all.
    """

    name: str
    achieved_celsius: FloatArray
    error_celsius: FloatArray
    uncertainty_celsius: FloatArray
    warming: npt.NDArray[np.bool_] = field(init=False)

    def __post_init__(self) -> None:
        achieved = np.array(self.achieved_celsius, dtype=np.float64, ndmin=1)
        error = np.array(self.error_celsius, dtype=np.float64, ndmin=1)
        own = np.broadcast_to(np.asarray(self.uncertainty_celsius, dtype=np.float64), error.shape)
        if achieved.shape != error.shape or achieved.ndim != 1:
            raise InputError.single("temperatures and errors must be equally many", where=self.name)
        if not (np.all(np.isfinite(achieved)) and np.all(np.isfinite(error))):
            raise InputError.single("has readings that are no temperatures", where=self.name)
        if not np.all(own > 0):
            raise InputError.single("needs uncertainties above zero", where=self.name)
        # The first step has nothing before it; it counts as going the way the second one goes.
        moves = np.diff(achieved)
        first = moves[:1] if moves.size else np.ones(1)
        object.__setattr__(self, "achieved_celsius", achieved)
        object.__setattr__(self, "error_celsius", error)
        object.__setattr__(self, "uncertainty_celsius", own)
        object.__setattr__(self, "warming", np.concatenate([first, moves])[: achieved.size] > 0)


@dataclass(frozen=True, kw_only=True)
class StepDifference:
    """One step of a run against the same temperature in the reference run, in degC.

    `uncertainty_celsius` is expanded (k = 2) and of the difference.
    """

    achieved_celsius: float
    warming: bool
    difference_celsius: float
    uncertainty_celsius: float

    @property
    def significant(self) -> bool:
        """Whether the difference is larger than its expanded uncertainty."""
        return abs(self.difference_celsius) > self.uncertainty_celsius


@dataclass(frozen=True, kw_only=True)
class Comparison:
    """A run against a reference run.

    `mean_celsius` with expanded `mean_uncertainty_celsius` (k = 2) is the difference over all
    steps. `probability` is that of differences at least as large by chance (chi-square), for two
    inputs that are alike. `unmatched` counts steps that the reference does not have.
    """

    reference: str
    name: str
    steps: tuple[StepDifference, ...]
    mean_celsius: float
    mean_uncertainty_celsius: float
    probability: float
    unmatched: int

    @property
    def alike(self) -> bool:
        """Whether chance explains all differences (more than 5 % likely)."""
        return self.probability >= _LIKELY


@dataclass(frozen=True, kw_only=True)
class HysteresisPoint:
    """One temperature reached both ways: error when warming less error when cooling, in degC."""

    achieved_celsius: float
    difference_celsius: float
    uncertainty_celsius: float


@dataclass(frozen=True, kw_only=True)
class Hysteresis:
    """Up against down. `probability` is that of such differences by chance (chi-square)."""

    points: tuple[HysteresisPoint, ...]
    mean_celsius: float
    mean_uncertainty_celsius: float
    largest_celsius: float
    probability: float

    @property
    def present(self) -> bool:
        """Whether up and down differ by more than chance (less than 5 % likely)."""
        return self.probability < _LIKELY


@dataclass(frozen=True, kw_only=True)
class Trend:
    """A straight line through values over time.

    `slope` is per unit of time, `uncertainty` expanded (k = 2). `scatter` is how many times
    larger the values scatter about the line than their uncertainties say (at least 1); it is in
    the uncertainty already.
    """

    slope: float
    uncertainty: float
    scatter: float
    probability: float

    @property
    def significant(self) -> bool:
        """Whether the slope is unlikely (less than 5 %) without a trend."""
        return self.probability < _LIKELY


def run_of(name: str, results: Iterable[StepResult]) -> Run:
    """Return the temperature steps of a run that have a reading.

    Of each step's budget only the parts count that scatter from reading to reading.
    """
    rows = [
        (
            one.step.achieved_celsius,
            one.error_celsius,
            math.hypot(*(p.celsius for p in one.step.budget if p.name in SCATTERING)),
        )
        for one in results
        if one.error_celsius is not None and one.step.achieved_celsius is not None
    ]
    if not rows:
        raise InputError.single("has no temperature steps with a reading", where=name)
    achieved, error, own = np.array(rows, dtype=np.float64).T
    return Run(name=name, achieved_celsius=achieved, error_celsius=error, uncertainty_celsius=own)


def compare(reference: Run, other: Run, *, within_celsius: float = 1.0) -> Comparison:
    """Return the step-wise differences of a run from a reference run.

    Steps belong together when their achieved temperatures differ by no more than
    `within_celsius`; where the reference was there several times, those going the same way count
    if there are any, and they are averaged. A reference step that serves several steps makes
    their differences a little correlated, which is not taken into account. Raises InputError
    when no step has a partner.
    """
    steps = []
    for celsius, error, own, warming in zip(
        other.achieved_celsius,
        other.error_celsius,
        other.uncertainty_celsius,
        other.warming,
        strict=True,
    ):
        near = np.abs(reference.achieved_celsius - celsius) <= within_celsius
        same = near & (reference.warming == warming)
        chosen = same if same.any() else near
        if not chosen.any():
            continue
        mean, spread = _mean(reference.error_celsius[chosen], reference.uncertainty_celsius[chosen])
        steps.append(
            StepDifference(
                achieved_celsius=float(celsius),
                warming=bool(warming),
                difference_celsius=float(error - mean),
                uncertainty_celsius=COVERAGE_FACTOR * math.hypot(float(own), spread),
            )
        )
    if not steps:
        raise InputError.single(
            f"no step of {other.name!r} has a partner in {reference.name!r}",
            hint=f"steps within {within_celsius:g} degC of each other belong together",
        )
    differences = np.array([step.difference_celsius for step in steps])
    spreads = np.array([step.uncertainty_celsius for step in steps]) / COVERAGE_FACTOR
    mean, spread = _mean(differences, spreads)
    return Comparison(
        reference=reference.name,
        name=other.name,
        steps=tuple(steps),
        mean_celsius=mean,
        mean_uncertainty_celsius=COVERAGE_FACTOR * spread,
        probability=_by_chance(differences, spreads),
        unmatched=other.error_celsius.size - len(steps),
    )


def hysteresis(run: Run, *, within_celsius: float = 1.0) -> Hysteresis | None:
    """Return the difference between up and down; None when no temperature was reached both ways.

    A module that reads too low on the way up and too high on the way down is slow, or was not
    given time to settle.
    """
    points = []
    up = np.flatnonzero(run.warming)
    down = np.flatnonzero(~run.warming)
    used = np.zeros(run.error_celsius.size, dtype=bool)
    for index in up:
        celsius = run.achieved_celsius[index]
        partners = down[np.abs(run.achieved_celsius[down] - celsius) <= within_celsius]
        partners = partners[~used[partners]]
        if not partners.size:
            continue
        nearest = partners[np.argmin(np.abs(run.achieved_celsius[partners] - celsius))]
        # Every reading once, or the points would not be independent.
        used[nearest] = True
        points.append(
            HysteresisPoint(
                achieved_celsius=float(celsius),
                difference_celsius=float(run.error_celsius[index] - run.error_celsius[nearest]),
                uncertainty_celsius=COVERAGE_FACTOR
                * math.hypot(
                    float(run.uncertainty_celsius[index]), float(run.uncertainty_celsius[nearest])
                ),
            )
        )
    if not points:
        return None
    differences = np.array([point.difference_celsius for point in points])
    spreads = np.array([point.uncertainty_celsius for point in points]) / COVERAGE_FACTOR
    mean, spread = _mean(differences, spreads)
    return Hysteresis(
        points=tuple(points),
        mean_celsius=mean,
        mean_uncertainty_celsius=COVERAGE_FACTOR * spread,
        largest_celsius=float(differences[np.argmax(np.abs(differences))]),
        probability=_by_chance(differences, spreads),
    )


def trend(at: npt.ArrayLike, values: npt.ArrayLike, uncertainties: npt.ArrayLike) -> Trend:
    """Return the trend of values (n,) over times (n,); uncertainties are standard (k = 1).

    Weighted straight line (JCGM 100:2008, H.3). Where the values scatter more than their
    uncertainties say, those are scaled up by the Birge ratio (Birge 1932, Phys. Rev. 40, 207), and
    the significance is that of Student's t. Raises InputError for fewer than three values or for
    times that are all the same.
    """
    from scipy.special import stdtr

    times = np.asarray(at, dtype=np.float64)
    observed = np.asarray(values, dtype=np.float64)
    spreads = np.broadcast_to(np.asarray(uncertainties, dtype=np.float64), observed.shape)
    if observed.size < 3:
        raise InputError.single(f"a trend needs at least 3 values, not {observed.size}")
    if np.ptp(times) == 0:
        raise InputError.single("a trend needs values of different times")
    if not np.all(spreads > 0):
        raise InputError.single("a trend needs uncertainties above zero")
    centred = times - times.mean()
    design = np.column_stack([np.ones_like(centred), centred])
    line = least_squares(design, observed, covariance=np.diag(spreads**2))
    scatter = max(1.0, math.sqrt(line.chi_square / line.degrees_of_freedom))
    slope = float(line.values[1])
    standard = float(line.uncertainties[1]) * scatter
    return Trend(
        slope=slope,
        uncertainty=COVERAGE_FACTOR * standard,
        scatter=scatter,
        probability=2.0 * float(stdtr(line.degrees_of_freedom, -abs(slope) / standard)),
    )


def trend_of_runs(
    runs: Sequence[Run], comparisons: Sequence[Comparison], begun: Sequence[datetime]
) -> tuple[Trend | None, str, str | None]:
    """Return the trend of the mean error from run to run, per what, and why there is none.

    Per day where the runs `begun` at different times, else per run. `comparisons` are those of
    the later runs with the first.
    """
    if len(runs) < _LEAST_FOR_A_TREND:
        return None, "", None
    if any(one.unmatched for one in comparisons) or len({r.error_celsius.size for r in runs}) > 1:
        return None, "", "No trend is given: the runs do not have the same steps."
    days = [(one - begun[0]).total_seconds() / _SECONDS_A_DAY for one in begun]
    per = "day" if len(set(days)) == len(days) else "run"
    at = days if per == "day" else list(range(len(runs)))
    means, spreads = zip(*(mean_error(one) for one in runs), strict=True)
    return trend(at, means, spreads), per, None


def mean_error(run: Run) -> tuple[float, float]:
    """Return the mean error of a run and its standard uncertainty (k = 1), in degC."""
    spread = float(np.sqrt(np.sum(run.uncertainty_celsius**2))) / run.error_celsius.size
    return float(np.mean(run.error_celsius)), spread


def _mean(values: FloatArray, spreads: FloatArray) -> tuple[float, float]:
    """Return the weighted mean and its standard uncertainty."""
    weights = 1.0 / spreads**2
    total = float(weights.sum())
    return float((weights * values).sum()) / total, 1.0 / math.sqrt(total)


def _by_chance(differences: FloatArray, spreads: FloatArray) -> float:
    return chi_square_exceeded(float(np.sum((differences / spreads) ** 2)), differences.size)
