"""`rungwise ladder check`: a zero and three spot values against the calibration.

Knows: which states are looked at, and how the comparison is laid out.
Must not know: how states are compared or chosen.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from controller.errors import ExitCode
from controller.units import COVERAGE_FACTOR

if TYPE_CHECKING:
    from controller.cli.output import Output
    from controller.ladder.calibration import Calibration, Spot
    from controller.ladder.model import Ladder

__all__ = ["add_arguments", "run"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the verb's arguments."""
    parser.add_argument("ladder", metavar="LADDER", type=Path, help="ladder file")
    parser.add_argument(
        "--calibration", metavar="FILE", type=Path, required=True, help="the calibration in use"
    )
    parser.add_argument(
        "--readings",
        metavar="CSV",
        type=Path,
        help="what was measured: state,ohms,uncertainty_ohms (standard, k = 1); without it the"
        " states to set are printed as a table to fill in",
    )
    parser.add_argument("--ambient", metavar="TEMP", help="temperature of the ladder: 21degC")
    parser.epilog = (
        "exit status: 0 when the calibration still holds, 1 when a value no longer agrees with it,"
        " 4 when spot states are missing from the readings"
    )


def run(arguments: argparse.Namespace, output: Output) -> int:
    """Print the states to set, or compare the readings with the calibration."""
    from controller.ladder.calibration import (
        check_spots,
        load_calibration,
        measurements_from_csv,
        spot_states,
    )
    from controller.ladder.files import load_ladder
    from controller.units import parse_temperature

    ambient = (
        None
        if arguments.ambient is None
        else parse_temperature(arguments.ambient, what="--ambient")
    )
    ladder = load_ladder(arguments.ladder)
    for warning in ladder.warnings:
        output.warn(f"Note: {warning}")
    calibration = load_calibration(arguments.calibration)
    wanted = spot_states(ladder)
    if arguments.readings is None:
        return _say_states(output, ladder, calibration, wanted)
    measured = measurements_from_csv(arguments.readings, ladder)
    spots = check_spots(ladder, calibration, measured, ambient_celsius=ambient)
    missing = [state for state in wanted if state not in {one.state for one in measured}]
    left = [one for one in spots if not one.agrees]
    verdict = "fail" if left else "undecided" if missing else "pass"
    sentence = _sentence(ladder, calibration, left, missing)
    output.document(
        {
            "ladder": ladder.name,
            "calibration": calibration.utc,
            "verdict": verdict,
            "spots": [
                {
                    "state": ladder.format_state(one.state),
                    "expected_ohms": one.expected_ohms,
                    "measured_ohms": one.measured_ohms,
                    "difference_ohms": one.difference_ohms,
                    "uncertainty_ohms": COVERAGE_FACTOR * one.uncertainty_ohms,
                    "normalised": one.normalised,
                    "agrees": one.agrees,
                }
                for one in spots
            ],
            "missing": [ladder.format_state(state) for state in missing],
            "sentence": sentence,
        }
    )
    _say_spots(output, ladder, calibration, spots)
    output.say_verdict(verdict, sentence)
    return {"pass": ExitCode.PASS, "fail": ExitCode.FAIL}.get(verdict, ExitCode.UNDECIDED)


def _say_states(
    output: Output, ladder: Ladder, calibration: Calibration, wanted: tuple[int, ...]
) -> int:
    from controller.cli.measurement_table import blank_table
    from controller.ladder.calibration import Instrument, calibrated_ladder
    from controller.ladder.electrical import state_ohms

    tuned = calibrated_ladder(ladder, calibration)
    text = blank_table(
        tuned,
        wanted,
        Instrument(),
        [f"{ladder.name}: spot check of the calibration of {calibration.utc}."],
    )
    if not output.json:
        output.raw(text)
    output.document(
        {
            "ladder": ladder.name,
            "calibration": calibration.utc,
            "states": [
                {"state": ladder.format_state(one), "expected_ohms": state_ohms(tuned, one)}
                for one in wanted
            ],
            "csv": text,
        }
    )
    return ExitCode.PASS


def _say_spots(
    output: Output, ladder: Ladder, calibration: Calibration, spots: tuple[Spot, ...]
) -> None:
    from controller.text import number

    output.say(f"{ladder.name}, against the calibration of {calibration.utc}")
    output.say_table(
        ["state", "expected ohm", "measured ohm", "difference ohm", "U (k=2) ohm", ""],
        [
            [
                ladder.format_state(one.state),
                number(one.expected_ohms, 3),
                number(one.measured_ohms, 3),
                number(one.difference_ohms, 3, sign=True),
                number(COVERAGE_FACTOR * one.uncertainty_ohms, 3),
                "agrees" if one.agrees else "has moved",
            ]
            for one in spots
        ],
    )


def _sentence(
    ladder: Ladder, calibration: Calibration, left: list[Spot], missing: list[int]
) -> str:
    if left:
        worst = max(left, key=lambda one: abs(one.normalised))
        return (
            f"{len(left)} of the values no longer agree with the calibration of"
            f" {calibration.utc}, most at"
            f" {ladder.format_state(worst.state)}: {worst.difference_ohms:+.3g} ohm,"
            f" {abs(worst.normalised):.1f} times its uncertainty. Calibrate again."
        )
    if missing:
        names = ", ".join(ladder.format_state(state) for state in missing)
        return f"What was measured agrees; not measured: {names}."
    return f"The calibration of {calibration.utc} still holds."
