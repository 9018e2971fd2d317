"""How well the temperature of a step is known, and what that is made of.

Everything is a standard uncertainty (k = 1) in degC and independent of the rest, so that a whole
is the root of the sum of squares (JCGM 100:2008, 5.1.2). A resistance's uncertainty becomes one of
temperature through the slope of the curve. A value that is equally likely anywhere in an interval
of width w contributes w / sqrt(12) (JCGM 100:2008, 4.3.7).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from controller.ladder.electrical import state_uncertainty_ohms
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
    parts = (
        ("rungs", _with_only(ladder, rungs=True)),
        ("contacts", _with_only(ladder, contacts=True)),
        ("leads", _with_only(ladder, leads=True)),
    )
    in_ohms = {
        state: [(name, state_uncertainty_ohms(part, state)) for name, part in parts]
        for state in dict.fromkeys(states)
    }
    return [
        tuple(Contribution(name=name, celsius=ohms / abs(slope)) for name, ohms in in_ohms[state])
        for state, slope in zip(states, slopes_ohms_per_kelvin, strict=True)
    ]


def _with_only(
    ladder: Ladder, *, rungs: bool = False, contacts: bool = False, leads: bool = False
) -> Ladder:
    """Return the ladder with every uncertainty but those named taken as zero."""
    return replace(
        ladder,
        relays=ladder.relays
        if contacts
        else tuple(replace(relay, contact_uncertainty_ohms=0.0) for relay in ladder.relays),
        groups=ladder.groups
        if rungs
        else tuple(
            replace(group, rungs=tuple(replace(r, uncertainty_ohms=0.0) for r in group.rungs))
            for group in ladder.groups
        ),
        lead_uncertainty_ohms=ladder.lead_uncertainty_ohms if leads else 0.0,
        fixed_uncertainty_ohms=ladder.fixed_uncertainty_ohms if rungs else 0.0,
    )
