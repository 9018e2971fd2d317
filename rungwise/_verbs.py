"""What programs do with plans and records. Reached through `rungwise` alone.

A plan or a bench may be given as a path, or as loaded before (and changed since, perhaps).
"""

from __future__ import annotations

import os
import sys
from collections.abc import Iterable, Sequence
from dataclasses import replace

from controller.bench.files import load_bench
from controller.bench.model import BenchFile
from controller.cautions import CAUTIONS_TITLE, cautions_with
from controller.diagnosis import Diagnosis, Words
from controller.diagnosis import explain as in_words
from controller.errors import InputError, RelayKnowledge
from controller.planning.files import load_plan
from controller.planning.model import ResolvedPlan, StepKind
from controller.planning.plan import Plan
from controller.planning.resolve import resolve_on
from controller.readback.base import Reading
from controller.readback.called import CalledReadback, ReadbackFunction
from controller.records.inputs import Inputs, bench_for, load_inputs
from controller.records.reader import Record, load_record
from controller.records.replay import Replay
from controller.reports.text import short_sentences
from controller.run.events import FaultRaised
from controller.run.judging import judge_step
from controller.run.model import Ending
from controller.run.summary import summarize
from controller.sensors.curve import Sensor
from controller.session.evidence import (
    Evidence,
    evidence_in,
    evidence_of_record,
    evidence_of_results,
    sensor_files,
)
from controller.session.jobs import sweeping
from controller.session.prepared import Prepared, prepare_inputs
from controller.session.recording import chosen_pace, clock_of
from controller.session.self_test_first import require_no_failed_self_test
from controller.session.session import Session
from rungwise._files import AnyPath
from rungwise._given import checked, items_given, path_given, readings_given, wrong
from rungwise._results import Result

__all__ = ["diagnose", "explain", "judge", "replay", "resolve", "run"]


def resolve(plan: Plan | AnyPath, bench: BenchFile | AnyPath | None = None) -> ResolvedPlan:
    """Decide everything about a plan on a bench: states, paths, excursions, uncertainties.

    Without `bench` it is the one the plan names, else a simulated one. Nothing is driven. Raises
    InputError with every reason against the plan.
    """
    inputs = _inputs(plan, bench)
    return resolve_on(inputs.plan, inputs.bench)


def run(
    plan: Plan | AnyPath,
    bench: BenchFile | AnyPath | None = None,
    *,
    readback: ReadbackFunction | None = None,
    record: AnyPath | None = None,
    cautions_read: bool = False,
    despite_self_test: bool = False,
) -> Result:
    """Carry out a plan on a bench, park, and return what came of it.

    Without `bench` it is the one the plan names, else a simulated one. What is simulated
    altogether runs in virtual time and takes a fraction of a second. No record is left unless
    `record` names a file, which must not exist yet; plan and bench are paths then, because a
    record keeps the text of its files.

    `readback` takes the place of the bench's readback: it is called with the ohms (math.inf when
    open) and the degC (None for open and short) that are at the input, a few times for each step,
    and returns the degC your module reports, or None when it reports nothing. What it raises ends
    the run, parked, and is raised again here.

    A bench with a serial port drives real relays. That is refused unless `cautions_read` says
    that somebody has read the cautions (README, "Before you connect anything"); they are written
    to standard error again. On a bench whose readings are typed, the questions go to standard
    error and the answers come from standard input.

    A real ladder whose last self-test failed is refused as well, unless `despite_self_test`; the
    record then says so.

    A fault of link or readback does not raise: the result has `ended` "fault" and says so, and
    what is known of the relays. Raises InputError when nothing was driven, RecordError when the
    record could not be written on, and KeyboardInterrupt after parking.
    """
    if readback is not None and not callable(readback):
        raise wrong("must be a function of ohms and degC", readback, "readback")
    path = None if record is None else path_given(record, "record")
    inputs = _inputs(plan, bench)
    if path is not None and not inputs.files:
        raise InputError.single(
            "a record keeps the text of the files it was made from",
            where="record",
            hint="give plan and bench as paths, or leave record out",
        )
    prepared = prepare_inputs(inputs, called=readback)
    self_tested = require_no_failed_self_test(
        prepared.bench,
        despite=despite_self_test,
        hint="mend it, then: rungwise ladder self-test; despite_self_test=True runs all the same",
    )
    if prepared.bench.drives_hardware:
        _show_cautions(prepared, cautions_read=cautions_read)
    pace = chosen_pace(None, prepared.bench)
    setup = sweeping(prepared, record=path, pace=pace, clock=clock_of(pace))
    setup = replace(setup, self_tested=self_tested)
    fault = None
    with Session(setup) as session:
        for event in session.events():
            if isinstance(event, FaultRaised):
                fault = f"{event.message}; {event.relays.value}"
        summary, steps = session.summary, session.results
    if isinstance(setup.readback, CalledReadback) and setup.readback.failure is not None:
        raise setup.readback.failure
    assert summary is not None  # noqa: S101 - a run ends with its summary
    if summary.ended is Ending.STOPPED and not prepared.typed:
        raise KeyboardInterrupt  # nobody else could stop it; the run has taken it in and parked
    return Result(
        verdict=summary.verdict,
        sentence=summary.sentence if fault is None else f"{fault}. {summary.sentence}",
        ended=summary.ended,
        fault=fault,
        record=session.record_path,
        warnings=(*prepared.resolved.warnings, *prepared.warnings),
        steps=steps,
        resolved=prepared.resolved,
        plan=inputs.plan,
        bench=prepared.bench,
    )


