"""Does a calibration still hold: spot values, and what moved since the one before.

Knows: differences with their uncertainty, normalised.
Must not know: files, how a calibration is solved.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np

from controller.errors import InputError
from controller.ladder.calibration.model import (
    Calibration,
    Measurement,
    calibrated_ladder,
    state_uncertainty_ohms,
)
from controller.ladder.electrical import connected_mask, state_ohms, with_contact
from controller.ladder.model import Group, GroupKind, Ladder, Rung

__all__ = ["Drift", "Spot", "check_spots", "coverage_factor", "drifts", "spot_states"]


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


def check_spots(
    ladder: Ladder, calibration: Calibration, measurements: Sequence[Measurement]
) -> tuple[Spot, ...]:
    """Return each measured state against what the calibration says of it.

    `ladder` is the one from the file. Raises InputError for an open state or a wrong calibration.
    """
    tuned = calibrated_ladder(ladder, calibration)
    factor = coverage_factor(len(measurements))
    found = []
    for one in measurements:
        expected = state_ohms(tuned, one.state)
        if not math.isfinite(expected):
            raise InputError.single(
                f"{ladder.format_state(one.state)} is an open circuit", where=ladder.name
            )
        uncertainty = math.hypot(
            state_uncertainty_ohms(ladder, calibration, one.state), one.uncertainty_ohms
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


def drifts(before: Calibration, now: Calibration) -> tuple[Drift, ...]:
    """Return what every rung, the contacts and the leads did between two calibrations.

    The two are taken as independent. Raises InputError when they are not of the same rungs.
    """
    if before.relays != now.relays:
        raise InputError.single(
            "the two calibrations are of different rungs", where=f"{before.utc} and {now.utc}"
        )
    factor = coverage_factor(len(now.relays) + 2)
    names = [*(f"relay {relay}" for relay in now.relays), "contacts", "leads"]
    rows = zip(
        names,
        before.parameters,
        now.parameters,
        np.hypot(before.uncertainties_ohms, now.uncertainties_ohms),
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
