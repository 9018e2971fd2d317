"""The tolerances of a plan file: one for all temperatures, or bands.

Knows: the keys tolerance_celsius and [[tolerance]].
Must not know: the rest of a plan, how errors are judged.
"""

from __future__ import annotations

import itertools
import math

from controller.documents import Table
from controller.planning.plan import ToleranceBand

__all__ = ["everywhere", "read_tolerance"]


def read_tolerance(root: Table) -> tuple[ToleranceBand, ...]:
    """Return the bands of a tolerance, in rising order; problems are noted."""
    single = root.optional_number("tolerance_celsius", above=0.0)
    tables = root.tables("tolerance")
    if single is not None and tables:
        root.problem(
            "tolerance_celsius", "is stated twice", hint="either one number or [[tolerance]] blocks"
        )
    if single is not None:
        return everywhere(single)
    if not tables and "tolerance" not in root:
        root.problem(
            "tolerance_celsius",
            "is missing",
            hint="how far the reported temperature may be off, or [[tolerance]] blocks",
        )
    bands = []
    for table in tables:
        band = ToleranceBand(
            from_celsius=table.number("from_celsius"),
            to_celsius=table.number("to_celsius"),
            tolerance_celsius=table.number("tolerance_celsius", above=0.0),
        )
        if band.to_celsius <= band.from_celsius:
            table.problem("to_celsius", "must be above from_celsius")
        bands.append((band, table))
    bands.sort(key=lambda entry: entry[0].from_celsius)
    for (before, _), (after, table) in itertools.pairwise(bands):
        if after.from_celsius < before.to_celsius:
            table.problem("from_celsius", "this band overlaps another one")
        elif after.from_celsius > before.to_celsius:
            table.problem(
                "from_celsius",
                f"no band covers {before.to_celsius:g} to {after.from_celsius:g} degC",
            )
    return tuple(band for band, _ in bands)


def everywhere(celsius: float) -> tuple[ToleranceBand, ...]:
    """Return a tolerance that holds at every temperature."""
    band = ToleranceBand(from_celsius=-math.inf, to_celsius=math.inf, tolerance_celsius=celsius)
    return (band,)
