"""What a diagnosis is made from: the ohms that were put in, and what the module said."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from controller.arrays import FloatArray
from controller.bench.model import BenchFile
from controller.diagnosis.states import states_ohms2
from controller.errors import InputError, Problem
from controller.module.encoding import Rounding
from controller.module.model import Module
from controller.planning.model import StepKind
from controller.run.model import StepResult

__all__ = ["Readings", "Reporting", "cell_edges", "readings_of"]


@dataclass(frozen=True, kw_only=True)
class Reporting:
    """How the module reports. `resolution_celsius` zero means that nothing is rounded.

    A report at `lowest_celsius` or `highest_celsius` stands for everything beyond it (None: no
    such limit is known). `open_celsius` and `short_celsius` are what it reports once it has
    decided that the circuit is open or shorted; None when not known, and then readings of an
    open or shorted input are left out of the diagnosis.
    """

    resolution_celsius: float = 1.0
    rounding: Rounding = Rounding.NEAREST
    lowest_celsius: float | None = None
    highest_celsius: float | None = None
    open_celsius: float | None = None
    short_celsius: float | None = None

    def __post_init__(self) -> None:
        if not (math.isfinite(self.resolution_celsius) and self.resolution_celsius >= 0):
            raise InputError.single(
                f"resolution {self.resolution_celsius} is not a step of zero or more degC",
                key="resolution_celsius",
            )

    @classmethod
    def of(cls, module: Module) -> Reporting:
        """Return how a described module reports."""
        return cls(
            resolution_celsius=module.resolution_celsius,
            rounding=module.rounding,
            lowest_celsius=module.lowest_report_celsius,
            highest_celsius=module.highest_report_celsius,
            open_celsius=module.open_reports_celsius,
            short_celsius=module.short_reports_celsius,
        )


@dataclass(frozen=True, kw_only=True)
class Readings:
    """Readings, one entry each: arrays of shape (n,).

    `ohms` is the true resistance of the achieved state: 0 for a short, math.inf for an open
    circuit. `uncertainty_celsius` is the standard uncertainty (k = 1) of each reading that is
    not shared with the others: repeatability, settle residue, the state's own ohms; a scalar
    is spread over all. `covariance_ohms2` (n, n) is that of the ohms, which share rungs; None when
    not known. `tolerance_celsius` is the plan's for each reading, nan where there is none. Raises
    InputError for negative or undefined values.
    """

    ohms: FloatArray
    reported_celsius: FloatArray
    uncertainty_celsius: FloatArray = field(default_factory=lambda: np.zeros(()))
    reporting: Reporting = field(default_factory=Reporting)
    covariance_ohms2: FloatArray | None = None
    tolerance_celsius: FloatArray = field(default_factory=lambda: np.full((), math.nan))

    def __post_init__(self) -> None:
        ohms = _column(self.ohms)
        reported = _column(self.reported_celsius)
        if ohms.shape != reported.shape:
            raise InputError.single(
                f"{ohms.size} resistances but {reported.size} reported temperatures"
            )
        uncertainty = np.broadcast_to(_column(self.uncertainty_celsius), ohms.shape)
        tolerance = np.broadcast_to(_column(self.tolerance_celsius), ohms.shape)
        problems = [
            Problem(
                message=f"{ohms[i]:g} ohm is not a resistance of zero or more", key=f"ohms[{i}]"
            )
            for i in np.flatnonzero(~(ohms >= 0))
        ]
        problems += [
            Problem(message="is not a temperature", key=f"reported_celsius[{i}]")
            for i in np.flatnonzero(~np.isfinite(reported))
        ]
        problems += [
            Problem(message="is not zero or more", key=f"uncertainty_celsius[{i}]")
            for i in np.flatnonzero(~(np.isfinite(uncertainty) & (uncertainty >= 0)))
        ]
        joint = self.covariance_ohms2
        if joint is not None and joint.shape != (ohms.size, ohms.size):
            problems.append(
                Problem(message=f"is not {ohms.size} by {ohms.size}", key="covariance_ohms2")
            )
        if problems:
            raise InputError(problems)
        object.__setattr__(self, "ohms", ohms)
        object.__setattr__(self, "reported_celsius", reported)
        object.__setattr__(self, "uncertainty_celsius", uncertainty)
        object.__setattr__(self, "tolerance_celsius", tolerance)

    def __len__(self) -> int:
        return int(self.ohms.size)

    def only(self, chosen: npt.NDArray[np.bool_]) -> Readings:
        """Return some of the readings, as a mask (n,) chooses them."""
        joint = self.covariance_ohms2
        return Readings(
            ohms=self.ohms[chosen],
            reported_celsius=self.reported_celsius[chosen],
            uncertainty_celsius=self.uncertainty_celsius[chosen],
            reporting=self.reporting,
            covariance_ohms2=None if joint is None else joint[np.ix_(chosen, chosen)],
            tolerance_celsius=self.tolerance_celsius[chosen],
        )


def readings_of(
    results: Iterable[StepResult], *, reporting: Reporting, bench: BenchFile | None = None
) -> Readings:
    """Return the readings of a run; steps without a reading are left out.

    A short step counts as 0 ohm whatever the ladder's leads leave. The steps' own uncertainty is
    not taken over: most of it is shared by all steps and would not scatter. With the `bench` the
    states' ohms are as uncertain as its ladder, rungs shared.
    """
    taken = [one for one in results if one.reported_celsius is not None]
    joint = None
    if bench is not None:
        states = [one.step.state for one in taken]
        joint = states_ohms2(bench.nominal_ladder or bench.ladder, states, bench.calibration)
    return Readings(
        ohms=np.array(
            [0.0 if one.step.kind is StepKind.SHORT else one.step.achieved_ohms for one in taken]
        ),
        reported_celsius=np.array([one.reported_celsius for one in taken], dtype=np.float64),
        reporting=reporting,
        covariance_ohms2=joint,
        tolerance_celsius=np.array([one.step.tolerance_celsius for one in taken], dtype=np.float64),
    )


def cell_edges(
    reported_celsius: npt.ArrayLike, reporting: Reporting
) -> tuple[FloatArray, FloatArray]:
    """Return the lowest and the highest temperature that give each report, in degC.

    With a resolution of zero both are the report itself. A report at a limit reaches to infinity.
    """
    reported = np.asarray(reported_celsius, dtype=np.float64)
    step = reporting.resolution_celsius
    match reporting.rounding:
        case Rounding.NEAREST:
            low, high = reported - step / 2, reported + step / 2
        case Rounding.TRUNCATE:
            low, high = reported, reported + step
    if reporting.lowest_celsius is not None:
        low = np.where(reported <= reporting.lowest_celsius, -math.inf, low)
    if reporting.highest_celsius is not None:
        high = np.where(reported >= reporting.highest_celsius, math.inf, high)
    return low, high


def _column(values: npt.ArrayLike) -> FloatArray:
    array = np.array(values, dtype=np.float64, ndmin=1)
    if array.ndim != 1:
        raise InputError.single("readings are columns of numbers, not a table")
    array.flags.writeable = False
    return array
