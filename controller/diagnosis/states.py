"""How uncertain the ohms of several states of one ladder are together: they share rungs."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from controller.arrays import FloatArray
from controller.ladder.calibration.model import (
    Calibration,
    contact_variances_ohms2,
    nominal_parameters,
    rungs_of,
    sensitivities,
    states_covariance_ohms2,
)
from controller.ladder.electrical import states_ohms
from controller.ladder.model import Ladder

__all__ = ["states_ohms2"]


def states_ohms2(
    ladder: Ladder, states: Sequence[int], calibration: Calibration | None = None
) -> FloatArray:
    """Return the covariance in ohm^2 (n, n) of the states' ohms; zero where one is open.

    `ladder` is the one from the file. Without a calibration every rung is off by its own
    tolerance and the leads by theirs (JCGM 100:2008, 5.1.2 and 5.2.2); contacts scatter from one
    setting to the next.
    """
    found = np.zeros((len(states), len(states)))
    whole = np.isfinite(states_ohms(ladder, np.array(states, dtype=np.uint64)))
    chosen = [state for state, keep in zip(states, whole, strict=True) if keep]
    if not chosen:
        return found
    if calibration is not None:
        joint = states_covariance_ohms2(ladder, calibration, chosen)
    else:
        parameters = nominal_parameters(ladder)
        own = np.array(
            [
                *(rung.uncertainty_ohms for rung in rungs_of(ladder)),
                0.0,
                math.hypot(ladder.lead_uncertainty_ohms, ladder.fixed_uncertainty_ohms),
            ]
        )
        slopes = sensitivities(ladder, chosen, parameters) * own
        scatter = contact_variances_ohms2(ladder, chosen, parameters)
        joint = slopes @ slopes.T + np.diag(scatter)
    found[np.ix_(whole, whole)] = joint
    return found
