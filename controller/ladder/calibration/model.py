"""What a calibration of a ladder is: measured states in, rung values with covariance out.

Three things are found: every rung, one offset common to all contacts, and the leads. How a
contact differs from one closing to the next cannot be calibrated away: the ladder's
`contact_uncertainty_ohms` stays as it is, for every closed contact, in measuring and in use.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from controller.arrays import FloatArray
from controller.errors import InputError
from controller.ladder.calibration.slopes import state_slopes
from controller.ladder.electrical import states_ohms
from controller.ladder.model import Ladder, Rung

__all__ = [
    "Calibration",
    "Measurement",
    "calibrated_ladder",
    "contact_variances_ohms2",
    "nominal_parameters",
    "rungs_of",
    "sensitivities",
    "state_uncertainty_ohms",
    "states_covariance_ohms2",
    "with_parameters",
]


@dataclass(frozen=True, kw_only=True)
class Measurement:
    """One state, measured at the module's end of the leads. Uncertainty is standard (k = 1)."""

    state: int
    ohms: float
    uncertainty_ohms: float


@dataclass(frozen=True, kw_only=True)
class Calibration:
    """A dated calibration. `utc` is an ISO 8601 date or time.

    Parameters stand in one order throughout: the rungs as `relays` lists them, the contact
    offset, the leads. `covariance_ohms2` is (n + 2, n + 2). `chi_square` and
    `degrees_of_freedom` are those of the residuals, `probability` that of a chi-square at least
    as large.
    """

    ladder: str
    utc: str
    relays: tuple[int, ...]
    rung_ohms: tuple[float, ...]
    contact_offset_ohms: float
    lead_ohms: float
    covariance_ohms2: FloatArray
    measurements: int
    chi_square: float
    degrees_of_freedom: int
    probability: float
    instrument: str = ""
    ambient_celsius: float | None = None
    common_relative_uncertainty: float = 0.0

    @property
    def parameters(self) -> FloatArray:
        """All values (n + 2,) in ohm."""
        return np.array([*self.rung_ohms, self.contact_offset_ohms, self.lead_ohms])

    @property
    def uncertainties_ohms(self) -> FloatArray:
        """All standard uncertainties (n + 2,) in ohm."""
        return np.asarray(np.sqrt(np.diag(self.covariance_ohms2)))


def rungs_of(ladder: Ladder) -> tuple[Rung, ...]:
    """Return all rungs in the order of the file."""
    return tuple(rung for group in ladder.groups for rung in group.rungs)


def nominal_parameters(ladder: Ladder) -> FloatArray:
    """Return what the ladder file says: rungs, no contact offset, leads; (n + 2,) in ohm."""
    return np.array([*(rung.ohms for rung in rungs_of(ladder)), 0.0, ladder.lead_ohms])


def with_parameters(ladder: Ladder, parameters: FloatArray) -> Ladder:
    """Return the ladder with other values for rungs, contacts and leads; uncertainties stay."""
    values: Iterator[float] = iter(parameters.tolist())
    groups = tuple(
        replace(group, rungs=tuple(replace(rung, ohms=next(values)) for rung in group.rungs))
        for group in ladder.groups
    )
    offset = next(values)
    relays = tuple(
        replace(relay, contact_ohms=relay.contact_ohms + offset) for relay in ladder.relays
    )
    return replace(ladder, groups=groups, relays=relays, lead_ohms=next(values))


def sensitivities(ladder: Ladder, states: Sequence[int], parameters: FloatArray) -> FloatArray:
    """Return the derivative of every state's ohms by every parameter, (m, n + 2).

    One offset is common to all contacts, so that its derivative is the sum of theirs.
    """
    slopes = state_slopes(with_parameters(ladder, parameters), states)
    offset = slopes.contacts.sum(axis=1)
    leads = np.ones(len(offset))
    return np.column_stack([slopes.rungs, offset, leads])


def contact_variances_ohms2(
    ladder: Ladder, states: Sequence[int], parameters: FloatArray
) -> FloatArray:
    """Return what the scatter of the closed contacts adds to every state's variance, (m,).

    What a fixed resistor is off is found with the leads; where the short relay bridges it, it is
    missing from them, and its uncertainty counts here.
    """
    own = np.array([relay.contact_uncertainty_ohms for relay in ladder.relays])
    slopes = state_slopes(with_parameters(ladder, parameters), states)
    bridged = (1.0 - slopes.behind) * ladder.fixed_uncertainty_ohms
    return np.asarray((slopes.contacts**2) @ own**2 + bridged**2)


def _check_belongs(ladder: Ladder, calibration: Calibration) -> None:
    if tuple(rung.relay for rung in rungs_of(ladder)) != calibration.relays:
        raise InputError.single(
            f"this calibration of {calibration.ladder!r} is for other rungs",
            where=ladder.name,
            key="calibration",
            hint="calibrate this ladder again",
        )


def calibrated_ladder(ladder: Ladder, calibration: Calibration) -> Ladder:
    """Return the ladder with calibrated values, and with each value's own uncertainty.

    The rungs' correlations do not fit into a ladder: `state_uncertainty_ohms` keeps them. What a
    fixed resistor is off has become part of the leads.
    Raises InputError when the calibration is not for these rungs.
    """
    _check_belongs(ladder, calibration)
    tuned = with_parameters(ladder, calibration.parameters)
    own = iter(calibration.uncertainties_ohms.tolist())
    groups = tuple(
        replace(
            group, rungs=tuple(replace(rung, uncertainty_ohms=next(own)) for rung in group.rungs)
        )
        for group in tuned.groups
    )
    next(own)
    return replace(
        tuned, groups=groups, lead_uncertainty_ohms=next(own), fixed_uncertainty_ohms=0.0
    )


def states_covariance_ohms2(
    ladder: Ladder, calibration: Calibration, states: Sequence[int]
) -> FloatArray:
    """Return the covariance (m, m) of the ohms of several states, through the calibration.

    `ladder` is the one from the file, before `calibrated_ladder`. The scatter of contacts is
    taken as independent from one setting to the next.
    """
    _check_belongs(ladder, calibration)
    slopes = sensitivities(ladder, states, calibration.parameters)
    shared = slopes @ calibration.covariance_ohms2 @ slopes.T
    own = contact_variances_ohms2(ladder, states, calibration.parameters)
    return np.asarray(shared + np.diag(own))


def state_uncertainty_ohms(ladder: Ladder, calibration: Calibration, state: int) -> float:
    """Return the standard uncertainty (k = 1) of one state with the calibration's correlations.

    An open circuit has none in ohm; 0.0 is returned for it.
    """
    if not np.isfinite(states_ohms(ladder, np.array([state], dtype=np.uint64))[0]):
        return 0.0
    return float(np.sqrt(states_covariance_ohms2(ladder, calibration, [state])[0, 0]))
