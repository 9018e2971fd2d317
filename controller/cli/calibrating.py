"""A calibration put before people: the values found, whether the readings agree, what has moved.

Knows: columns, sentences, when a calibration is good enough to be kept.
Must not know: how rungs are solved, where the readings come from.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from controller.errors import ExitCode
from controller.ladder.calibration import (
    Calibration,
    Drift,
    Measurement,
    calibrated_ladder,
    drifts,
    write_calibration,
)
from controller.ladder.calibration.model import nominal_parameters
from controller.ladder.electrical import states_ohms
from controller.ladder.model import Ladder
from controller.text import number
from controller.units import COVERAGE_FACTOR

if TYPE_CHECKING:
    from controller.cli.output import Output

__all__ = ["say_calibration"]

_UNLIKELY = 0.01
"""Residuals less probable than this mean that something is wrong with a row."""


def say_calibration(
    output: Output,
    ladder: Ladder,
    calibration: Calibration,
    measurements: Sequence[Measurement],
    *,
    previous: Calibration | None,
    out: Path | None,
) -> ExitCode:
    """Print the calibration; write it, when the readings agree with each other."""
    moved = () if previous is None else drifts(previous, calibration)
    sound = calibration.probability >= _UNLIKELY
    residuals = _residual_words(ladder, calibration, measurements, sound=sound)
    if sound and out is not None:
        write_calibration(out, calibration)
    written = out if sound else None
    values = _values(ladder, calibration)
    output.document(
        {
            "ladder": calibration.ladder,
            "utc": calibration.utc,
            "measurements": calibration.measurements,
            "values": values,
            "chi_square": calibration.chi_square,
            "degrees_of_freedom": calibration.degrees_of_freedom,
            "probability": calibration.probability,
            "agrees": sound,
            "sentence": residuals,
            "drift": [_drift_fields(one) for one in moved],
            "calibration": None if written is None else str(written),
        }
    )
    output.say(
        f"{calibration.ladder}, {calibration.utc}: from {calibration.measurements} measured states"
    )
    output.say_table(
        ["value", "file ohm", "found ohm", "change ohm", "U (k=2) ohm"],
        [
            [
                one["what"],
                number(one["file_ohms"], 4),
                number(one["ohms"], 4),
                number(one["ohms"] - one["file_ohms"], 4, sign=True),
                number(one["uncertainty_ohms"], 4),
            ]
            for one in values
        ],
    )
    if previous is not None:
        _say_drift(output, previous, moved)
    if written is not None:
        output.say(f"Written to {written}; a bench file uses it with: calibration = FILE.")
    elif out is not None:
        output.say(f"Not written to {out}: a calibration from contradictory readings is none.")
    output.say_verdict("pass" if sound else "fail", residuals)
    return ExitCode.PASS if sound else ExitCode.FAIL


def _values(ladder: Ladder, calibration: Calibration) -> list[dict[str, Any]]:
    names = [*(f"relay {relay}" for relay in calibration.relays), "contacts, offset", "leads"]
    rows = zip(
        names,
        nominal_parameters(ladder).tolist(),
        calibration.parameters.tolist(),
        calibration.uncertainties_ohms.tolist(),
        strict=True,
    )
    return [
        {"what": what, "file_ohms": before, "ohms": ohms, "uncertainty_ohms": COVERAGE_FACTOR * u}
        for what, before, ohms, u in rows
    ]


def _residual_words(
    ladder: Ladder,
    calibration: Calibration,
    measurements: Sequence[Measurement],
    *,
    sound: bool,
) -> str:
    test = (
        f"chi-square {calibration.chi_square:.1f} with {calibration.degrees_of_freedom} degrees of"
        f" freedom, probability {calibration.probability:.2g}"
    )
    if calibration.degrees_of_freedom == 0:
        return "There are no more readings than values, so that nothing checks them; measure more."
    if sound:
        return f"The readings agree with each other within their uncertainty ({test})."
    states = [one.state for one in measurements]
    fitted = states_ohms(
        calibrated_ladder(ladder, calibration), np.array(states, dtype=np.uint64)
    ).tolist()
    off = [
        (abs(one.ohms - ohms) / one.uncertainty_ohms, one.ohms - ohms, index)
        for index, (one, ohms) in enumerate(zip(measurements, fitted, strict=True))
    ]
    times, difference, index = max(off)
    return (
        f"The readings contradict each other ({test}): a row is wrong, or the uncertainties are"
        f" stated too small. Furthest off is reading {index + 1}, state"
        f" {ladder.format_state(states[index])}: {difference:+.4g} ohm, {times:.1f} times its"
        " uncertainty; measure that again first."
    )


def _say_drift(output: Output, previous: Calibration, moved: Sequence[Drift]) -> None:
    output.say(f"Since the calibration of {previous.utc}:")
    output.say_table(
        ["value", "then ohm", "now ohm", "change ohm", "of its uncertainty", ""],
        [
            [
                one.what,
                number(one.before_ohms, 4),
                number(one.now_ohms, 4),
                number(one.difference_ohms, 4, sign=True),
                number(one.normalised, 2, sign=True),
                "moved" if one.significant else "",
            ]
            for one in moved
        ],
    )
    names = ", ".join(one.what for one in moved if one.significant)
    output.say(
        f"Moved by more than the uncertainty of both: {names}."
        if names
        else "Nothing has moved by more than the uncertainty of both."
    )


def _drift_fields(one: Drift) -> dict[str, Any]:
    return {
        "what": one.what,
        "before_ohms": one.before_ohms,
        "now_ohms": one.now_ohms,
        "difference_ohms": one.difference_ohms,
        "normalised": one.normalised,
        "significant": one.significant,
    }
