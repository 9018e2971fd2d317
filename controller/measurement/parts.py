"""How well the temperature of a step is known, and what that is made of.

Everything is a standard uncertainty (k = 1) in degC and independent of the rest, so that a whole
is the root of the sum of squares (JCGM 100:2008, 5.1.2). A resistance's uncertainty becomes one of
temperature through the slope of the curve. A value that is equally likely anywhere in an interval
of width w contributes w / sqrt(12) (JCGM 100:2008, 4.3.7).
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from controller.ladder.calibration.slopes import state_slopes
from controller.ladder.electrical import states_ohms
from controller.ladder.model import Ladder
from controller.measurement.model import Contribution

__all__ = [
    "contributions_of_states",
    "ladder_contributions",
    "rectangular_celsius",
]


def rectangular_celsius(width_celsius: float) -> float:
    """Return the standard uncertainty of a value anywhere in an interval of this width."""
    return width_celsius / math.sqrt(12)


def ladder_contributions(
    ladder: Ladder, state: int, slope_ohms_per_kelvin: float
) -> tuple[Contribution, ...]:
    """Return what rungs, contacts and leads contribute in a state, at a slope of the curve.

    The fixed resistor is one of the rungs here.
    """
    [found] = contributions_of_states(ladder, [state], [slope_ohms_per_kelvin])
    return found


def contributions_of_states(
    ladder: Ladder, states: Sequence[int], slopes_ohms_per_kelvin: Sequence[float]
) -> list[tuple[Contribution, ...]]:
    """Return `ladder_contributions` of each state; a state that comes again is not worked out."""
    distinct = list(dict.fromkeys(states))
    slopes = state_slopes(ladder, distinct)
    own = np.array([rung.uncertainty_ohms for group in ladder.groups for rung in group.rungs])
    contacts = np.array([relay.contact_uncertainty_ohms for relay in ladder.relays])
    fixed = slopes.behind * ladder.fixed_uncertainty_ohms
    connected = np.isfinite(states_ohms(ladder, np.array(distinct, dtype=np.uint64)))
    # Sums, not matrix products: a record's digits must not depend on the processor's kernels.
    in_ohms = {
        "rungs": np.sqrt((slopes.rungs**2 * own**2).sum(axis=-1) + fixed**2),
        "contacts": np.sqrt((slopes.contacts**2 * contacts**2).sum(axis=-1)),
        "leads": np.where(connected, ladder.lead_uncertainty_ohms, 0.0),
    }
    place = {state: index for index, state in enumerate(distinct)}
    return [
        tuple(
            Contribution(name=name, celsius=float(ohms[place[state]]) / abs(slope))
            for name, ohms in in_ohms.items()
        )
        for state, slope in zip(states, slopes_ohms_per_kelvin, strict=True)
    ]
