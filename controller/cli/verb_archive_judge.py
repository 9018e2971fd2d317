"""`rungwise archive judge`: every run judged again after a tolerance, rule or chart has changed."""

from __future__ import annotations

import argparse
import math
from pathlib import Path
from typing import TYPE_CHECKING

from controller.cli.verb_archive_add import add_archive
from controller.errors import ExitCode, InputError

if TYPE_CHECKING:
    from controller.archive.judging import Change
    from controller.cli.output import Output

__all__ = ["add_arguments", "run"]

_RULES = ("simple", "guarded", "guarded-95")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the verb's arguments."""
    add_archive(parser)
    changed = parser.add_argument_group("what to judge by instead (the rest stays as recorded)")
    tolerance = changed.add_mutually_exclusive_group()
    tolerance.add_argument(
        "--tolerance", metavar="CELSIUS", type=float, help="one tolerance for every step"
    )
    tolerance.add_argument(
        "--plan",
        metavar="PLAN",
        type=Path,
        help="the tolerances and the decision rule of a plan file, for runs of plans of its name",
    )
    changed.add_argument("--rule", choices=_RULES, help="the decision rule")
    changed.add_argument(
        "--sensor",
        metavar="SENSOR",
        type=Path,
        help="a chart in place of the plan's, for runs whose chart has its name or --of-sensor",
    )
    changed.add_argument(
        "--of-sensor", metavar="NAME", help="the runs that the chart of --sensor replaces"
    )
    chosen = parser.add_argument_group("which runs (default: all that were judged)")
    for column in ("bench", "ladder", "module"):
        chosen.add_argument(f"--only-{column}", metavar="NAME", help=f"those of one {column}")


def run(arguments: argparse.Namespace, output: Output) -> int:
    """List the runs that would turn; nothing in the archive changes."""
    from controller.archive.judging import judge_again

    change = _change(arguments)
    outcome = judge_again(arguments.archive, change)
    if outcome.runs + outcome.left_out == 0:
        wanted = ", ".join(f"{column} {value!r}" for column, value in change.only) or "any kind"
        raise InputError.single(
            f"no run of {wanted} is in this archive",
            where=str(arguments.archive),
            hint='which there are: rungwise archive ask --sql "SELECT DISTINCT bench, ladder,'
            ' module, sensor, plan FROM runs"',
        )
    if outcome.turned:
        output.say_table(
            ("run", "begun", "bench", "module", "plan", "was", "would be", "steps"),
            [
                (
                    one.run_id,
                    one.started_utc,
                    one.bench or "-",
                    one.module or "-",
                    one.plan or "-",
                    one.before,
                    one.after,
                    str(one.steps),
                )
                for one in outcome.turned
            ],
        )
    output.say(f"{len(outcome.turned)} of {outcome.runs} runs ({outcome.steps} steps) would turn.")
    if outcome.left_out:
        output.say(
            f"{outcome.left_out} runs are left out: the files they keep cannot be read again, so"
            " the ladder's part of their uncertainty is not known in ohm."
        )
    output.document(
        {
            "runs": outcome.runs,
            "steps": outcome.steps,
            "left_out": outcome.left_out,
            "turned": [one._asdict() for one in outcome.turned],
        }
    )
    return ExitCode.PASS


def _change(arguments: argparse.Namespace) -> Change:
    from controller.archive.judging import Change
    from controller.measurement.model import DecisionRule
    from controller.planning.files import load_plan
    from controller.sensors.files import load_sensor

    if all(
        one is None
        for one in (arguments.tolerance, arguments.plan, arguments.rule, arguments.sensor)
    ):
        raise InputError.single(
            "nothing is given to judge by instead",
            hint="name --tolerance, --plan, --rule or --sensor",
        )
    if arguments.of_sensor is not None and arguments.sensor is None:
        raise InputError.single("is only for use with --sensor", where="--of-sensor")
    only = [
        (column, value)
        for column in ("bench", "ladder", "module")
        if (value := getattr(arguments, f"only_{column}")) is not None
    ]
    rule = None if arguments.rule is None else DecisionRule(arguments.rule)
    tolerance_at = sensor = None
    if arguments.tolerance is not None:
        width = arguments.tolerance
        if not (math.isfinite(width) and width > 0):
            raise InputError.single("must be a number above zero", where="--tolerance")
        tolerance_at = lambda _: width  # noqa: E731 - the simplest of bands
    if arguments.plan is not None:
        plan = load_plan(arguments.plan)
        tolerance_at, rule = plan.tolerance_at, rule or plan.decision_rule
        only.append(("plan", plan.name))
    if arguments.sensor is not None:
        sensor = load_sensor(arguments.sensor)
        only.append(("sensor", arguments.of_sensor or sensor.name))
    return Change(tolerance_at=tolerance_at, rule=rule, sensor=sensor, only=tuple(only))
