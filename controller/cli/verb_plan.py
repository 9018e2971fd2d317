"""`rungwise plan`: what would be set, step by step."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from controller.errors import ExitCode, InputError

if TYPE_CHECKING:
    from controller.cli.output import Output
    from controller.planning.model import ResolvedPlan
    from controller.records.inputs import Inputs

__all__ = ["add_arguments", "run"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the verb's arguments."""
    parser.add_argument("plans", metavar="PLAN", nargs="+", type=Path, help="plan file")
    parser.add_argument(
        "--bench",
        metavar="BENCH",
        type=Path,
        help="bench file (default: the plan's, or a simulated one)",
    )
    parser.add_argument(
        "--paths", action="store_true", help="show the order of relay changes of each step"
    )
    parser.add_argument(
        "--budget",
        action="store_true",
        help="show what the uncertainty of each step is made of, in degC",
    )
    parser.add_argument(
        "--readings",
        choices=("later",),
        help="for a run whose readings come from a log: how long it takes, and whether the log"
        " could be laid against it",
    )
    parser.add_argument(
        "--svg",
        metavar="FILE",
        type=Path,
        help="draw what the module sees of one step, switched by path and all at once",
    )
    parser.add_argument(
        "--step",
        metavar="N",
        type=int,
        help="the step to draw, as numbered in the table (default: the one that strays most)",
    )


def run(arguments: argparse.Namespace, output: Output) -> int:
    """Print each resolved plan; draw a step of one where that is asked for."""
    from controller.cli.several import for_each

    if arguments.svg is not None and len(arguments.plans) > 1:
        raise InputError.single("one picture shows one plan", where="--svg", hint="name one plan")
    return for_each(arguments.plans, lambda path: _show(path, arguments, output), output)


def _show(path: Path, arguments: argparse.Namespace, output: Output) -> int:
    from controller.cli.printer import say_budget, say_paths, say_plan
    from controller.measurement.verdict import most_false_accept_risk
    from controller.planning.aligning import aligning_warnings, lasts_s
    from controller.planning.operations import plan_operations
    from controller.records.encode import plan_fields
    from controller.session.prepared import prepare

    if arguments.step is not None and arguments.svg is None:
        raise InputError.single(
            "says which step to draw, but not into which file", where="--step", hint="add --svg"
        )
    later = arguments.readings == "later"
    prepared = prepare(path, arguments.bench, later=later)
    inputs, resolved, worn = prepared.inputs, prepared.resolved, prepared.warnings
    operations = plan_operations(resolved, inputs.bench.ladder.relay_count)
    after_filter = _after_filter(inputs, resolved)
    unaligned = aligning_warnings(resolved) if later else ()
    for warning in (*resolved.warnings, *worn, *after_filter, *unaligned):
        output.warn(f"Note: {warning}")
    if arguments.svg is not None:
        _draw(arguments.svg, _step_to_draw(resolved, arguments.step), inputs, resolved)
    output.document(
        {
            "bench": inputs.bench.name,
            **plan_fields(resolved),
            "operations_per_relay": operations,
            "wear_warnings": list(worn),
            "filter_warnings": after_filter,
            **({"log_warnings": list(unaligned), "lasts_s": lasts_s(resolved)} if later else {}),
            "false_accept_risk_at_limit": most_false_accept_risk(resolved.decision_rule),
        }
    )
    say_plan(output, resolved, operations)
    if later:
        output.say(f"With its readings from a log the run takes {lasts_s(resolved):.0f} s.")
    if arguments.paths:
        say_paths(output, resolved)
    if arguments.budget:
        say_budget(output, resolved)
    if arguments.svg is not None:
        output.say(f"Picture: {arguments.svg}")
    return ExitCode.PASS


def _after_filter(inputs: Inputs, resolved: ResolvedPlan) -> list[str]:
    """Say where switching by path disturbs the module more than all at once would."""
    from controller.planning.after_filter import after_filter_note
    from controller.planning.resolve import make_router

    module = inputs.module
    if module is None or inputs.plan.ramp_limit_celsius_per_s is not None:
        return []
    router = make_router(inputs.bench.ladder, inputs.plan.sensor.curve, inputs.bench.switching)
    if router.together:
        return []
    note = after_filter_note(
        resolved,
        inputs.bench.ladder,
        module,
        router.celsius,
        asked_for=inputs.plan.quiet_after_filter,
    )
    return [] if note is None else [note]


def _step_to_draw(plan: ResolvedPlan, asked: int | None) -> int:
    """Return the index of the step asked for, or of the one that strays furthest."""
    moving = [step for step in plan.steps if step.path]
    if asked is None:
        if not moving:
            raise InputError.single("no relay moves in this plan", where="--svg")
        return max(moving, key=lambda step: step.excursion_celsius or 0.0).index
    if not 1 <= asked <= len(plan.steps):
        raise InputError.single(
            f"there is no step {asked}", where="--step", hint=f"1 to {len(plan.steps)}"
        )
    if not plan.steps[asked - 1].path:
        raise InputError.single(f"no relay moves for step {asked}", where="--step")
    return asked - 1


def _draw(path: Path, index: int, inputs: Inputs, resolved: ResolvedPlan) -> None:
    from controller.cli.picture import switching_picture
    from controller.planning.resolve import make_router
    from controller.planning.transition import transition

    module = inputs.module
    if module is None:
        raise InputError.single(
            "the picture needs to know the module's input",
            where="--svg",
            hint='name it in the plan: module = "modules/..."',
        )
    step = resolved.steps[index]
    start = resolved.steps[index - 1].state if index else resolved.park_state
    bench = inputs.bench
    router = make_router(bench.ladder, inputs.plan.sensor.curve, step_ms=bench.step_ms)
    by_path = step.path
    if inputs.plan.ramp_limit_celsius_per_s is not None or len(by_path) == 1:
        by_path = router.path(start, step.state)
    change = transition(inputs.bench.ladder, module, start, by_path, router.celsius)
    heading = f"{inputs.plan.name}, step {index + 1}"
    try:
        path.write_text(switching_picture(change, module, heading=heading), encoding="utf-8")
    except OSError as error:
        raise InputError.single(f"cannot be written: {error.strerror}", where=str(path)) from None
