"""`rungwise sensor check`: the verdict on a sensor by itself.

Knows: how bath results become verdicts and sentences.
Must not know: bath temperatures, curves, decision rules.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from controller.errors import ExitCode, InputError

if TYPE_CHECKING:
    from controller.cli.output import Output
    from controller.measurement.model import DecisionRule, Verdict
    from controller.sensors.bath import BathResult
    from controller.sensors.curve import Sensor

__all__ = ["add_arguments", "run"]

_RULES = ("simple", "guarded", "guarded-95")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the verb's arguments."""
    parser.add_argument(
        "sensor", metavar="SENSOR", type=Path, help="sensor file: what it should be"
    )
    parser.add_argument(
        "bath",
        metavar="BATH_FILE",
        type=Path,
        help="what it measured in ice, in boiling water, or beside a reference thermometer",
    )
    parser.add_argument(
        "--tolerance", metavar="KELVIN", help="tolerance in degC (default: the sensor file's)"
    )
    parser.add_argument(
        "--rule",
        choices=_RULES,
        default="guarded",
        help="decision rule (default: guarded, pass only what is inside by the whole uncertainty)",
    )
    parser.epilog = "exit status: 0 pass, 1 fail, 4 undecided"


def run(arguments: argparse.Namespace, output: Output) -> int:
    """Judge each bath point."""
    from controller.cli.numbers import above_zero
    from controller.measurement.budget import LEAST_RATIO, uncertainty_ratio
    from controller.measurement.model import DecisionRule
    from controller.measurement.verdict import (
        false_accept_risk,
        most_false_accept_risk,
        worst_verdict,
    )
    from controller.sensors.bath import compare_in_bath
    from controller.sensors.bath_file import load_bath
    from controller.sensors.files import load_sensor

    asked = arguments.tolerance
    given = None if asked is None else above_zero(asked, what="--tolerance")
    sensor = load_sensor(arguments.sensor)
    points = load_bath(arguments.bath)
    tolerances = [
        _tolerance(sensor, point.celsius, arguments.sensor) if given is None else given
        for point in points
    ]
    rule = DecisionRule(arguments.rule)
    results = compare_in_bath(sensor.curve, points)
    verdicts = [
        _verdict(one, tolerance, rule) for one, tolerance in zip(results, tolerances, strict=True)
    ]
    whole = worst_verdict(verdicts)
    sentence = _sentence(sensor, results, verdicts)
    for warning in sensor.warnings:
        output.warn(f"Note: {warning}")
    for caution in dict.fromkeys(point.caution for point in points if point.caution):
        output.warn(f"Note: {caution}")
    for one, tolerance in zip(results, tolerances, strict=True):
        ratio = uncertainty_ratio(tolerance, one.uncertainty_celsius)
        if ratio < LEAST_RATIO:
            name, share = max(one.budget, key=lambda part: part[1])
            output.warn(
                f"Note: {one.point.label}: the tolerance is only {ratio:.1f} times the uncertainty,"
                f" less than {LEAST_RATIO:g} to 1; the largest part is {name} ({share:.2g} degC)"
            )
    output.document(
        {
            "sensor": sensor.name,
            "verdict": whole.value,
            "decision_rule": rule.value,
            "false_accept_risk_at_limit": most_false_accept_risk(rule),
            "tolerance_celsius": tolerances[0] if len(set(tolerances)) == 1 else None,
            "points": [
                {
                    "label": one.point.label,
                    "bath_celsius": one.point.celsius,
                    "ohms": one.point.ohms,
                    "expected_ohms": one.expected_ohms,
                    "reads_celsius": one.reads_celsius,
                    "error_celsius": one.error_celsius,
                    "uncertainty_celsius": one.uncertainty_celsius,
                    "budget": [{"name": name, "celsius": u} for name, u in one.budget],
                    "beyond_span": one.beyond_span,
                    "tolerance_celsius": tolerance,
                    "false_accept_risk": false_accept_risk(
                        one.error_celsius,
                        tolerance_celsius=tolerance,
                        uncertainty_celsius=one.uncertainty_celsius,
                    ),
                    "verdict": verdict.value,
                }
                for one, verdict, tolerance in zip(results, verdicts, tolerances, strict=True)
            ],
            "sentence": sentence,
        }
    )
    _say_points(output, sensor, results, verdicts, tolerances, rule)
    output.say_verdict(whole.value, sentence)
    codes = {"pass": ExitCode.PASS, "fail": ExitCode.FAIL}
    return codes.get(whole.value, ExitCode.UNDECIDED)


