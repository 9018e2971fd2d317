"""How old a calibration is, and what that does to a bench: more drift of its rungs, a sentence.

Knows: the date in a calibration, and that the drift allowed for its rungs is that of a year.
Must not know: what day it is; what a drift does to a step.
"""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, datetime

from controller.bench.model import BenchFile
from controller.measurement.budget import Surroundings

__all__ = ["USUAL_INTERVAL_DAYS", "calibration_age_warnings", "with_aged_drift"]

USUAL_INTERVAL_DAYS = 366
"""A year between two calibrations, as instruments mostly have (common practice, no source)."""


def with_aged_drift(bench: BenchFile, now: datetime) -> BenchFile:
    """Return the bench with the drift of as many years as have begun since its calibration.

    Resistors go on drifting one way, so that the years add up. Only whole years count: a run that
    is gone on with the next day meets the same uncertainties. `now` is aware of its zone.
    """
    if bench.second is not None:
        bench = replace(bench, second=with_aged_drift(bench.second, now))
    years = _years_begun(bench, now)
    if years <= 1:
        return bench
    place = bench.surroundings or Surroundings()
    aged = replace(place, rung_drift_ppm=years * place.rung_drift_ppm)
    return replace(bench, surroundings=aged)


def calibration_age_warnings(bench: BenchFile, now: datetime) -> tuple[str, ...]:
    """Return a sentence when a bench that drives hardware has an old calibration, or a future one.

    `bench` is as its file says; `now` is aware of its zone; a calibration without one is taken to
    be in UTC.
    """
    if bench.calibration is None or not bench.drives_hardware:
        return ()
    days = _age_days(bench.calibration.utc, now)
    day = datetime.fromisoformat(bench.calibration.utc).date().isoformat()
    if days < -1:
        return (f"the ladder's calibration is dated {day}, in the future: is that right?",)
    years = _years_begun(bench, now)
    if years <= 1:
        return ()
    ppm = (bench.surroundings or Surroundings()).rung_drift_ppm
    sentence = (
        f"the ladder's calibration of {day} is {days} days old: plans allow its rungs the drift of"
        f" {years} years, {years * ppm:g} ppm (rung_drift_ppm = {ppm:g} a year): calibrate again"
    )
    return (sentence,)


def _age_days(utc: str, now: datetime) -> int:
    dated = datetime.fromisoformat(utc)
    if dated.tzinfo is None:
        dated = dated.replace(tzinfo=UTC)
    return (now - dated).days


def _years_begun(bench: BenchFile, now: datetime) -> int:
    """Return the years begun since the calibration of a ladder that is real; 1 for all others."""
    if bench.calibration is None or not bench.drives_hardware:
        return 1
    return max(1, math.ceil(_age_days(bench.calibration.utc, now) / USUAL_INTERVAL_DAYS))
