"""`rungwise ladder calibrate`: the rungs' true values, from states measured with an ohm meter."""

from __future__ import annotations

import argparse
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from controller.errors import ExitCode, InputError

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from controller.cli.output import Output
    from controller.ladder.calibration import Measurement
    from controller.ladder.model import Ladder

__all__ = ["add_arguments", "run"]

_USUAL_METER = 1e-4
"""Share of the reading, standard, of a good bench meter that nothing is stated of."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the verb's arguments."""
    parser.add_argument("ladder", metavar="LADDER", type=Path, help="ladder file")
    parser.add_argument(
        "--propose",
        metavar="N",
        type=int,
        help="choose N states to measure, so that the rungs become well known: prints a table to"
        " fill in, or sets the states on a bench",
    )
    parser.add_argument(
        "--readings",
        metavar="CSV",
        type=Path,
        help="the table filled in: state,ohms,uncertainty_ohms (standard, k = 1)",
    )
    parser.add_argument(
        "--bench",
        metavar="BENCH",
        type=Path,
        help="set the proposed states on this bench, one by one, and measure each: by the [meter]"
        " of the bench file, or by what you read off a meter and type",
    )
    parser.add_argument(
        "--save", metavar="CSV", type=Path, help="new file for what is measured, with --bench"
    )
    parser.add_argument(
        "--out", metavar="FILE", type=Path, help="new file for the calibration, or for the table"
    )
    parser.add_argument(
        "--previous", metavar="FILE", type=Path, help="an earlier calibration: show the drift"
    )
    parser.add_argument(
        "--date", metavar="DATE", help="when it was measured: 2026-03-31 (default: today)"
    )
    parser.add_argument(
        "--instrument", metavar="TEXT", default="", help="the meter, for the calibration file"
    )
    parser.add_argument("--ambient", metavar="TEMP", help="temperature of the ladder: 21degC")
    parser.add_argument(
        "--meter-percent",
        metavar="P",
        help="the meter's uncertainty (k = 1), share of the reading in percent (default: 0.01)",
    )
    parser.add_argument(
        "--meter-ohms",
        metavar="R",
        default="0.01",
        help="the meter's uncertainty (k = 1), fixed share in ohm (default: 0.01)",
    )
    parser.add_argument(
        "--common-percent",
        metavar="P",
        help="uncertainty (k = 1) of the meter's scale that all readings share, in percent: most"
        " of a meter's percentage is that, 0 for a scale that was checked (default:"
        " --meter-percent, or without it the share of the reading that every row's uncertainty"
        " holds)",
    )
    parser.add_argument(
        "--yes", action="store_true", help="the cautions for real equipment have been read"
    )
    parser.epilog = (
        "exit status: 0 when the readings agree with each other, 1 when they contradict each other"
        " or one unchecked reading moves a rung beyond its tolerance (no calibration is written"
        " then), 2 when they do not determine every rung, 4 when rows are unchecked or a rung has"
        " moved beyond the tolerance of the ladder file (the calibration is written)"
    )


def run(arguments: argparse.Namespace, output: Output) -> int:
    """Propose, measure, solve: as far as the arguments ask for."""
    from controller.cli.numbers import at_least_zero
    from controller.ladder.calibration import (
        Instrument,
        assess,
        calibrate_and_check,
        load_calibration,
        measurements_from_csv,
        propose_design,
    )
    from controller.ladder.files import load_ladder
    from controller.units import parse_temperature

    _check_ways(arguments)
    utc = _date(arguments.date)
    ambient = (
        None
        if arguments.ambient is None
        else parse_temperature(arguments.ambient, what="--ambient")
    )
    stated = {
        name: None if text is None else at_least_zero(text, what=name) / 100
        for name, text in (
            ("--common-percent", arguments.common_percent),
            ("--meter-percent", arguments.meter_percent),
        )
    }
    own = stated["--meter-percent"]
    meter = Instrument(
        relative=_USUAL_METER if own is None else own,
        floor_ohms=at_least_zero(arguments.meter_ohms, what="--meter-ohms"),
    )
    if meter.relative == meter.floor_ohms == 0:
        raise InputError.single(
            "every meter has some uncertainty",
            where="--meter-percent, --meter-ohms",
            hint="give at least one of them as more than 0, from the meter's data sheet",
        )
    ladder = load_ladder(arguments.ladder)
    for warning in ladder.warnings:
        output.warn(f"Note: {warning}")
    previous = None if arguments.previous is None else load_calibration(arguments.previous)
    _refuse_existing(arguments.out)
    readings = arguments.readings
    if arguments.propose is not None:
        design = propose_design(ladder, measurements=arguments.propose, instrument=meter)
        if arguments.bench is None:
            from controller.cli.measurement_table import say_design

            return say_design(output, ladder, design, meter, out=arguments.out)
        from controller.cli.measure_ladder import measure_states

        ended = measure_states(
            output,
            ladder,
            design.states,
            meter,
            bench_path=arguments.bench,
            save=arguments.save,
            yes=arguments.yes,
        )
        if ended is not ExitCode.PASS:
            return ended
        readings = arguments.save
    from controller.cli.calibration_words import say_calibration

    measurements = measurements_from_csv(readings, ladder)
    common, notes = _common_scale(stated, measurements)
    if ambient is None:
        notes.append("--ambient is not stated: the values count as those of 23 degC, within 5 K.")
    calibration, rows = calibrate_and_check(
        ladder,
        measurements,
        utc=utc,
        common_relative_uncertainty=common,
        instrument=arguments.instrument,
        ambient_celsius=ambient,
    )
    contradictory = assess(ladder, calibration, rows).contradictory
    return say_calibration(
        output,
        ladder,
        calibration,
        rows,
        notes=notes,
        previous=previous,
        out=arguments.out,
        agreeing_fixed_ohms=_agreeing_fixed_ohms(ladder, measurements, utc, common)
        if contradictory
        else None,
    )


