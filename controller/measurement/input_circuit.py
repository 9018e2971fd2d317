"""A module's temperature input as the board's own voltage input sees it: Vref, Rp, their doubt.

Knows: the divider of pull-up and ladder with the tap's load across it, the converter's steps.
Must not know: links, states, files, how the volts were taken.

Isolated, the tap sees V0 = Vref RL/(Rp + RL), where RL is its own load. With R connected,
Thevenin's circuit of V0 behind Rt = Rp || RL sees V = V0 R/(R + Rt), so Rt = R (V0 - V)/V. That is
a ratio of two readings of one converter: its scale cancels in Rp and stays in Vref.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from controller.units import COVERAGE_FACTOR

__all__ = [
    "LEAST_LOAD_OHMS",
    "InputCircuit",
    "Seen",
    "Tap",
    "input_circuit",
    "seen_of",
    "volts_doubt",
]

LEAST_LOAD_OHMS = 10e6
"""A tap that loads the input by less resistance than this shifts what the module reads."""

CONVERTER_STEPS = 1.0
"""Half the width within which an 8-bit chip's converter is right beside rounding (from memory)."""


@dataclass(frozen=True, kw_only=True)
class Tap:
    """How the board's voltage input is wired to the module's.

    `volts_per_volt` is what the input has for each volt at the converter (a divider before it),
    `load_ohms` all that the tap puts across the input, `scale_percent` the standard uncertainty
    of converter and divider together.
    """

    channel: int = 0
    volts_per_volt: float = 1.0
    load_ohms: float = LEAST_LOAD_OHMS
    scale_percent: float = 2.0


@dataclass(frozen=True, kw_only=True)
class Seen:
    """Volts at the input, from several readings: their middle, one converter step, their spread.

    `at_end` says that the converter showed its last step: the true volts are that or more.
    """

    volts: float
    step_volts: float
    spread_volts: float
    at_end: bool


def seen_of(raws: Sequence[int], *, full_scale: int, full_scale_volts: float, tap: Tap) -> Seen:
    """Return what readings of a converter come to. A converter rounds down: half a step is added.

    Raises ValueError for no readings.
    """
    step = tap.volts_per_volt * full_scale_volts / full_scale
    return Seen(
        volts=step * (sum(raws) / len(raws) + 0.5),
        step_volts=step,
        spread_volts=step * (max(raws) - min(raws)),
        at_end=max(raws) >= full_scale - 1,
    )


@dataclass(frozen=True, kw_only=True)
class InputCircuit:
    """What was found. Uncertainties are expanded (k = 2)."""

    reference_volts: float
    reference_uncertainty_volts: float
    pullup_ohms: float
    pullup_uncertainty_ohms: float

    @property
    def short_circuit_amperes(self) -> float:
        """The current a dead short would draw: Vref/Rp."""
        return self.reference_volts / self.pullup_ohms

    @property
    def most_watts(self) -> float:
        """The most power any resistance at the input can see: Vref^2/(4 Rp)."""
        return self.reference_volts**2 / (4.0 * self.pullup_ohms)


def input_circuit(
    isolated: Seen, loaded: Seen, *, ohms: float, uncertainty_ohms: float, tap: Tap
) -> InputCircuit:
    """Return the circuit behind an input seen isolated and with `ohms` (standard uncertainty) on.

    The uncertainty is propagated by finite differences (JCGM 100:2008, 5.1.3, note 2). Raises
    ValueError when the volts have not fallen as a pull-up of less than infinite ohms makes them.
    """

    def pullup(open_volts: float, volts: float, across_ohms: float) -> float:
        if not 0.0 < volts < open_volts:
            raise ValueError("the voltage does not fall as behind a resistor")
        thevenin = across_ohms * (open_volts - volts) / volts
        if thevenin >= tap.load_ohms:
            raise ValueError("there is nothing behind the input but the tap's own load")
        return 1.0 / (1.0 / thevenin - 1.0 / tap.load_ohms)

    values = (isolated.volts, loaded.volts, ohms)
    doubts = (volts_doubt(isolated), volts_doubt(loaded), uncertainty_ohms)
    rp = pullup(*values)
    own = _spread(pullup, values, doubts)
    reference = isolated.volts * (1.0 + rp / tap.load_ohms)
    scale = reference * tap.scale_percent / 100.0
    reference_doubt = math.hypot(
        scale, volts_doubt(isolated), isolated.volts * own / tap.load_ohms if rp else 0.0
    )
    return InputCircuit(
        reference_volts=reference,
        reference_uncertainty_volts=COVERAGE_FACTOR * reference_doubt,
        pullup_ohms=rp,
        pullup_uncertainty_ohms=COVERAGE_FACTOR * own,
    )


def volts_doubt(seen: Seen) -> float:
    """Return the standard uncertainty of seen volts beside the scale: rounding, converter, noise.

    All three are taken as rectangular; the spread of the readings as its whole width.
    """
    parts = (0.5 * seen.step_volts, CONVERTER_STEPS * seen.step_volts, 0.5 * seen.spread_volts)
    return math.sqrt(sum(part**2 for part in parts) / 3.0)


def _spread(
    function: Callable[[float, float, float], float],
    values: tuple[float, float, float],
    doubts: tuple[float, float, float],
) -> float:
    total = 0.0
    middle = function(*values)
    for index, doubt in enumerate(doubts):
        moved = list(values)
        moved[index] += doubt
        try:
            change = function(*moved) - middle
        except ValueError:
            change = math.inf
        total += change**2
    return math.sqrt(total)
