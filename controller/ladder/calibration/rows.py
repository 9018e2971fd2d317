"""Does every measured row have others that would contradict it, and does one of them lie?

A slip in a row whose leverage is near one moves the rungs and leaves no residual: nobody sees it.
So each row says how much of a slip it would show, and which row, left out, explains best what the
readings contradict (data snooping: Baarda, A Testing Procedure for Use in Geodetic Networks, 1968,
from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np

from controller.ladder.calibration.least_squares import Solution, chi_square_exceeded
from controller.ladder.calibration.model import Measurement

__all__ = [
    "LEAST_REDUNDANCY",
    "Row",
    "one_row_explains",
    "rows_of",
    "suspects",
    "worst_row_stands_out",
]

LEAST_REDUNDANCY = 0.1
"""A row that shows less than this share of the variance of a slip is not checked by the others: a
slip has to be 16 times its uncertainty to be noticed with near certainty."""

_ALARM = 0.005
"""How often the worst of all rows of a faultless table may stand out."""
_AS_LIKELY = 4.0
"""Rows whose absence lowers chi-square by nearly as much as the worst one's: two standard
uncertainties apart are not told apart."""


@dataclass(frozen=True, kw_only=True)
class Row:
    """One measurement and what the others say of it.

    `residual` is measured minus fitted over the row's own standard uncertainty, contacts
    included. `redundancy` is from 0 (the row alone decides its fit) to 1. `normalised` is the
    residual over its own standard deviation: standard normal in a faultless table. `alone_for`
    names the relays whose rungs would hardly be known without this row.
    """

    index: int
    state: int
    residual_ohms: float
    residual: float
    redundancy: float
    normalised: float
    alone_for: tuple[int, ...] = ()

    @property
    def checked(self) -> bool:
        """Whether the other rows would show a slip in this one."""
        return self.redundancy >= LEAST_REDUNDANCY


def rows_of(
    solution: Solution, measurements: Sequence[Measurement], relays: Sequence[int]
) -> tuple[Row, ...]:
    """Return the rows of a solution whose first observations are the measurements.

    Its first values are the rungs of `relays`.
    """
    count = len(measurements)
    redundancy = np.clip(1.0 - solution.leverages[:count], 0.0, 1.0)
    weighted = solution.weighted_residuals[:count]
    # A row that decides its own fit has a residual of rounding noise only.
    least = np.maximum(redundancy, 1e-9)
    normalised = np.where(redundancy > 1e-9, weighted / np.sqrt(least), 0.0)
    # Left out, row i adds gain_ki^2 / redundancy_i to the variance of value k.
    variances = np.diag(solution.covariance)[: len(relays), None]
    lost = solution.gains[: len(relays), :count] ** 2 / least / variances
    return tuple(
        Row(
            index=index,
            state=one.state,
            residual_ohms=float(solution.residuals[index]),
            residual=float(weighted[index]),
            redundancy=float(redundancy[index]),
            normalised=float(normalised[index]),
            alone_for=tuple(
                relay
                for relay, times in zip(relays, lost[:, index], strict=True)
                if 1.0 + times > 1.0 / LEAST_REDUNDANCY
            ),
        )
        for index, one in enumerate(measurements)
    )


def worst_row_stands_out(rows: Sequence[Row]) -> bool:
    """Return whether the worst row is further off than chance makes the worst of so many."""
    limit = NormalDist().inv_cdf(1.0 - _ALARM / (2.0 * max(len(rows), 1)))
    return max((abs(row.normalised) for row in rows), default=0.0) > limit


def one_row_explains(rows: Sequence[Row]) -> bool:
    """Return whether the readings contradict each other, but no longer without the worst row."""
    if not worst_row_stands_out(rows):
        return False
    chi_square = sum(row.residual**2 for row in rows) - max(row.normalised**2 for row in rows)
    freedom = sum(row.redundancy for row in rows) - 1.0
    return chi_square_exceeded(max(chi_square, 0.0), freedom) >= _ALARM


def suspects(rows: Sequence[Row]) -> tuple[Row, ...]:
    """Return the row that, left out, explains a contradiction best, and those that do as well.

    Leaving a row out lowers chi-square by the square of its normalised residual.
    """
    ranked = sorted(rows, key=lambda row: -abs(row.normalised))
    most = ranked[0].normalised ** 2 if ranked else 0.0
    return tuple(row for row in ranked if row.normalised**2 > most - _AS_LIKELY)
