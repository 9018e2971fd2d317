"""A record, judged again and run again on the simulated bench.

Three things are held against the record: its own readings, judged again by its plan's rule; the
plan, resolved again from the files the record keeps; and what the simulated bench reports when
that plan is run on it in virtual time. Where another generation of the planner made the plan, its
states and paths are taken from the record, and all that follows from them is worked out again.
Where an earlier edition of the uncertainty budget did, so are its uncertainties: a record is judged
by what it was judged with. Where neither plan nor bench names a module there is none to simulate:
then the readings are judged again and the plan is resolved again, and that is all.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import closing
from dataclasses import dataclass, replace

from controller.bench.model import BenchFile, LinkKind, ReadbackKind
from controller.bench.wiring import open_bench
from controller.clock import VirtualClock
from controller.errors import InputError, RungwiseError
from controller.measurement.budget import EDITION
from controller.measurement.model import Verdict
from controller.planning.model import PLANNER, ResolvedPlan
from controller.planning.plan import Plan
from controller.planning.resolve import resolve_on
from controller.planning.search import Watch
from controller.readback.called import ReadbackFunction
from controller.records.awaited import from_log_again, waits
from controller.records.codec import was_interrupted
from controller.records.compare import (
    EXACT,
    Difference,
    Tolerances,
    compare_plans,
    compare_results,
    rejudge,
    verdict_of,
)
from controller.records.courses import compare_search, compare_times, judge_search, looks_in
from controller.records.decode import ending_of, plan_of, results_of
from controller.records.inputs import Inputs, inputs_of
from controller.records.jobs import PlanJob, job_of
from controller.records.reader import Record
from controller.run.called import called_readback
from controller.run.events import FaultRaised, StepFinished
from controller.run.job import run_events
from controller.run.model import Ending, StepResult
from controller.run.profile import ProfileRun
from controller.run.seek import SeekRun

__all__ = ["Replay", "ReplayError", "replay", "simulated_bench", "tolerances_for"]


class ReplayError(RungwiseError):
    """The simulated bench did not get through the plan."""


@dataclass(frozen=True, kw_only=True)
class Replay:
    """What came of a replay.

    `recorded` and `replayed` are the results of either run, `verdict` that of the recorded
    readings judged again. `ran` is False where nothing could be run again for want of a module;
    then `replayed` is empty. `why` says in a sentence where `tolerances` come from; `simulated_s`
    is how long the run on the simulated bench took in its own time. `looks` counts those of a
    recorded search; None for other runs.
    """

    plan: ResolvedPlan
    recorded: tuple[StepResult, ...]
    replayed: tuple[StepResult, ...]
    verdict: Verdict
    differences: tuple[Difference, ...]
    tolerances: Tolerances
    why: str
    simulated_s: float
    ran: bool = True
    looks: int | None = None


def replay(
    record: Record,
    *,
    called: ReadbackFunction | None = None,
    told: Callable[[int], None] = lambda _steps: None,
) -> Replay:
    """Judge and run a record again; `called` gives the readings in place of the simulated module.

    `told` is called before the run and after each of its steps with how many are done. Raises
    InputError when its files cannot be used, ReplayError when the simulated run fails, and whatever
    `called` and `told` raise.
    """
    if waits(record):
        raise InputError.single(
            "this record waits for its readings; nothing of it can be judged",
            where=str(record.path),
            hint="rungwise readings RECORD LOG.csv makes the record to replay",
        )
    plan, recorded = plan_of(record), results_of(record)
    inputs = inputs_of(record)
    bench = simulated_bench(inputs)
    same_budget = record.opening.get("uncertainty_budget", 1) == EDITION
    kept = None if same_budget and plan.planner == PLANNER else plan
    # What counted as settled is part of what was recorded.
    resolved = _as_judged(plan, resolve_on(inputs.plan, bench, kept=kept), same_budget=same_budget)
    tolerances, why = tolerances_for(record, plan, called=called is not None)
    missing = "" if called is not None else _nothing_to_run(inputs.plan, bench)
    ran = not missing
    again: PlanJob | None = None
    simulated_s = 0.0
    if ran:
        again, simulated_s = _run(inputs, resolved, bench, called, told)
    else:
        why = missing
    replayed = () if again is None or isinstance(again, SeekRun) else again.results
    if not same_budget:
        why += "; states, paths and uncertainties are those of an earlier version"
    elif kept is not None:
        why += "; planned by an earlier version, its states and paths are taken as they are"
    differences = [
        *_compare_log(record, recorded),
        *rejudge(plan, recorded),
        *compare_plans(plan, resolved, tolerances),
        *(compare_results(recorded, replayed, tolerances) if ran else ()),
    ]
    closing_line = record.closing
    ended = ending_of(record)
    verdict = verdict_of(plan, recorded, ended)
    if inputs.plan.search is not None:
        verdict, found = judge_search(record, plan, inputs)
        differences += found
    match again:
        case ProfileRun():
            differences += compare_times(record, again, tolerances)
        case SeekRun():
            differences += compare_search(record, again, tolerances)
    # Records of earlier versions let a run pass that broke off after its last step.
    allowed = {verdict, verdict_of(plan, recorded)} if ended is not Ending.COMPLETE else {verdict}
    if closing_line is not None and Verdict(closing_line["verdict"]) not in allowed:
        differences.append(
            Difference(
                step=None,
                field="verdict",
                recorded=closing_line["verdict"],
                replayed=verdict.value,
            )
        )
    return Replay(
        plan=plan,
        recorded=recorded,
        replayed=replayed,
        verdict=verdict,
        differences=tuple(differences),
        tolerances=tolerances,
        why=why,
        simulated_s=simulated_s,
        ran=ran,
        looks=None if inputs.plan.search is None else looks_in(record),
    )


def _nothing_to_run(plan: Plan, bench: BenchFile) -> str:
    """Say why nothing can be run again on the simulated bench; empty where it can."""
    modules = [bench.module, *(() if bench.second is None else (bench.second.module,))]
    if None in modules:
        return "neither plan nor bench names a module: there is none to simulate"
    watches_fan = plan.search is not None and plan.search.watch is Watch.FAN
    if watches_fan and bench.module is not None and bench.module.fan is None:
        return "the module to simulate has no [fan]: only the one at the bench switched it"
    return ""


def _compare_log(record: Record, recorded: Sequence[StepResult]) -> list[Difference]:
    """Lay the log that a record keeps against its times again, where it has one."""
    made = from_log_again(record)
    if made is None:
        return []
    return compare_results(recorded, made.results, EXACT)


def _as_judged(
    recorded: ResolvedPlan, resolved: ResolvedPlan, *, same_budget: bool
) -> ResolvedPlan:
    """Return the plan worked out again with the rules that the record was judged by."""
    again = replace(resolved, settle=recorded.settle, looks_first=recorded.looks_first)
    if not same_budget:
        again = _with_uncertainties_of(recorded, again)
    if recorded.second is not None and resolved.second is not None:
        second = _as_judged(recorded.second, resolved.second, same_budget=same_budget)
        again = replace(again, second=second)
    return again


def _with_uncertainties_of(recorded: ResolvedPlan, resolved: ResolvedPlan) -> ResolvedPlan:
    """Return the plan worked out again with the uncertainties that the record was judged with."""
    steps = tuple(
        replace(now, uncertainty_celsius=was.uncertainty_celsius, budget=was.budget)
        for was, now in zip(recorded.steps, resolved.steps, strict=True)
    )
    return replace(resolved, steps=steps)


def simulated_bench(inputs: Inputs) -> BenchFile:
    """Return the bench with link and readback simulated; the ladder and any faults stay."""
    bench, second = inputs.bench, None
    if bench.second is not None and inputs.plan.second is not None:
        second = _simulated(bench.second, inputs.plan.second)
    return replace(_simulated(bench, inputs.plan), second=second)


def _simulated(bench: BenchFile, plan: Plan) -> BenchFile:
    return replace(
        bench,
        link=LinkKind.SIMULATED,
        readback=ReadbackKind.SIMULATED,
        url=None,
        module=bench.module or plan.module,
    )


def tolerances_for(
    record: Record, plan: ResolvedPlan, *, called: bool = False
) -> tuple[Tolerances, str]:
    """Return how closely a record has to be met, and why; `called`: by a program's function."""
    was_called = (record.opening.get("bench") or {}).get("readback") == ReadbackKind.CALLED.value
    if not (was_called if called else record.opening["simulated"]):
        if called:
            source = "replayed with a program's function"
        elif "log" in record.opening:
            source = "read from a log, which was laid against the run again"
        else:
            source = "recorded from a program's function" if was_called else "real equipment"
        return (
            Tolerances(
                reported_celsius=None,
                timing_s=None,
                codes=not (called or was_called),
                old_codes=False,
            ),
            f"{source}: readings within each step's tolerance and uncertainty",
        )
    if record.opening["pace"] == "fast":
        if any(was_interrupted(line) for line in record.lines):
            # An interruption takes time of its own; what each step settles to is the same.
            interrupted = Tolerances(timing_s=None)
            return interrupted, "simulated in virtual time, with interruptions: equal readings"
        return EXACT, "simulated in virtual time: equal, but for floating point"
    return (
        Tolerances(reported_celsius=plan.settle.within_celsius, timing_s=None),
        "simulated in real time: readings within the settle rule's band",
    )


def _run(
    inputs: Inputs,
    plan: ResolvedPlan,
    bench_file: BenchFile,
    called: ReadbackFunction | None,
    told: Callable[[int], None],
) -> tuple[PlanJob, float]:
    clock = VirtualClock()
    readback = None if called is None else called_readback(called, plan, bench_file, clock)
    with closing(open_bench(bench_file, clock, readback=readback)) as bench:
        run = job_of(inputs, plan, bench, clock)
        done = 0
        told(done)
        for event in run_events(run):
            if isinstance(event, StepFinished):
                done += 1
                told(done)
            if isinstance(event, FaultRaised):
                if readback is not None and readback.failure is not None:
                    raise readback.failure
                raise ReplayError(
                    f"the simulated run failed: {event.message}; {event.relays.value}"
                )
        return run, clock.now_s()
