"""A calibration put before people: the values found, whether the readings agree, what has moved."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from controller.errors import ExitCode
from controller.ladder.calibration import (
    Assessment,
    Calibration,
    Deviation,
    Drift,
    Row,
    assess,
    drifts,
    write_calibration,
)
from controller.ladder.calibration.model import nominal_parameters
from controller.ladder.model import Ladder
from controller.text import number
from controller.units import COVERAGE_FACTOR

if TYPE_CHECKING:
    from controller.cli.output import Output

__all__ = ["say_calibration"]

_EXITS = {"pass": ExitCode.PASS, "fail": ExitCode.FAIL, "undecided": ExitCode.UNDECIDED}


def say_calibration(
    output: Output,
    ladder: Ladder,
    calibration: Calibration,
    rows: Sequence[Row],
    *,
    notes: Sequence[str] = (),
    previous: Calibration | None,
    out: Path | None,
    agreeing_fixed_ohms: float | None = None,
) -> ExitCode:
    """Print the calibration; write it, when its readings are fit to be used.

    `agreeing_fixed_ohms` is the fixed resistor with which readings that contradict each other would
    agree, None where there is none.
    """
    moved = () if previous is None else drifts(ladder, previous, calibration)
    found = assess(ladder, calibration, rows)
    verdict = "pass" if found.sound else "undecided" if found.usable else "fail"
    sentence = _sentence(ladder, calibration, found)
    if agreeing_fixed_ohms is not None:
        sentence += (
            f" All would agree with a fixed resistor of {agreeing_fixed_ohms:.4g} ohm; the ladder"
            f" file says {ladder.fixed_ohms:g}: if it is another one, write its value there."
        )
    if found.usable and out is not None:
        write_calibration(out, calibration)
    written = out if found.usable else None
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
            "common_percent": 100 * calibration.common_relative_uncertainty,
            "agrees": not found.contradictory,
            "suspects": [_row_fields(ladder, one) for one in found.suspects],
            "unchecked": [_row_fields(ladder, one) for one in found.unchecked],
            "moved": [_deviation_fields(one) for one in found.moved],
            "verdict": verdict,
            "sentence": sentence,
            "notes": list(notes),
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
    for note in notes:
        output.say(note)
    if written is not None:
        output.say(f"Written to {written}; a bench file uses it with: calibration = FILE.")
    elif out is not None:
        output.say(f"Not written to {out}: these readings are not fit to be used.")
    output.say_verdict(verdict, sentence)
    return _EXITS[verdict]


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


def _sentence(ladder: Ladder, calibration: Calibration, found: Assessment) -> str:
    test = (
        f"chi-square {calibration.chi_square:.1f} with {calibration.degrees_of_freedom} degrees of"
        f" freedom, probability {calibration.probability:.2g}"
    )
    if found.contradictory:
        return _contradiction_words(ladder, found.suspects, test)
    said = [_moved_words(one, confirmed=one not in found.unconfirmed) for one in found.moved]
    if calibration.degrees_of_freedom == 0:
        said.append("There are no more readings than values, so nothing checks them.")
    else:
        said.append(f"The readings agree with each other within their uncertainty ({test}).")
    if found.unchecked:
        names = ", ".join(_row_words(ladder, row) for row in found.unchecked)
        said.append(
            f"Not checked by other readings, measure twice: {names}."
            " A misread figure there would go unseen."
        )
    return " ".join(said)


def _contradiction_words(ladder: Ladder, rows: Sequence[Row], test: str) -> str:
    worst = rows[0]
    others = (
        f" It cannot be told from {' and '.join(_row_words(ladder, row) for row in rows[1:3])}."
        if len(rows) > 1
        else ""
    )
    return (
        f"The readings contradict each other ({test}): a row is wrong, or the uncertainties are"
        f" stated too small. Most likely wrong is {_row_words(ladder, worst)}:"
        f" {worst.residual_ohms:+.4g} ohm from what the others fit to,"
        f" {abs(worst.normalised):.1f} times what it should be; measure that again first.{others}"
    )


def _moved_words(one: Deviation, *, confirmed: bool) -> str:
    off = f"{100 * (one.found_ohms / one.file_ohms - 1):+.2g} %"
    if not confirmed:
        return (
            f"Relay {one.relay} comes out {off} from the ladder file, beyond its tolerance, by a"
            " single reading that no other checks; measure that one again."
        )
    return (
        f"The rung of relay {one.relay} is {off} from the ladder file, beyond its tolerance of"
        f" {one.tolerance_ohms or 0.0:.3g} ohm: has it been changed, or overloaded? If it"
        " stays, write its value into the ladder file."
    )


def _row_words(ladder: Ladder, row: Row) -> str:
    alone = (
        f" (alone for relay {', '.join(map(str, row.alone_for))})"
        if row.alone_for and not row.checked
        else ""
    )
    return f"reading {row.index + 1}, state {ladder.format_state(row.state)}{alone}"


def _row_fields(ladder: Ladder, row: Row) -> dict[str, Any]:
    return {
        "reading": row.index + 1,
        "state": ladder.format_state(row.state),
        "residual_ohms": row.residual_ohms,
        "normalised": row.normalised,
        "redundancy": row.redundancy,
        "alone_for": list(row.alone_for),
    }


def _deviation_fields(one: Deviation) -> dict[str, Any]:
    return {
        "relay": one.relay,
        "file_ohms": one.file_ohms,
        "found_ohms": one.found_ohms,
        "tolerance_ohms": one.tolerance_ohms,
        "uncertainty_ohms": COVERAGE_FACTOR * one.uncertainty_ohms,
    }


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
