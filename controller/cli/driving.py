"""Carrying out a plan from the command line: what comes before, during and after the run.

Knows: the order in which a run is prepared, watched and closed, and what its end means.
Must not know: how states are found, how a run proceeds, how a record looks.

Nothing is driven before files, plan, pace, record and, for real equipment, the cautions are all in
order. Every way out closes the bench, which parks it.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Generator
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

from controller.bench.files import BenchFile, ReadbackKind
from controller.bench.opened import Bench
from controller.bench.wear import bench_wear_warnings, wear_file
from controller.cautions import short_circuit_sentence
from controller.cli.confirm import confirm_cautions
from controller.cli.printer import ProgressPrinter, say_results
from controller.cli.signals import stopping_by
from controller.clock import Clock
from controller.errors import ExitCode, InputError
from controller.measurement.model import Verdict
from controller.planning.model import ResolvedPlan, StepKind
from controller.readback.lines import StdinLines
from controller.readback.typed import TypedReadback
from controller.records.encode import plan_summary_fields, result_fields
from controller.records.inputs import Inputs, load_inputs
from controller.records.running import (
    begin_record,
    chosen_pace,
    clock_of,
    new_record,
    opening_of,
    with_earlier,
)
from controller.records.writer import RecordError, RecordWriter
from controller.run.events import Event, NoteMade, RunFinished, RunStarted
from controller.run.model import RunSummary, StepResult
from controller.run.sweep import SweepRun, run_events

if TYPE_CHECKING:
    from controller.cli.output import Output

__all__ = ["carry_out", "exit_code"]


def carry_out(arguments: argparse.Namespace, output: Output, *, verb: str) -> int:
    """Run the plan that the arguments name; return the exit status."""
    from controller.planning.resolve import resolve_on

    if arguments.resume and arguments.record is None:
        raise InputError.single(
            "names no record to go on with", where="--resume", hint="add --record FILE"
        )
    inputs = load_inputs(arguments.plan, arguments.bench)
    _check_kind(inputs, verb)
    pace = chosen_pace(arguments.pace, inputs.bench)
    resolved = resolve_on(inputs.plan, inputs.bench)
    opening = opening_of(inputs, resolved, verb=verb, pace=pace)
    for warning in resolved.warnings:
        output.warn(f"Note: {warning}")
    if inputs.bench.drives_hardware:
        confirm_cautions(
            output,
            amperes=resolved.short_circuit_amperes,
            watts=resolved.most_watts,
            yes=arguments.yes,
        )
    elif verb == "check" or any(step.kind is StepKind.SHORT for step in resolved.steps):
        output.warn(short_circuit_sentence(resolved.short_circuit_amperes, resolved.most_watts))
    clock = clock_of(pace)
    path = arguments.record or new_record(Path("runs"), arguments.plan.stem)
    begun = begin_record(
        path,
        opening,
        inputs=inputs,
        plan=resolved,
        clock=clock,
        durable=pace == "real",
        resume=arguments.resume,
    )
    resolved = begun.plan
    with closing(begun.writer):
        results, summary = _run(inputs.bench, resolved, clock, begun.writer, output, begun.earlier)
    _say_end(output, resolved, results, summary, path)
    return exit_code(summary)


def exit_code(summary: RunSummary) -> ExitCode:
    """Return what the end of a run says with the exit status."""
    if summary.ended == "fault":
        return ExitCode.LINK_FAULT
    if summary.ended == "stopped":
        return ExitCode.INTERRUPTED
    return {
        Verdict.PASS: ExitCode.PASS,
        Verdict.FAIL: ExitCode.FAIL,
        Verdict.UNDECIDED: ExitCode.UNDECIDED,
    }[summary.verdict]


def _check_kind(inputs: Inputs, verb: str) -> None:
    kind = inputs.plan.kind.value
    if kind != verb:
        raise InputError.single(
            f"this plan is a {kind}, not a {verb}",
            where=str(inputs.plan.path),
            key="kind",
            hint=f"run it with: rungwise {kind}",
        )


def _run(
    bench_file: BenchFile,
    resolved: ResolvedPlan,
    clock: Clock,
    writer: RecordWriter,
    output: Output,
    earlier: tuple[StepResult, ...],
) -> tuple[tuple[StepResult, ...], RunSummary]:
    """Drive the bench; hand every event to the record and to the person."""
    from controller.bench.wiring import open_bench

    asking = bench_file.readback is ReadbackKind.TYPED
    printer = ProgressPrinter(output, asking=asking)
    wear_path = wear_file(os.environ)
    worn = bench_wear_warnings(bench_file, wear_path)
    for sentence in worn:
        output.warn(f"Note: {sentence}")
    bench = open_bench(bench_file, clock, write=output.warn, wear_path=wear_path)
    if asking and not sys.stdin.isatty():
        bench = _answered_by_script(bench, bench_file, clock, output)
    with closing(bench):
        run = SweepRun(resolved, bench, clock)
        summary: RunSummary | None = None
        try:
            events = cast("Generator[Event, None, None]", run_events(run))
            with stopping_by(run.stop), closing(events):
                for event in events:
                    if isinstance(event, RunFinished):
                        event = with_earlier(event, resolved, earlier, run.results)
                        summary = event.summary
                    writer.take(event)
                    printer.take(event)
                    if isinstance(event, RunStarted):
                        for sentence in worn:
                            writer.take(NoteMade(at_s=event.at_s, text=sentence))
        except RecordError as error:
            raise RecordError(f"{error}; {bench.link.relays.value}") from None
        finally:
            printer.end()
    assert summary is not None  # noqa: S101 - a run ends with RunFinished
    return (*earlier, *run.results), summary


def _answered_by_script(bench: Bench, bench_file: BenchFile, clock: Clock, output: Output) -> Bench:
    """Return the bench with readings from a pipe or a file: there each line is an answer.

    On a terminal a line typed before its prompt is dropped, because it belongs to another step; a
    script writes all of its answers at once.
    """
    readback = TypedReadback(
        StdinLines(), output.warn, clock, bench_file.typed_unit, keep_early=True
    )
    return replace(bench, readback=readback)


def _say_end(
    output: Output,
    resolved: ResolvedPlan,
    results: tuple[StepResult, ...],
    summary: RunSummary,
    path: Path,
) -> None:
    fields: dict[str, Any] = {
        "verdict": summary.verdict.value,
        "ended": summary.ended,
        "relays": summary.relays,
        "sentence": summary.sentence,
        "plan": plan_summary_fields(resolved),
        "steps": [result_fields(result, resolved.state_digits) for result in results],
        "record": str(path),
    }
    output.document(fields)
    say_results(output, resolved, results)
    output.say(f"Record: {path}")
    output.say_verdict(summary.verdict.value, summary.sentence)
