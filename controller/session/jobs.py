"""What each kind of run needs: its record begun, its job ready to be made on an opened bench."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from controller.bench.model import BenchFile, LinkKind
from controller.bench.opened import Bench
from controller.clock import Clock
from controller.errors import InputError
from controller.ladder.electrical import state_ohms
from controller.ladder.model import Ladder
from controller.meters.base import Meter
from controller.meters.settings import MeterKind
from controller.planning.model import ResolvedPlan
from controller.planning.plan import PlanKind
from controller.planning.single_value import router_by_ohms
from controller.records.jobs import job_of
from controller.records.opening import opening_content
from controller.records.writer import RecordWriter
from controller.run.called import called_readback
from controller.run.hold import HandRun, plan_by_hand
from controller.run.measure import MeasureRun, StateToMeasure
from controller.session.prepared import Prepared
from controller.session.recording import Begun, begin_record, clock_of, opening_of
from controller.session.session import Setup, bench_warnings

__all__ = ["by_hand", "hand_plan", "measured_in_memory", "measuring", "record_of", "sweeping"]


def sweeping(
    prepared: Prepared, *, record: Path | None, pace: str, clock: Clock, resume: bool = False
) -> Setup:
    """Begin the record of a plan, or go on with one; None: leave none. Raises InputError.

    `pace` is ``real`` or ``fast``: how the record says that time passed.
    """
    inputs = prepared.inputs
    verb = inputs.plan.kind.value
    if resume and inputs.plan.kind is PlanKind.PROFILE:
        raise InputError.single(
            "a profile cannot be gone on with: what a module makes of a course depends on all that"
            " came before, and it has seen an open circuit since",
            where="--resume",
            hint="run it anew, with a new --record",
        )
    begun = Begun(writer=None, plan=prepared.resolved, earlier=())
    if record is not None:
        begun = begin_record(
            record,
            opening_of(inputs, prepared.resolved, verb=verb, pace=pace),
            inputs=inputs,
            plan=prepared.resolved,
            clock=clock,
            durable=pace == "real",
            resume=resume,
        )
    readback = None
    if prepared.called is not None:
        readback = called_readback(prepared.called, begun.plan, prepared.bench, clock)
    return Setup(
        bench=prepared.bench,
        plan=begun.plan,
        make_job=lambda bench: job_of(inputs, begun.plan, bench, clock, known=begun.known),
        clock=clock,
        record=begun.writer,
        earlier=begun.earlier,
        warnings=prepared.warnings,
        readback=readback,
    )


def hand_plan(bench: BenchFile) -> ResolvedPlan:
    """Return the plan without steps that values set on a bench by hand go by."""
    ladder, module = bench.ladder, bench.module
    return plan_by_hand(
        park_state=ladder.park_state,
        state_digits=ladder.state_digits,
        amperes=None if module is None else module.short_circuit_amperes,
        watts=None if module is None else module.most_watts,
    )


def by_hand(
    bench: BenchFile,
    *,
    clock: Clock,
    plan: ResolvedPlan | None = None,
    record: Path | None = None,
    files: Mapping[Path, str] | None = None,
    simulated: bool = False,
) -> Setup:
    """Begin a session of single values; with `record` it leaves one. Raises InputError."""
    resolved = plan or hand_plan(bench)
    writer = None
    if record is not None:
        writer = _record(
            record, bench, resolved, "set", clock, files=files or {}, simulated=simulated
        )
    return Setup(
        bench=bench,
        plan=resolved,
        make_job=lambda opened: HandRun(resolved, opened, clock),
        clock=clock,
        record=writer,
        reads_back=False,
        warnings=(*bench.ladder.warnings, *bench_warnings(bench)),
    )


def measuring(
    bench: BenchFile,
    ladder: Ladder,
    states: Sequence[int],
    meter: Meter | None,
    *,
    record: Path,
    files: Mapping[Path, str],
) -> Setup:
    """Begin the measurement of a ladder's states, by `meter` or by the one of the bench (None).

    Raises InputError when the bench drives another ladder.
    """
    if (bench.nominal_ladder or bench.ladder) != ladder:
        raise InputError.single(
            f"this bench drives another ladder: {bench.ladder.name!r}",
            where=str(bench.path or bench.name),
        )
    router = router_by_ohms(bench)
    in_memory = meter is None and measured_in_memory(bench)
    clock = clock_of("fast" if in_memory else "real")
    now = park = bench.ladder.park_state
    stops = []
    for state in states:
        stops.append(
            StateToMeasure(
                state=state,
                path=router.path(now, state),
                expected_ohms=state_ohms(bench.ladder, state),
            )
        )
        now = state
    plan = replace(
        hand_plan(bench),
        name="measurement of a ladder",
        kind="measure",
        closing_path=router.path(now, park),
    )
    return Setup(
        bench=bench,
        plan=plan,
        make_job=lambda opened: MeasureRun(plan, stops, _meter(opened, meter), opened, clock),
        clock=clock,
        record=_record(record, bench, plan, "measure", clock, files=files, simulated=in_memory),
        reads_back=False,
        warnings=bench_warnings(bench),
    )


def measured_in_memory(bench: BenchFile) -> bool:
    """Return whether both ladder and meter are simulated, so that measuring takes no time."""
    meter = bench.meter
    simulated = meter is not None and meter.kind is MeterKind.SIMULATED
    return simulated and bench.link is LinkKind.SIMULATED


def _meter(opened: Bench, other: Meter | None) -> Meter:
    meter = other or opened.meter
    assert meter is not None  # noqa: S101 - without a meter a person reads one and types
    return meter


def record_of(
    path: Path | None,
    bench: BenchFile,
    plan: ResolvedPlan,
    clock: Clock,
    *,
    files: Mapping[Path, str],
    simulated: bool,
) -> RecordWriter | None:
    """Begin the record of a run that is named by the kind of its plan; None: it leaves none."""
    if path is None:
        return None
    return _record(path, bench, plan, plan.kind, clock, files=files, simulated=simulated)


def _record(
    path: Path,
    bench: BenchFile,
    plan: ResolvedPlan,
    verb: str,
    clock: Clock,
    *,
    files: Mapping[Path, str],
    simulated: bool,
) -> RecordWriter:
    opening = opening_content(
        verb=verb,
        plan=plan,
        bench=replace(bench, path=None),
        files=files,
        plan_file=None,
        bench_file=bench.path if files else None,
        simulated=simulated,
        pace="fast" if simulated else "real",
    )
    return RecordWriter.create(path, opening, clock=clock, durable=not simulated)
