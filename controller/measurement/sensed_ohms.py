"""From volts at a module's input to the ohms of the ladder that makes them, and their doubt.

Knows: the divider of pull-up and ladder, seen isolated and with each state connected.
Must not know: links, how the volts were taken, what is wrong inside a ladder.

Isolated, the input shows V0 behind Rt, the pull-up with the tap's load beside it. A state of R
ohms makes V = V0 R/(R + Rt), so R = Rt V/(V0 - V), and

    dR = (R + Rt)^2/(Rt V0) dV,    dR = -R (R + Rt)/(Rt V0) dV0

Far from Rt volts tell little of ohms: small rungs and open circuits are seen coarsely.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from controller.ladder.electrical import parallel_ohms, state_ohms
from controller.ladder.model import Ladder
from controller.ladder.self_test import Sight
from controller.measurement.input_circuit import Seen, Tap, volts_doubt

__all__ = ["SensedOhms", "sensed_ohms"]

PULLUP_SHARE = 0.05
"""Standard uncertainty of a pull-up that a file states (common practice, no source)."""

_APART = 5.0
"""Volts that differ by so many standard uncertainties are different ones."""


@dataclass(frozen=True, kw_only=True)
class SensedOhms:
    """The ohms of each state, infinite for an open circuit, and how well they are seen."""

    ohms: dict[int, float]
    sight: Sight


def sensed_ohms(
    ladder: Ladder, seen: Mapping[int, Seen], *, pullup_ohms: float, tap: Tap
) -> tuple[SensedOhms, ...]:
    """Return what the volts of some states say, the likelier reading of them first.

    There are two readings where the states that should be open do not agree: the highest volts are
    those of the isolated input, or nothing isolates any more and the largest resistance makes
    them. Raises ValueError without a state that is connected.
    """
    made = {state: state_ohms(ladder, state) for state in seen}
    connected = [state for state, ohms in made.items() if math.isfinite(ohms)]
    if not connected:
        raise ValueError("no state that is connected was seen")
    thevenin = parallel_ohms(pullup_ohms, tap.load_ohms)
    doubt = max(volts_doubt(one) for one in seen.values())
    isolated = [seen[state].volts for state, ohms in made.items() if math.isinf(ohms)]
    most = max(connected, key=lambda state: made[state])
    by_largest = seen[most].volts * (made[most] + thevenin) / made[most]
    if not isolated:
        readings = [by_largest]
    elif max(isolated) - min(isolated) <= _APART * doubt:
        readings = [sum(isolated) / len(isolated)]
    else:
        readings = [max(isolated), by_largest]
    return tuple(
        SensedOhms(
            ohms={
                state: _ohms(one.volts, open_volts, thevenin, least=_APART * doubt)
                for state, one in seen.items()
            },
            sight=_sight(open_volts, thevenin, doubt),
        )
        for open_volts in readings
    )


def _ohms(volts: float, open_volts: float, thevenin: float, *, least: float) -> float:
    drop = open_volts - volts
    return math.inf if drop <= least else thevenin * volts / drop


def _sight(open_volts: float, thevenin: float, doubt: float) -> Sight:
    def doubt_ohms(ohms: float) -> float:
        both = math.hypot(ohms + thevenin, ohms)
        return (ohms + thevenin) * both / (thevenin * open_volts) * doubt

    least = min(_APART * doubt, 0.5 * open_volts)
    return Sight(
        doubt_ohms=doubt_ohms,
        scale=PULLUP_SHARE,
        open_ohms=thevenin * (open_volts - least) / least,
    )
