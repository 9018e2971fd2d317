"""Does a calibration still hold: spot values, and what moved since the one before.

Rungs are compared at the temperatures at which they were measured: a resistor's coefficient, a
limit to either side, makes them differ without having moved.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np

from controller.arrays import FloatArray
from controller.errors import InputError
from controller.ladder.calibration.model import (
    Calibration,
    Measurement,
    calibrated_ladder,
    rungs_of,
    sensitivities,
    state_uncertainty_ohms,
)
from controller.ladder.electrical import connected_mask, state_ohms, with_contact
from controller.ladder.model import Group, GroupKind, Ladder, Rung

__all__ = [
    "Drift",
    "Spot",
    "check_spots",
    "coverage_factor",
    "drifts",
    "spot_states",
    "temperature_uncertainties_ohms",
]

_USUAL_CELSIUS, _USUAL_SPAN_KELVIN = 23.0, 5.0


@dataclass(frozen=True, kw_only=True)
class Spot:
    """One measured state against the calibration.

    `uncertainty_ohms` is standard (k = 1) and of the difference. `normalised` is the difference
    over its expanded uncertainty: within 1 they agree (as E_n of ISO 13528:2022, 9.7, but see
    `coverage_factor`).
    """

    state: int
    expected_ohms: float
    measured_ohms: float
    difference_ohms: float
    uncertainty_ohms: float
    normalised: float

    @property
    def agrees(self) -> bool:
        """Whether measurement and calibration agree within their uncertainty."""
        return abs(self.normalised) <= 1.0


@dataclass(frozen=True, kw_only=True)
class Drift:
    """What one value did since the calibration before. `what` is ``relay 3``, contacts or leads."""

    what: str
    before_ohms: float
    now_ohms: float
    difference_ohms: float
    uncertainty_ohms: float
    normalised: float

    @property
    def significant(self) -> bool:
        """Whether the change is larger than its expanded uncertainty."""
        return abs(self.normalised) > 1.0


def coverage_factor(comparisons: int) -> float:
    """Return k for several comparisons at once: all of them agree by chance with 95 %.

    With k = 2 for each, one ladder of sixteen rungs in two would seem to drift (Bonferroni).
    """
    return NormalDist().inv_cdf(1.0 - 0.05 / (2.0 * max(comparisons, 1)))


def spot_states(ladder: Ladder) -> tuple[int, ...]:
    """Return the states of a spot check: the zero, then three values.

    The zero is the short relay closed, else every rung of a series ladder bypassed; a ladder with
    parallel groups and no short relay has none. The three values put in circuit, of every group,
    the smaller half of the rungs, every second rung, and the larger half.
    """
    base = connected_mask(ladder)
    found: list[int] = []
    if ladder.short_relay is not None:
        found.append(with_contact(ladder, base, ladder.short_relay, closed=True))
    elif all(group.kind is GroupKind.SERIES for group in ladder.groups):
        found.append(_with_rungs(ladder, base, set()))
    for pick in (_smaller_half, _every_second, _larger_half):
        inside = {rung.relay for group in ladder.groups for rung in pick(_by_size(group))}
        found.append(_with_rungs(ladder, base, inside))
    return tuple(dict.fromkeys(found))


def _by_size(group: Group) -> list[Rung]:
    return sorted(group.rungs, key=lambda rung: rung.ohms)


def _smaller_half(rungs: list[Rung]) -> list[Rung]:
    return rungs[: (len(rungs) + 1) // 2]


def _every_second(rungs: list[Rung]) -> list[Rung]:
    return rungs[::2]


def _larger_half(rungs: list[Rung]) -> list[Rung]:
    return rungs[len(rungs) // 2 :]


def _with_rungs(ladder: Ladder, base: int, inside: set[int]) -> int:
    """Return the state in which exactly these relays' rungs are in circuit."""
    state = base
    for group in ladder.groups:
        for rung in group.rungs:
            closed = (rung.relay in inside) == (group.kind is GroupKind.PARALLEL)
            state = with_contact(ladder, state, rung.relay, closed=closed)
    return state