def _tolerance(sensor: Sensor, celsius: float, path: Path) -> float:
    """Return the sensor's own tolerance at a temperature. Raises InputError where it has none."""
    tolerance = sensor.tolerance_at(celsius)
    if tolerance is not None:
        return tolerance
    by_class = sensor.tolerance_class
    raise InputError.single(
        "states no tolerance to judge by"
        if by_class is None
        else f"class {by_class.name} of IEC 60751 has no tolerance at {celsius:g} degC",
        where=str(path),
        key="tolerance_celsius" if by_class is None else "tolerance",
        hint="add --tolerance",
    )


def _verdict(one: BathResult, tolerance: float, rule: DecisionRule) -> Verdict:
    """Judge one point; a resistance that the curve does not reach never passes."""
    from controller.measurement.model import Verdict
    from controller.measurement.verdict import judge

    verdict = judge(
        one.error_celsius,
        tolerance_celsius=tolerance,
        uncertainty_celsius=one.uncertainty_celsius,
        rule=rule,
    )
    return Verdict.UNDECIDED if one.beyond_span and verdict is Verdict.PASS else verdict


def _say_points(
    output: Output,
    sensor: Sensor,
    results: tuple[BathResult, ...],
    verdicts: list[Verdict],
    tolerances: list[float],
    rule: DecisionRule,
) -> None:
    from controller.measurement.verdict import risk_words
    from controller.text import ohms

    unit = output.degrees
    output.say(f"{sensor.name}, by itself ({risk_words(rule)})")
    output.say_table(
        [
            "point",
            f"bath {unit}",
            "ohm",
            "should be",
            f"reads {unit}",
            "error",
            "U (k=2)",
            "tolerance",
            "verdict",
            "",
        ],
        [
            [
                one.point.label,
                output.temperature(one.point.celsius),
                ohms(one.point.ohms),
                ohms(one.expected_ohms),
                output.temperature(one.reads_celsius),
                output.difference(one.error_celsius, sign=True),
                output.difference(one.uncertainty_celsius),
                output.difference(tolerance),
                verdict.value,
                "beyond the curve's span" if one.beyond_span else "",
            ]
            for one, verdict, tolerance in zip(results, verdicts, tolerances, strict=True)
        ],
    )


def _sentence(sensor: Sensor, results: tuple[BathResult, ...], verdicts: list[Verdict]) -> str:
    from controller.measurement.model import Verdict

    points = f"{len(results)} point{'s' if len(results) > 1 else ''}"
    worst = max(results, key=lambda one: abs(one.error_celsius))
    size = f"{worst.error_celsius:+.2f} degC, uncertainty {worst.uncertainty_celsius:.2f}"
    failed = [one for one, v in zip(results, verdicts, strict=True) if v is Verdict.FAIL]
    if failed:
        way = ""
        if all(one.error_celsius > 0 for one in failed):
            way = ", it reads too hot"
        elif all(one.error_celsius < 0 for one in failed):
            way = ", it reads too cold"
        return (
            f"The sensor does not follow the curve of {sensor.name} at {len(failed)} of"
            f" {points}{way}; most at {worst.point.label} ({size})."
        )
    if Verdict.UNDECIDED in verdicts:
        return (
            f"{verdicts.count(Verdict.UNDECIDED)} of {points} undecided: too near the limit for"
            " this uncertainty, or beyond the curve's span."
        )
    return (
        f"The sensor follows the curve of {sensor.name} at {points};"
        f" largest error at {worst.point.label} ({size})."
    )
