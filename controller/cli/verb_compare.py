"""`rungwise compare`: records of one module side by side."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from controller.errors import ExitCode, InputError

if TYPE_CHECKING:
    from controller.cli.output import Output
    from controller.diagnosis.side_by_side import Comparison, Hysteresis, Run, Trend
    from controller.records.reader import Record

__all__ = ["add_arguments", "run"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the verb's arguments."""
    parser.add_argument(
        "records",
        metavar="RECORD",
        nargs="+",
        type=Path,
        help="one record: warming against cooling within it; several: each against the first;"
        " three or more: also the trend from run to run",
    )
    parser.add_argument(
        "--within",
        metavar="KELVIN",
        default="1",
        help="steps this near to each other, in degC, belong together (default: 1)",
    )
    parser.epilog = (
        "exit status: 0 when chance explains all differences, 1 when it does not, 4 when a single"
        " record reaches no temperature both ways"
    )


def run(arguments: argparse.Namespace, output: Output) -> int:
    """Print the comparison that the records call for."""
    from controller.cli.gather import gathered
    from controller.cli.numbers import above_zero
    from controller.diagnosis.side_by_side import run_of
    from controller.records.decode import plan_of, results_of
    from controller.records.reader import load_record

    within = above_zero(arguments.within, what="--within")
    _refuse_repeated(arguments.records)
    records = gathered(load_record, arguments.records)
    _refuse_other_sensors(records)
    runs = gathered(lambda record: run_of(str(record.path), results_of(record)), records)
    plans = dict.fromkeys(plan_of(record).name for record in records)
    if len(plans) > 1:
        output.warn(f"Note: these records are of different plans: {', '.join(plans)}.")
    if len(runs) == 1:
        return _up_and_down(output, runs[0], within)
    begun = [datetime.fromisoformat(str(record.opening["utc"])) for record in records]
    return _side_by_side(output, runs, begun, within)


def _refuse_repeated(paths: Sequence[Path]) -> None:
    if len(set(paths)) < len(paths):
        raise InputError.single(
            "a record compared with itself says nothing",
            where="RECORD",
            hint="name two different records, or one alone to compare its warming and cooling",
        )


def _refuse_other_sensors(records: Sequence[Record]) -> None:
    """Raise InputError where records were made with different sensors' curves.

    Their errors are in degC of different scales: that these agree would say nothing.
    """
    from controller.errors import Problem
    from controller.records.inputs import inputs_of
    from controller.sensors.alike import same_curve

    known = [
        (record, inputs_of(record).plan.sensor)
        for record in records
        if record.opening.get("plan_file") is not None
    ]
    problems = [
        Problem(
            message=f"was made with another sensor, {sensor.name!r}, than {known[0][0].path}"
            f" ({known[0][1].name!r})",
            where=str(record.path),
            hint="compare records of one sensor",
        )
        for record, sensor in known[1:]
        if not same_curve(known[0][1].curve, sensor.curve)
    ]
    if problems:
        raise InputError(problems)


def _up_and_down(output: Output, one: Run, within: float) -> int:
    from controller.diagnosis.side_by_side import hysteresis

    found = hysteresis(one, within_celsius=within)
    if found is None:
        sentence = "No temperature was reached both ways: there is no up and down to compare."
        output.document({"hysteresis": None, "verdict": "undecided", "sentence": sentence})
        output.say_verdict("undecided", sentence)
        return ExitCode.UNDECIDED
    unit = output.degrees
    mean = output.difference(found.mean_celsius, sign=True)
    spread = output.difference(found.mean_uncertainty_celsius)
    largest = output.difference(found.largest_celsius, sign=True)
    if found.present:
        sentence = (
            f"Warming and cooling differ by more than chance: {mean} {unit} on average (U {spread})"
            f", at most {largest}. The module is slow, or was not given time to settle."
        )
    else:
        sentence = (
            f"Warming and cooling agree: {mean} {unit} on average (U {spread}),"
            f" at most {largest}; chance explains it."
        )
    verdict = "fail" if found.present else "pass"
    output.document(
        {"hysteresis": _hysteresis_fields(found), "verdict": verdict, "sentence": sentence}
    )
    output.say(f"{one.name}: error while warming less error while cooling")
    output.say_table(
        [unit, "difference", "U (k=2)"],
        [
            [
                output.temperature(point.achieved_celsius),
                output.difference(point.difference_celsius, sign=True),
                output.difference(point.uncertainty_celsius),
            ]
            for point in found.points
        ],
    )
    output.say_verdict(verdict, sentence)
    return ExitCode.FAIL if found.present else ExitCode.PASS