def judge(
    plan: Plan | AnyPath,
    reported_celsius: Sequence[float | None],
    bench: BenchFile | AnyPath | None = None,
) -> Result:
    """Judge readings that were taken elsewhere: settled ones, in degC, one for each step.

    A reading is None where the module reported nothing. What the steps put at the input, and how
    well that is known, is the bench's. Raises InputError when plan and readings do not match.
    """
    inputs = _inputs(plan, bench)
    if inputs.second is not None:
        raise InputError.single(
            "readings of a plan with two inputs do not say of which input they are",
            where=str(inputs.plan.path),
            key="second",
            hint="judge a plan for each input by itself",
        )
    readings = readings_given(reported_celsius, "reported_celsius")
    resolved = resolve_on(inputs.plan, inputs.bench)
    if len(readings) != len(resolved.steps):
        raise InputError.single(
            f"{len(readings)} readings for {len(resolved.steps)} steps",
            where="reported_celsius",
            hint="one for each step in the order of the plan, None where there was none",
        )
    steps = tuple(
        judge_step(
            step,
            resolved.decision_rule,
            Reading(token=0, celsius=celsius, at_s=0.0),
            attempt=1,
            settled=True,
            settle_s=0.0,
        )
        for step, celsius in zip(resolved.steps, readings, strict=True)
    )
    summary = summarize(resolved, steps, ended=Ending.COMPLETE, relays=RelayKnowledge.NOT_DRIVEN)
    return Result(
        verdict=summary.verdict,
        sentence=summary.sentence,
        ended=summary.ended,
        warnings=resolved.warnings,
        steps=steps,
        resolved=resolved,
        plan=inputs.plan,
        bench=inputs.bench,
    )


def replay(record: Record | AnyPath, *, readback: ReadbackFunction | None = None) -> Replay:
    """Judge a record again and run its plan again on the simulated bench, number by number.

    `differences` is empty when everything comes out as recorded. `readback` gives the readings,
    as in `run`: a record that was made with a function is met to the number by the same function.
    Raises InputError when the record is damaged or not of a plan, ReplayError when the simulated
    run fails, and whatever `readback` raises.
    """
    from controller.records.replay import replay

    if readback is not None and not callable(readback):
        raise wrong("must be a function of ohms and degC", readback, "readback")
    return replay(_record(record), called=readback)


