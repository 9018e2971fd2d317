"""What a calibration is worth: whether readings agree, are checked, and rungs are in tolerance."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from controller.ladder.calibration.check import coverage_factor
from controller.ladder.calibration.model import Calibration, rungs_of
from controller.ladder.calibration.rows import Row, suspects, worst_row_stands_out
from controller.ladder.model import Ladder

__all__ = ["Assessment", "Deviation", "assess", "deviations"]

_UNLIKELY = 0.005
"""Residuals less probable than this mean that something is wrong with a row."""


@dataclass(frozen=True, kw_only=True)
class Deviation:
    """A rung against the ladder file: found, and how far its tolerance lets it be.

    `tolerance_ohms` is the limit to either side; None when the file states none.
    `uncertainty_ohms` is standard (k = 1).
    """

    relay: int
    file_ohms: float
    found_ohms: float
    tolerance_ohms: float | None
    uncertainty_ohms: float
    beyond: bool


@dataclass(frozen=True, kw_only=True)
class Assessment:
    """What stands against a calibration; nothing, when all is well.

    `contradictory` readings have `suspects`, the likeliest wrong row first. `unchecked` rows are
    those in which nothing would show a slip. `moved` rungs are beyond the file's tolerance by more
    than the uncertainty of both.
    """

    contradictory: bool
    suspects: tuple[Row, ...]
    unchecked: tuple[Row, ...]
    moved: tuple[Deviation, ...]

    @property
    def unconfirmed(self) -> tuple[Deviation, ...]:
        """The moved rungs that one unchecked row alone speaks for."""
        alone = {relay for row in self.unchecked for relay in row.alone_for}
        return tuple(one for one in self.moved if one.relay in alone)

    @property
    def sound(self) -> bool:
        """Whether nothing stands against it."""
        return not (self.contradictory or self.unchecked or self.moved)

    @property
    def usable(self) -> bool:
        """Whether it may be kept: no contradiction, and no moved rung on one reading's word."""
        return not (self.contradictory or self.unconfirmed)


def assess(ladder: Ladder, calibration: Calibration, rows: Sequence[Row]) -> Assessment:
    """Weigh a calibration. `ladder` is the one from the file."""
    contradictory = calibration.probability < _UNLIKELY or worst_row_stands_out(rows)
    return Assessment(
        contradictory=contradictory,
        suspects=suspects(rows) if contradictory else (),
        unchecked=tuple(row for row in rows if not row.checked),
        moved=tuple(one for one in deviations(ladder, calibration) if one.beyond),
    )


def deviations(ladder: Ladder, calibration: Calibration) -> tuple[Deviation, ...]:
    """Return how every rung stands against the file's tolerance.

    Several rungs are compared at once, so that the factor of `coverage_factor` applies.
    """
    rungs = rungs_of(ladder)
    factor = coverage_factor(len(rungs))
    found = []
    for rung, ohms, own in zip(
        rungs, calibration.rung_ohms, calibration.uncertainties_ohms.tolist(), strict=False
    ):
        # The file's standard uncertainty is that of a rectangle as wide as the tolerance.
        limit = rung.uncertainty_ohms * math.sqrt(3.0) or None
        found.append(
            Deviation(
                relay=rung.relay,
                file_ohms=rung.ohms,
                found_ohms=ohms,
                tolerance_ohms=limit,
                uncertainty_ohms=own,
                beyond=limit is not None and abs(ohms - rung.ohms) > limit + factor * own,
            )
        )
    return tuple(found)
