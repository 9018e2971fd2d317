"""`rungwise input timing`: how soon a module shows a change, and how often it renews its report.

Knows: what a plan and a module file are to say then.
Must not know: how the times are measured.
"""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Any

from controller.cli.look_arguments import add_look_arguments

if TYPE_CHECKING:
    from controller.cli.output import Output
    from controller.run.job import Job
    from controller.run.module_timing import ModuleTiming

__all__ = ["add_arguments", "run"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the verb's arguments."""
    add_look_arguments(parser)
    parser.epilog = (
        "It takes one to two minutes: big steps between two resistances, at times that fall on all"
        " phases of the module's own beat. The readings of the bench have to come by themselves."
    )


def run(arguments: argparse.Namespace, output: Output) -> int:
    """Step, watch, say what a plan needs."""
    from controller.cli.input_argument import named_bench
    from controller.cli.watch_input import carry_out
    from controller.documents import collecting_files
    from controller.module.files import load_module
    from controller.session.looks import timing_module

    with collecting_files() as files:
        bench = named_bench(arguments.bench, arguments)
        module = bench.module if arguments.module is None else load_module(arguments.module)
    job, status = carry_out(
        lambda record: timing_module(bench, module=module, record=record, files=files),
        output,
        record_path=arguments.record,
        yes=arguments.yes,
        fields=_fields,
    )
    timing = _timing(job)
    if timing is not None:
        refresh = timing.refresh_s or 0.0
        output.say(f"In the module file, [report]: refresh_s = {refresh:.2f}")
        output.say(
            f"In a plan, [settle]: for_s of {_for_s(timing):.2g} or more, at_most_s of"
            f" {_at_most_s(timing):.2g} or more"
        )
    return status


def _timing(job: Job) -> ModuleTiming | None:
    from controller.run.module_timing import TimingRun

    assert isinstance(job, TimingRun)  # noqa: S101 - what `timing_module` makes
    return job.timing


def _for_s(timing: ModuleTiming) -> float:
    """Return how long readings have to agree: one renewal, and three readings."""
    return max(timing.refresh_s or 0.0, 2 * timing.interval_s)


def _at_most_s(timing: ModuleTiming) -> float:
    """Return how long settling may take: a step complete, the agreeing, and half as much again."""
    return 1.5 * (timing.complete_s + _for_s(timing))


def _fields(job: Job) -> dict[str, Any]:
    timing = _timing(job)
    if timing is None:
        return {"refresh_s": None, "complete_s": None, "interval_s": None}
    return {
        "refresh_s": timing.refresh_s,
        "complete_s": timing.complete_s,
        "interval_s": timing.interval_s,
        "plan_for_s": _for_s(timing),
        "plan_at_most_s": _at_most_s(timing),
    }
