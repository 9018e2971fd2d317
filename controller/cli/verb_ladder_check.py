"""`rungwise ladder check`: a zero and three spot values against the calibration.

Knows: which states are looked at, where their ohms come from, how the comparison is laid out.
Must not know: how states are compared or chosen, how they are set and measured.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from controller.errors import ExitCode, InputError
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
    parser.add_argument(
        "--bench",
        metavar="BENCH",
        type=Path,
        help="set the states on this bench and measure each: by the [meter] of the bench file, or"
        " by what you read off a meter and type",
    )
    parser.add_argument(
        "--save", metavar="CSV", type=Path, help="new file for what is measured, with --bench"
    )
    parser.add_argument(
        "--meter-percent",
        metavar="P",
        default="0.01",
        help="with --bench: the meter's uncertainty (k = 1), share of the reading in percent;"
        " (default: 0.01)",
    )
    parser.add_argument(
        "--meter-ohms",
        metavar="R",
        default="0.01",
        help="with --bench: the meter's uncertainty (k = 1), fixed share in ohm (default: 0.01)",
    )
    parser.add_argument(
        "--yes", action="store_true", help="the cautions for real equipment have been read"
    )
    parser.add_argument("--ambient", metavar="TEMP", help="temperature of the ladder: 21degC")
    parser.epilog = (
        "exit status: 0 when the calibration still holds, 1 when a value no longer agrees with it,"
        " 4 when spot states are missing from the readings"
    )


def run(arguments: argparse.Namespace, output: Output) -> int:
    """Print the states to set, or measure them; compare the readings with the calibration."""
    from controller.ladder.calibration import (
        check_spots,
        load_calibration,
        measurements_from_csv,
        spot_states,
    )
    from controller.ladder.files import load_ladder
    from controller.units import parse_temperature

    _check_ways(arguments)
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
    readings = arguments.readings
    if arguments.bench is not None:
        ended = _measured(output, arguments, ladder, wanted)
        if ended is not ExitCode.PASS:
            return ended
        readings = arguments.save
    if readings is None:
        return _say_states(output, ladder, calibration, wanted)
    measured = measurements_from_csv(readings, ladder)
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


def _check_ways(arguments: argparse.Namespace) -> None:
    if arguments.bench is not None and arguments.readings is not None:
        raise InputError.single(
            "measured at the bench or read from a table: one of the two",
            where="--bench, --readings",
        )
    if (arguments.bench is None) != (arguments.save is None):
        raise InputError.single(
            "go together: what is measured at the bench is kept in a file",
            where="--bench, --save",
        )


def _measured(
    output: Output, arguments: argparse.Namespace, ladder: Ladder, wanted: tuple[int, ...]
) -> ExitCode:
    from controller.cli.measure_ladder import measure_states
    from controller.cli.numbers import at_least_zero
    from controller.ladder.calibration import Instrument

    return measure_states(
        output,
        ladder,
        wanted,
        Instrument(
            relative=at_least_zero(arguments.meter_percent, what="--meter-percent") / 100,
            floor_ohms=at_least_zero(arguments.meter_ohms, what="--meter-ohms"),
        ),
        bench_path=arguments.bench,
        save=arguments.save,
        yes=arguments.yes,
    )


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
