"""From measured states to calibrated rungs.

Leads and contacts are seen in every state together, so a ladder of series rungs alone cannot part
them: the file's values with their uncertainties enter as one more observation each (the
restraint), and a state with the short relay closed parts them by measurement. The rungs get no
such help: what the measurements do not determine is named, not solved. A scale error that all
readings share is one more unknown, with its own restraint; so every weight is a plain number, and
no large covariance has to be taken apart.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from controller.arrays import FloatArray
from controller.errors import InputError, Problem
from controller.ladder.calibration.least_squares import (
    Solution,
    chi_square_exceeded,
    least_squares,
)
from controller.ladder.calibration.model import (
    Calibration,
    Measurement,
    contact_variances_ohms2,
    nominal_parameters,
    rungs_of,
    sensitivities,
    with_parameters,
)
from controller.ladder.calibration.rows import Row, one_row_explains, rows_of
from controller.ladder.electrical import check_state, states_ohms
from controller.ladder.model import Ladder

__all__ = ["calibrate", "calibrate_and_check", "prior_uncertainties_ohms", "undetermined_relays"]

_LEAST_SENSITIVITY = 1e-2
"""A bypassed rung shows through its contact by millionths: that determines nothing."""
_LEAST_PRIOR_OHMS = 1e-6
_MOST_FACTOR = 1.5
"""A rung further than this from the ladder file is a mistake, not a deviation."""


def prior_uncertainties_ohms(ladder: Ladder) -> tuple[float, float]:
    """Return the standard uncertainties of the contact offset and of the leads in ohm.

    A fixed resistor stands in every connected state with the leads: what it is off counts there.
    """
    contact = max((relay.contact_uncertainty_ohms for relay in ladder.relays), default=0.0)
    leads = math.hypot(ladder.lead_uncertainty_ohms, ladder.fixed_uncertainty_ohms)
    return max(contact, _LEAST_PRIOR_OHMS), max(leads, _LEAST_PRIOR_OHMS)


def undetermined_relays(ladder: Ladder, states: Sequence[int]) -> tuple[int, ...]:
    """Return the relays of the rungs that these states, measured, would not determine.

    From the null space of the design: every rung that takes part in it could change together
    with others without any of the measurements noticing.
    """
    slopes = sensitivities(ladder, states, nominal_parameters(ladder))[:, :-2]
    slopes = np.where(np.abs(slopes) < _LEAST_SENSITIVITY, 0.0, slopes)
    _, singular, right = np.linalg.svd(slopes, full_matrices=True)
    rank = int(np.sum(singular > 1e-8 * max(float(singular[0]), 1e-300))) if singular.size else 0
    share = np.sum(right[rank:] ** 2, axis=0)
    return tuple(
        rung.relay for rung, part in zip(rungs_of(ladder), share, strict=True) if part > 1e-6
    )


def calibrate(
    ladder: Ladder,
    measurements: Sequence[Measurement],
    *,
    utc: str,
    common_relative_uncertainty: float = 0.0,
    instrument: str = "",
    ambient_celsius: float | None = None,
) -> Calibration:
    """Return the calibration that explains the measured states best.

    `common_relative_uncertainty` is the standard uncertainty of the instrument's scale, which all
    measurements share. Raises InputError for impossible measurements, and when rungs stay
    undetermined, which it names.
    """
    return calibrate_and_check(
        ladder,
        measurements,
        utc=utc,
        common_relative_uncertainty=common_relative_uncertainty,
        instrument=instrument,
        ambient_celsius=ambient_celsius,
    )[0]


def calibrate_and_check(
    ladder: Ladder,
    measurements: Sequence[Measurement],
    *,
    utc: str,
    common_relative_uncertainty: float = 0.0,
    instrument: str = "",
    ambient_celsius: float | None = None,
) -> tuple[Calibration, tuple[Row, ...]]:
    """Return the calibration, and for every measurement how well the others bear it out."""
    _check(ladder, measurements)
    states = [one.state for one in measurements]
    missing = undetermined_relays(ladder, states)
    if missing:
        raise InputError(
            Problem(
                message=f"the measured states do not determine the rung of relay {relay}",
                where=ladder.name,
                hint="measure a state with this rung in circuit that differs from another by it",
            )
            for relay in missing
        )
    relays = tuple(rung.relay for rung in rungs_of(ladder))
    size = len(relays) + 2
    parameters, solution = _solved(ladder, measurements, common_relative_uncertainty)
    rows = rows_of(solution, measurements, relays)
    if not one_row_explains(rows):
        _refuse_implausible(ladder, parameters[: size - 2])
    chi_square = sum(row.residual**2 for row in rows)
    # The restraints are worth as many readings as they decide of what they restrain: one that the
    # readings know far better (a vague one) counts for nothing.
    freedom = round(sum(row.redundancy for row in rows))
    calibration = Calibration(
        ladder=ladder.name,
        utc=utc,
        relays=relays,
        rung_ohms=tuple(parameters[: size - 2].tolist()),
        contact_offset_ohms=float(parameters[size - 2]),
        lead_ohms=float(parameters[size - 1]),
        covariance_ohms2=solution.covariance[:size, :size],
        measurements=len(measurements),
        chi_square=chi_square,
        degrees_of_freedom=freedom,
        probability=chi_square_exceeded(chi_square, freedom),
        instrument=instrument,
        ambient_celsius=ambient_celsius,
        common_relative_uncertainty=common_relative_uncertainty,
    )
    return calibration, rows


def _solved(
    ladder: Ladder, measurements: Sequence[Measurement], common_relative_uncertainty: float
) -> tuple[FloatArray, Solution]:
    """Return the parameters (n + 2 or, with a common scale, n + 3) and the last round."""
    parameters = nominal_parameters(ladder)
    if common_relative_uncertainty > 0:
        parameters = np.append(parameters, 0.0)
    # The rungs enter almost linearly; parallel groups need a few rounds.
    for _ in range(20):
        found = _round(ladder, measurements, parameters, common_relative_uncertainty)
        parameters = parameters + found.values
        if np.all(np.abs(found.values) <= 1e-9 * np.maximum(np.abs(parameters), 1.0)):
            return parameters, found
    raise InputError.single(
        "the measurements do not fit this ladder: no values explain them",
        where=ladder.name,
        hint="are states and readings in the right rows, and in ohm?",
    )


def _round(
    ladder: Ladder,
    measurements: Sequence[Measurement],
    parameters: FloatArray,
    common_relative_uncertainty: float,
) -> Solution:
    """Return one Gauss-Newton step: `values` are changes of the parameters.

    The restraints come after the measurements: contacts, leads, and the scale where there is one.
    """
    states = [one.state for one in measurements]
    observed = np.array([one.ohms for one in measurements])
    own = np.array([one.uncertainty_ohms for one in measurements])
    nominal = nominal_parameters(ladder)
    values, gain = parameters[: nominal.size], 1.0 + parameters[nominal.size :].sum()
    model = states_ohms(with_parameters(ladder, values), np.array(states, dtype=np.uint64))
    slopes = gain * sensitivities(ladder, states, values)
    known, prior = nominal[-2:], np.array(prior_uncertainties_ohms(ladder))
    if parameters.size > nominal.size:
        slopes = np.column_stack([slopes, model])
        known, prior = np.append(known, 0.0), np.append(prior, common_relative_uncertainty)
    design = np.vstack([slopes, np.eye(parameters.size)[-known.size :]])
    variances = own**2 + contact_variances_ohms2(ladder, states, values)
    target = np.concatenate([observed - gain * model, known - parameters[-known.size :]])
    try:
        return least_squares(
            design, target, covariance=np.diag(np.concatenate([variances, prior**2]))
        )
    except (ValueError, np.linalg.LinAlgError):
        raise InputError.single(
            "the measurements cannot be solved: uncertainties or values differ by too many powers "
            "of ten",
            where=ladder.name,
            hint="are all readings and uncertainties in ohm?",
        ) from None


def _refuse_implausible(ladder: Ladder, rung_ohms: FloatArray) -> None:
    """Raise InputError for rungs that are no calibration of the file's but something else."""
    problems = [
        Problem(
            message=f"the rung of relay {rung.relay} comes out as {value:.4g} ohm, "
            f"the ladder file says {rung.ohms:.4g} ohm",
            where=ladder.name,
            hint="are states and readings in the right rows, and in ohm?",
        )
        for rung, value in zip(rungs_of(ladder), rung_ohms.tolist(), strict=True)
        if not rung.ohms / _MOST_FACTOR <= value <= rung.ohms * _MOST_FACTOR
    ]
    if problems:
        raise InputError(problems)


def _check(ladder: Ladder, measurements: Sequence[Measurement]) -> None:
    problems = []
    for index, one in enumerate(measurements):
        key = f"measurement[{index}]"
        try:
            check_state(ladder, one.state)
        except InputError as error:
            problems += [Problem(message=p.message, key=key, hint=p.hint) for p in error.problems]
            continue
        if not (np.isfinite(one.ohms) and one.ohms >= 0):
            problems.append(Problem(message=f"{one.ohms} ohm is no resistance", key=key))
        if not (np.isfinite(one.uncertainty_ohms) and one.uncertainty_ohms > 0):
            problems.append(Problem(message="needs an uncertainty above zero", key=key))
        if not np.isfinite(states_ohms(ladder, [one.state])[0]):
            problems.append(
                Problem(
                    message=f"{ladder.format_state(one.state)} is an open circuit",
                    key=key,
                    hint="leave it out",
                )
            )
    if not measurements:
        problems.append(Problem(message="there are no measurements", where=ladder.name))
    if problems:
        raise InputError(problems)
