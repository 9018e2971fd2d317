"""What a run and its record need before the first event, whoever asks for it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from controller.bench.model import BenchFile, LinkKind, ReadbackKind
from controller.clock import Clock, RealClock, VirtualClock
from controller.errors import InputError
from controller.planning.model import ResolvedPlan
from controller.planning.search import Search
from controller.records.courses import known_of
from controller.records.decode import results_of, understood
from controller.records.encode import plan_fields
from controller.records.inputs import Inputs
from controller.records.opening import canonical_hash, opening_content
from controller.records.reader import load_record
from controller.records.writer import RecordWriter
from controller.run.bisection import Bisection
from controller.run.events import RunFinished
from controller.run.model import Ending, StepResult
from controller.run.seek import begun
from controller.run.summary import summarize

__all__ = [
    "Begun",
    "begin_record",
    "chosen_pace",
    "clock_of",
    "fully_simulated",
    "new_record",
    "opening_of",
    "takes_no_time",
    "with_earlier",
]


@dataclass(frozen=True, kw_only=True)
class Begun:
    """A record that is open for a run, the plan as far as it is still to do, and what was done.

    `writer` is None for a run that leaves no record. `known` is what a search that is gone on with
    had found.
    """

    writer: RecordWriter | None
    plan: ResolvedPlan
    earlier: tuple[StepResult, ...]
    known: Bisection | None = None


def fully_simulated(bench: BenchFile) -> bool:
    """Return whether all of a bench is simulated, so that a replay repeats it to the number."""
    return all(
        one.link is LinkKind.SIMULATED and one.readback is ReadbackKind.SIMULATED
        for one in bench.inputs
    )


def takes_no_time(bench: BenchFile) -> bool:
    """Return whether nothing of a bench takes real time."""
    timeless = (ReadbackKind.SIMULATED, ReadbackKind.CALLED, ReadbackKind.LATER)
    return all(one.link is LinkKind.SIMULATED and one.readback in timeless for one in bench.inputs)


def chosen_pace(asked: str | None, bench: BenchFile) -> str:
    """Return ``real`` or ``fast``; fast unless asked otherwise where nothing real is waited for.

    Raises InputError when virtual time is asked for and something on the bench is real.
    """
    if asked == "fast" and not takes_no_time(bench):
        raise InputError.single(
            "virtual time needs a bench whose link and readback are both simulated in memory",
            where="--pace",
            hint="leave --pace fast out",
        )
    return asked or ("fast" if takes_no_time(bench) else "real")


def clock_of(pace: str) -> Clock:
    """Return the clock for a pace."""
    return VirtualClock() if pace == "fast" else RealClock()


def new_record(runs: Path, stem: str) -> Path:
    """Return a name in the folder of runs that no file has yet."""
    stamp = RealClock().utc().strftime("%Y%m%dT%H%M%SZ")
    names = [f"{stem}-{stamp}{tail}.jsonl" for tail in ("", *(f"-{n}" for n in range(2, 100)))]
    return next(path for name in names if not (path := runs / name).exists())


def opening_of(inputs: Inputs, plan: ResolvedPlan, *, verb: str, pace: str) -> dict[str, Any]:
    """Return what the record of a run of these files opens with."""
    return opening_content(
        verb=verb,
        plan=plan,
        bench=replace(inputs.bench, path=None),
        files=inputs.files,
        plan_file=inputs.plan.path,
        bench_file=inputs.bench.path,
        simulated=fully_simulated(inputs.bench),
        pace=pace,
    )


def begin_record(
    path: Path,
    opening: dict[str, Any],
    *,
    inputs: Inputs,
    plan: ResolvedPlan,
    clock: Clock,
    durable: bool,
    resume: bool,
) -> Begun:
    """Begin a record, or go on with one after its last finished step. Raises InputError."""
    from controller.planning.resolve import resolve_on

    if not resume:
        writer = RecordWriter.create(path, opening, clock=clock, durable=durable)
        return Begun(writer=writer, plan=plan, earlier=())
    known = None if inputs.plan.search is None else _found(path, plan, inputs.plan.search)
    writer, held = RecordWriter.resume(path, opening, clock=clock, durable=durable)
    try:
        first = held.first_unfinished
        earlier = tuple(result for result in results_of(held) if result.step.index < first)
        if first:
            looks_first = plan.looks_first
            plan = resolve_on(inputs.plan, inputs.bench, first_step=first)
            plan = replace(plan, looks_first=looks_first)
    except BaseException:
        writer.close()  # or the record would stay locked
        raise
    return Begun(writer=writer, plan=plan, earlier=earlier, known=known)


def _found(path: Path, plan: ResolvedPlan, search: Search) -> Bisection:
    """Return what the search in a record has found. Raises InputError when there is no going on."""
    record = load_record(path)
    # A record of another plan is refused by the writer, in its own words.
    if record.opening["hashes"].get("plan") != canonical_hash(plan_fields(plan)):
        return begun(plan, search)
    known = understood(record, lambda: known_of(record, plan, search))
    if (record.closing or {}).get("ended") == Ending.COMPLETE.value:
        raise InputError.single(
            "this search has come to its end; there is nothing to resume", where=str(path)
        )
    if search.one_way and known.there_on is not None:
        raise InputError.single(
            "the code has come and stays: nothing further can be seen of it",
            where=str(path),
            hint="clear the codes and begin a new record with --record",
        )
    return known


def with_earlier(
    event: RunFinished,
    plan: ResolvedPlan,
    earlier: tuple[StepResult, ...],
    now: tuple[StepResult, ...],
) -> RunFinished:
    """Count the steps that an earlier part of a resumed run has judged."""
    if not earlier:
        return event
    whole = replace(plan, first_step=0)
    ended, relays = event.summary.ended, event.summary.relays
    summary = summarize(
        whole,
        (*earlier, *now),
        ended=ended,
        relays=relays,
        new_codes=event.summary.new_codes,
        relays_of=event.summary.relays_of,
    )
    return replace(event, summary=summary)