def diagnose(
    readings: Result | Record | AnyPath,
    *,
    plan: Plan | AnyPath | None = None,
    candidates: Iterable[Sensor | AnyPath] = (),
) -> Diagnosis:
    """Return which electrical fault explains the deviations; `explain` puts it into words.

    `readings` is a result, a record, or the path of a record or of a CSV file with the columns
    ``ohms,reported_celsius`` that belongs to `plan`. `candidates` are sensors, sensor files or
    folders of them whose curve the module may be using instead. Raises InputError for files that
    cannot be used.
    """
    from controller.cli.gather import gathered
    from controller.sensors.files import load_sensor

    if isinstance(candidates, Sensor | str | os.PathLike):
        candidates = [candidates]  # one by itself: its letters are not meant
    named = list(items_given(candidates, "candidates"))
    sensors = [checked(one, "candidates") for one in named if isinstance(one, Sensor)]
    files = [path_given(one, "candidates") for one in named if not isinstance(one, Sensor)]
    sensors += gathered(load_sensor, sensor_files(files))
    return _evidence(readings, plan).diagnosed(sensors)


def explain(diagnosis: Diagnosis) -> Words:
    """Return a diagnosis in words: what it means, where to look. Raises InputError."""
    if not isinstance(diagnosis, Diagnosis):
        raise wrong("must be a Diagnosis", diagnosis, "diagnosis")
    return in_words(diagnosis)


def _evidence(readings: Result | Record | AnyPath, plan: Plan | AnyPath | None) -> Evidence:
    if isinstance(readings, Result):
        return evidence_of_results(
            readings.steps, readings.plan.sensor, readings.module, readings.bench
        )
    if isinstance(readings, Record):
        return evidence_of_record(readings)
    if isinstance(plan, Plan):
        plan = checked(plan, "plan")
    elif plan is not None:
        plan = path_given(plan, "plan")
    return evidence_in(path_given(readings, "readings"), plan)


def _record(record: Record | AnyPath) -> Record:
    return record if isinstance(record, Record) else load_record(path_given(record, "record"))


def _inputs(plan: Plan | AnyPath, bench: BenchFile | AnyPath | None) -> Inputs:
    """Return plan and bench; only what is read from paths comes with the text of its files."""
    if not isinstance(plan, Plan) and not isinstance(bench, BenchFile):
        return load_inputs(
            path_given(plan, "plan"), None if bench is None else path_given(bench, "bench")
        )
    if not isinstance(plan, Plan):
        plan = load_plan(path_given(plan, "plan"))
    plan = _with_whole_targets(checked(plan, "plan"))
    bench = plan.bench_path if bench is None else bench
    if bench is not None:
        if not isinstance(bench, BenchFile):
            bench = load_bench(path_given(bench, "bench"))
        bench = checked(bench, "bench")
    return Inputs(plan=plan, bench=bench_for(plan, bench), files={})


def _with_whole_targets(plan: Plan) -> Plan:
    """Return a plan whose temperatures all have their numbers; only open and short have none."""
    for number, block in enumerate(plan.blocks):
        for index, target in enumerate(block.targets):
            where = f"plan.blocks[{number}].targets[{index}]"
            if target.kind is StepKind.TEMPERATURE and target.celsius is None:
                raise wrong("must be a number", None, f"{where}.celsius")
            if target.kind is StepKind.TEMPERATURE and target.ohms is None:
                raise wrong("must be a number", None, f"{where}.ohms")
    return plan


def _show_cautions(prepared: Prepared, *, cautions_read: bool) -> None:
    """Write the cautions; raise InputError when nobody has said that they were read."""
    lines = (*cautions_with(prepared.bench.cautions), *short_sentences(prepared.resolved))
    sys.stderr.write("".join(f"{line}\n" for line in (f"{CAUTIONS_TITLE}:", *lines)))
    sys.stderr.flush()
    if not cautions_read:
        raise InputError.single(
            "real equipment is driven only after the cautions have been read",
            where=str(prepared.bench.path or prepared.bench.name),
            hint="pass cautions_read=True when they have been",
        )