def _side_by_side(
    output: Output, runs: Sequence[Run], begun: Sequence[datetime], within: float
) -> int:
    from controller.cli.gather import gathered
    from controller.diagnosis.side_by_side import compare, trend_of_runs

    first, others = runs[0], runs[1:]
    comparisons = gathered(lambda one: compare(first, one, within_celsius=within), others)
    line, per, why_not = trend_of_runs(runs, comparisons, begun)
    alike = all(one.alike for one in comparisons) and not (line and line.significant)
    sentences = [_comparison_words(output, one) for one in comparisons]
    if line is not None:
        sentences.append(_trend_words(output, line, per))
    elif why_not:
        sentences.append(why_not)
    output.document(
        {
            "reference": first.name,
            "comparisons": [_comparison_fields(one) for one in comparisons],
            "trend": None if line is None else _trend_fields(line, per),
            "verdict": "pass" if alike else "fail",
            "sentence": " ".join(sentences),
        }
    )
    for one in comparisons:
        _say_steps(output, one)
    output.say_verdict("pass" if alike else "fail", " ".join(sentences))
    return ExitCode.PASS if alike else ExitCode.FAIL


def _comparison_words(output: Output, one: Comparison) -> str:
    mean = output.difference(one.mean_celsius, sign=True)
    spread = output.difference(one.mean_uncertainty_celsius)
    if one.alike:
        return (
            f"{one.name} agrees with {one.reference}:"
            f" {mean} {output.degrees} on average (U {spread}); chance explains it."
        )
    worst = max(one.steps, key=lambda step: abs(step.difference_celsius))
    beyond = sum(step.significant for step in one.steps)
    return (
        f"{one.name} differs from {one.reference} at {beyond} of {len(one.steps)} steps:"
        f" {mean} {output.degrees} on average (U {spread}), most at"
        f" {output.temperature(worst.achieved_celsius, 1)}:"
        f" {output.difference(worst.difference_celsius, sign=True)}."
    )


def _trend_words(output: Output, line: Trend, per: str) -> str:
    slope = output.difference(line.slope, 4, sign=True)
    spread = output.difference(line.uncertainty, 4)
    told = f"{slope} {output.degrees} a {per} (U {spread})"
    if line.significant:
        return f"The mean error changes from run to run: {told}."
    return f"No trend of the mean error can be seen: {told}."


def _say_steps(output: Output, one: Comparison) -> None:
    unit = output.degrees
    output.say(f"{one.name} less {one.reference}")
    output.say_table(
        [unit, "way", "difference", "U (k=2)", ""],
        [
            [
                output.temperature(step.achieved_celsius),
                "up" if step.warming else "down",
                output.difference(step.difference_celsius, sign=True),
                output.difference(step.uncertainty_celsius),
                "differs" if step.significant else "",
            ]
            for step in one.steps
        ],
    )
    if one.unmatched:
        output.say(f"{one.unmatched} steps have no partner in {one.reference}.")


def _comparison_fields(one: Comparison) -> dict[str, Any]:
    return {
        "record": one.name,
        "mean_celsius": one.mean_celsius,
        "mean_uncertainty_celsius": one.mean_uncertainty_celsius,
        "probability": one.probability,
        "alike": one.alike,
        "unmatched": one.unmatched,
        "steps": [
            {
                "achieved_celsius": step.achieved_celsius,
                "warming": step.warming,
                "difference_celsius": step.difference_celsius,
                "uncertainty_celsius": step.uncertainty_celsius,
                "significant": step.significant,
            }
            for step in one.steps
        ],
    }


def _hysteresis_fields(found: Hysteresis) -> dict[str, Any]:
    return {
        "mean_celsius": found.mean_celsius,
        "mean_uncertainty_celsius": found.mean_uncertainty_celsius,
        "largest_celsius": found.largest_celsius,
        "probability": found.probability,
        "present": found.present,
        "points": [
            {
                "achieved_celsius": point.achieved_celsius,
                "difference_celsius": point.difference_celsius,
                "uncertainty_celsius": point.uncertainty_celsius,
            }
            for point in found.points
        ],
    }


def _trend_fields(line: Trend, per: str) -> dict[str, Any]:
    return {
        "slope_celsius": line.slope,
        "per": per,
        "uncertainty_celsius": line.uncertainty,
        "scatter": line.scatter,
        "probability": line.probability,
        "significant": line.significant,
    }
