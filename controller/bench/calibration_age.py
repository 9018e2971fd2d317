"""Whether a calibration is older than the drift that is allowed for it was meant for.

Knows: the date in a calibration, and how long its drift allowance holds.
Must not know: what day it is; what a drift does to a step.
"""

from __future__ import annotations

from datetime import UTC, datetime

from controller.bench.model import BenchFile
from controller.measurement.budget import Surroundings

__all__ = ["USUAL_INTERVAL_DAYS", "calibration_age_warnings"]

USUAL_INTERVAL_DAYS = 366
"""A year between two calibrations, as instruments mostly have (common practice, no source)."""


def calibration_age_warnings(bench: BenchFile, now: datetime) -> tuple[str, ...]:
    """Return a sentence when a bench that drives hardware has an old calibration, or a future one.

    `now` is aware of its zone; a calibration without one is taken to be in UTC.
    """
    if bench.calibration is None or not bench.drives_hardware:
        return ()
    dated = datetime.fromisoformat(bench.calibration.utc)
    if dated.tzinfo is None:
        dated = dated.replace(tzinfo=UTC)
    days = (now - dated).days
    day = dated.date().isoformat()
    if days < -1:
        return (f"the ladder's calibration is dated {day}, in the future: is that right?",)
    if days <= USUAL_INTERVAL_DAYS:
        return ()
    ppm = (bench.surroundings or Surroundings()).rung_drift_ppm
    sentence = (
        f"the ladder's calibration of {day} is {days} days old, and the drift allowed for its rungs"
        f" (rung_drift_ppm = {ppm:g}) is that of a year: calibrate again, or state more in the"
        " bench file"
    )
    return (sentence,)