def temperature_uncertainties_ohms(
    ladder: Ladder, first_celsius: float | None, second_celsius: float | None
) -> FloatArray:
    """Return what two temperatures let each rung differ by (n,), standard, in ohm.

    A temperature that nobody wrote down was an ordinary one: within 5 K of 23 degC.
    """
    spread = sum(_USUAL_SPAN_KELVIN**2 / 3.0 for t in (first_celsius, second_celsius) if t is None)
    first, second = (_USUAL_CELSIUS if t is None else t for t in (first_celsius, second_celsius))
    kelvin = math.sqrt((first - second) ** 2 + spread)
    limits = [rung.ohms * rung.tempco_ppm_per_k * 1e-6 for rung in rungs_of(ladder)]
    return np.asarray(np.abs(np.array(limits)) * kelvin / math.sqrt(3.0))


def check_spots(
    ladder: Ladder,
    calibration: Calibration,
    measurements: Sequence[Measurement],
    *,
    ambient_celsius: float | None = None,
) -> tuple[Spot, ...]:
    """Return each measured state against what the calibration says of it.

    `ladder` is the one from the file, `ambient_celsius` its temperature in the check. Raises
    InputError for an open state or a wrong calibration.
    """
    tuned = calibrated_ladder(ladder, calibration)
    factor = coverage_factor(len(measurements))
    warmth = temperature_uncertainties_ohms(ladder, calibration.ambient_celsius, ambient_celsius)
    states = [one.state for one in measurements]
    slopes = sensitivities(ladder, states, calibration.parameters)[:, :-2]
    warming = np.sqrt(np.sum((slopes * warmth) ** 2, axis=1)).tolist()
    found = []
    for one, warm in zip(measurements, warming, strict=True):
        expected = state_ohms(tuned, one.state)
        if not math.isfinite(expected):
            raise InputError.single(
                f"{ladder.format_state(one.state)} is an open circuit", where=ladder.name
            )
        uncertainty = math.hypot(
            state_uncertainty_ohms(ladder, calibration, one.state), one.uncertainty_ohms, warm
        )
        difference = one.ohms - expected
        found.append(
            Spot(
                state=one.state,
                expected_ohms=expected,
                measured_ohms=one.ohms,
                difference_ohms=difference,
                uncertainty_ohms=uncertainty,
                normalised=_normalised(difference, factor * uncertainty),
            )
        )
    return tuple(found)


def drifts(ladder: Ladder, before: Calibration, now: Calibration) -> tuple[Drift, ...]:
    """Return what every rung, the contacts and the leads did between two calibrations.

    The two are taken as independent, a scale error of the meter too: it may have been another one.
    Raises InputError when they are not of the same rungs.
    """
    if before.relays != now.relays:
        raise InputError.single(
            "the two calibrations are of different rungs", where=f"{before.utc} and {now.utc}"
        )
    factor = coverage_factor(len(now.relays) + 2)
    warmth = temperature_uncertainties_ohms(ladder, before.ambient_celsius, now.ambient_celsius)
    own = np.hypot(before.uncertainties_ohms, now.uncertainties_ohms)
    own[:-2] = np.hypot(own[:-2], warmth)
    names = [*(f"relay {relay}" for relay in now.relays), "contacts", "leads"]
    rows = zip(
        names,
        before.parameters,
        now.parameters,
        own,
        strict=True,
    )
    return tuple(
        Drift(
            what=name,
            before_ohms=float(old),
            now_ohms=float(new),
            difference_ohms=float(new - old),
            uncertainty_ohms=float(spread),
            normalised=_normalised(float(new - old), factor * float(spread)),
        )
        for name, old, new, spread in rows
    )


def _normalised(difference: float, expanded: float) -> float:
    if expanded > 0:
        return difference / expanded
    return 0.0 if difference == 0 else math.copysign(math.inf, difference)