def _agreeing_fixed_ohms(
    ladder: Ladder, measurements: Sequence[Measurement], utc: str, common: float
) -> float | None:
    """Return the fixed resistor with which all readings agree, if there is such a one."""
    from controller.ladder.calibration import assess, calibrate_and_check

    if not ladder.fixed_ohms:
        return None
    anything = replace(ladder, fixed_uncertainty_ohms=10.0 * ladder.fixed_ohms)
    found, rows = calibrate_and_check(
        anything, measurements, utc=utc, common_relative_uncertainty=common
    )
    if assess(anything, found, rows).contradictory:
        return None
    return ladder.fixed_ohms + found.lead_ohms - ladder.lead_ohms


def _common_scale(
    stated: Mapping[str, float | None], measurements: Sequence[Measurement]
) -> tuple[float, list[str]]:
    """Return how far the meter's scale may be off for all readings, and what to say of it.

    A meter's percentage is mostly its scale, and that does not average out. How much of it is
    not stated by anybody, so it counts as both: for all readings together and for each.
    """
    common, own = stated["--common-percent"], stated["--meter-percent"]
    if common is not None:
        return common, []
    if own is None:
        shares = [one.uncertainty_ohms / one.ohms for one in measurements if one.ohms > 0]
        own, source = min(shares, default=0.0), "the share of the reading that every row states"
    else:
        source = "the percentage of the meter"
    note = (
        f"--common-percent is not stated: a scale error of {100 * own:.2g} % (k = 1) in all"
        f" readings alike is taken, {source}; 0 is for a scale that was checked."
    )
    return own, [note]


def _check_ways(arguments: argparse.Namespace) -> None:
    from controller.errors import Problem

    problems = []
    if (arguments.readings is None) == (arguments.propose is None):
        problems.append(
            Problem(
                message="needs either a table of readings, or how many states to propose",
                where="--readings, --propose",
                hint="begin with --propose N: it prints the table to fill in",
            )
        )
    if arguments.bench is not None and arguments.propose is None:
        problems.append(
            Problem(
                message="needs to know how many states to set",
                where="--bench",
                hint="add --propose N",
            )
        )
    if (arguments.bench is None) != (arguments.save is None):
        problems.append(
            Problem(
                message="go together: what is measured at the bench is kept in a file",
                where="--bench, --save",
            )
        )
    if arguments.propose is not None and not 1 <= arguments.propose <= 1000:
        problems.append(
            Problem(message=f"{arguments.propose} is not from 1 to 1000", where="--propose")
        )
    if problems:
        raise InputError(problems)


def _date(text: str | None) -> str:
    from datetime import datetime

    from controller.clock import RealClock

    if text is None:
        return RealClock().utc().isoformat(timespec="seconds")
    try:
        datetime.fromisoformat(text)
    except ValueError:
        raise InputError.single(
            f"{text!r} is not a date", where="--date", hint="write 2026-03-31"
        ) from None
    return text


def _refuse_existing(path: Path | None) -> None:
    """Refuse a result file that exists before anything is measured for it."""
    if path is not None and path.exists():
        raise InputError.single(
            "this file exists already",
            where=str(path),
            hint="old calibrations show the drift: put the date into the name",
        )
