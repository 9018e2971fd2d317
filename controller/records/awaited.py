"""A record that waits for its readings, and the record that a log makes of it.

Knows: how long each step of a record stood, how a log's rows become the readings of steps.
Must not know: how a log is laid against a run, what columns a log has, who asks.

The record that waited is never written on. The new one has its opening, with the log and its place
added, and its lines at their own times, with readings and results in their places; a replay lays
the kept log against the kept times again.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path

from controller.bench.model import ReadbackKind
from controller.clock import VirtualClock
from controller.documents import supplied_files
from controller.errors import InputError, RelayKnowledge
from controller.logs.alignment import Alignment, Misfit, NotAligned, align
from controller.logs.file import LogColumns, read_log
from controller.logs.model import ReadingsLog, Stand
from controller.planning.aligning import MARGIN_S, REMEDY
from controller.planning.model import ResolvedPlan, StepKind
from controller.readback.base import Reading
from controller.records.compact import shortened
from controller.records.decode import plan_of, understood
from controller.records.lines import digest
from controller.records.opening import RECORD_FOLDER, kept_files
from controller.records.reader import Record
from controller.records.writer import RecordWriter
from controller.run.events import ReadingSeen, RunFinished, StepFinished
from controller.run.judging import judge_step
from controller.run.model import Ending, RunSummary, StepResult
from controller.run.settle import StepWatch
from controller.run.summary import summarize

__all__ = ["FromLog", "from_log", "from_log_again", "record_from_log", "waits"]

_ENVELOPE = frozenset({"seq", "utc", "elapsed_s", "type", "previous", "check"})


_ROUNDED_S = 1e-6
"""What lines round their times to: a reading comes after the line that its step begins with."""


@dataclass(frozen=True, kw_only=True)
class FromLog:
    """What a log made of a record: its place, the readings of each step, and their results.

    `readings` are on the run's clock, by the step's index.
    """

    plan: ResolvedPlan
    log: ReadingsLog
    alignment: Alignment
    readings: Mapping[int, tuple[Reading, ...]]
    results: tuple[StepResult, ...]


def waits(record: Record) -> bool:
    """Return whether a record was made for readings that come later, and has none yet."""
    bench = record.opening.get("bench") or {}
    return bench.get("readback") == ReadbackKind.LATER.value and "log" not in record.opening


def from_log(record: Record, path: Path, columns: LogColumns) -> FromLog:
    """Lay a log against a record that waits, and judge. Raises InputError when it does not fit."""
    if not waits(record):
        raise InputError.single(
            "this record does not wait for readings",
            where=str(record.path),
            hint="rungwise sweep PLAN --readings later makes one that does",
        )
    return _laid(record, path, columns)


def from_log_again(record: Record) -> FromLog | None:
    """Do the same again from what a record keeps; None for a record without a log."""
    kept = record.opening.get("log")
    if kept is None:
        return None

    def again() -> FromLog:
        columns = LogColumns(**kept["columns"])
        with supplied_files(kept_files(record.opening)):
            return _laid(record, RECORD_FOLDER / kept["path"], columns)

    return understood(record, again)


def record_from_log(
    record: Record, made: FromLog, path: Path, columns: LogColumns, target: Path, *, log_text: str
) -> tuple[RunSummary, str]:
    """Write the judged record; return how it ends, and its closing hash. Raises InputError."""
    opening = {key: value for key, value in record.opening.items() if key not in _ENVELOPE}
    del opening["format"]
    taken = {entry["path"] for entry in opening["files"]}
    place = f"log/{path.name}"
    while place in taken:
        place = f"log/{place}"
    entry = {"path": place, "sha256": digest(log_text.encode("utf-8")), "text": log_text}
    opening["files"] = [*opening["files"], entry]
    opening["log"] = {
        "path": place,
        "columns": asdict(columns),
        "time_column": made.log.time_column,
        "value_column": made.log.value_column,
        "unit": made.log.unit,
        "rows": len(made.log.rows),
        "empty": made.log.empty,
        "alignment": asdict(made.alignment),
        "waiting_record_hash": record.tail_hash,
    }
    begun = datetime.fromisoformat(record.opening["utc"])
    clock = VirtualClock(start_utc=begun)
    clock.sleep_s(float(record.opening["elapsed_s"]))
    results = {result.step.index: result for result in made.results}
    seen = deque(
        event
        for index, result in results.items()
        for event in _seen(
            index, made.readings.get(index, ()), judged=result.reported_celsius is not None
        )
    )
    writer = RecordWriter.create(target, opening, clock=clock, durable=False)
    try:
        for line in record.lines[1:]:
            if line["type"] == "closing":
                break
            at_s = float(line["elapsed_s"])
            while seen and seen[0].at_s < at_s - _ROUNDED_S:
                event = seen.popleft()
                clock.sleep_s(event.at_s - clock.now_s())
                writer.take(event)
            clock.sleep_s(at_s - clock.now_s())
            content = {key: value for key, value in line.items() if key not in _ENVELOPE}
            writer.append(line["type"], shortened(line["type"], content, opening["plan"]["steps"]))
            if line["type"] == "stood" and (result := results.get(int(line["step"]))) is not None:
                writer.take(StepFinished(at_s=at_s, result=result))
        summary = _summary(record, made)
        writer.take(RunFinished(at_s=clock.now_s(), summary=summary))
    finally:
        writer.close()
    return summary, writer.tail_hash


def _laid(record: Record, path: Path, columns: LogColumns) -> FromLog:
    plan = plan_of(record)
    stands = understood(record, lambda: _stands(record, plan))
    log = read_log(path, columns)
    if not stands:
        raise InputError.single("no step of this record stood to its end", where=str(record.path))
    try:
        alignment = align(log.rows, stands)
    except NotAligned as refused:
        raise _refusal(refused, log, stands, path) from None
    readings = {stand.step_index: _readings(log, alignment, stand) for stand in stands}
    results = tuple(_judged(plan, stand, readings[stand.step_index]) for stand in stands)
    return FromLog(plan=plan, log=log, alignment=alignment, readings=readings, results=results)


def _stands(record: Record, plan: ResolvedPlan) -> tuple[Stand, ...]:
    stands = []
    for line in record.lines:
        if line["type"] == "stood":
            step = plan.steps[int(line["step"])]
            to_s = float(line["elapsed_s"])
            temperature = step.kind is StepKind.TEMPERATURE
            stands.append(
                Stand(
                    step_index=step.index,
                    from_s=to_s - float(line["stood_s"]),
                    to_s=to_s,
                    expected_celsius=step.expected_celsius if temperature else None,
                )
            )
    return tuple(stands)


def _readings(log: ReadingsLog, alignment: Alignment, stand: Stand) -> tuple[Reading, ...]:
    """Return the rows of a step, but for those so near its end that they may be of the next."""
    timed = ((alignment.run_s(row.at_s), row.celsius) for row in log.rows)
    return tuple(
        Reading(token=0, at_s=at_s, celsius=celsius)
        for at_s, celsius in timed
        if stand.from_s <= at_s <= stand.to_s - MARGIN_S
    )


def _judged(plan: ResolvedPlan, stand: Stand, readings: Sequence[Reading]) -> StepResult:
    """Judge a step by its last row, as a run judges its last reading: by the plan's settle rule.

    A row from within the module's lag may be of the step before, and is none of its own.
    """
    watch = StepWatch(plan.settle, set_at_s=stand.from_s, dwell_s=0.0)
    settled, settled_s = False, stand.to_s - MARGIN_S
    for reading in readings:
        watch.take(reading)
        before, settled = settled, watch.settled(reading.at_s)
        if settled and not before:
            settled_s = reading.at_s
    return judge_step(
        plan.steps[stand.step_index],
        plan.decision_rule,
        watch.judged,
        attempt=1,
        settled=settled,
        settle_s=settled_s - stand.from_s,
    )


def _seen(index: int, readings: Sequence[Reading], *, judged: bool) -> list[ReadingSeen]:
    """Return the readings as events; the last one is final where it was `judged`."""
    return [
        ReadingSeen(
            at_s=reading.at_s,
            step_index=index,
            attempt=1,
            celsius=reading.celsius,
            volts=None,
            codes=(),
            final=judged and number == len(readings),
        )
        for number, reading in enumerate(readings, 1)
    ]


def _summary(record: Record, made: FromLog) -> RunSummary:
    """Return the end of the run with its readings: as it ended, judged now."""
    closing = record.closing
    ended = Ending.STOPPED if closing is None else Ending(closing["ended"])
    relays = RelayKnowledge.UNKNOWN if closing is None else RelayKnowledge(closing["relays"])
    return summarize(made.plan, made.results, ended=ended, relays=relays)


def _refusal(
    refused: NotAligned, log: ReadingsLog, stands: Sequence[Stand], path: Path
) -> InputError:
    """Say why a log is refused and what would help."""
    covers_s = log.rows[-1].at_s - log.rows[0].at_s
    lasted_s = stands[-1].to_s - stands[0].from_s
    match refused.misfit:
        case Misfit.FEW_LEVELS:
            message = "the run has too few temperatures to be found in a log"
        case Misfit.TOO_SHORT:
            message = f"the log covers {covers_s:.0f} s, the run took {lasted_s:.0f} s"
        case Misfit.NOWHERE:
            message = "nowhere in this log do the values follow what was set"
        case Misfit.AMBIGUOUS:
            worse = f"{refused.ratio:.1f} times" if refused.ratio is not None else "hardly"
            message = (
                "the run fits this log in more than one place: the next best one deviates only"
                f" {worse} as much"
            )
    hint = {
        Misfit.FEW_LEVELS: "type its readings in a run of its own",
        Misfit.TOO_SHORT: "start the log before the run and end it after; is it the right log,"
        " and are its times in seconds?",
        Misfit.NOWHERE: "is it the right log and the right column? Unit and decimal sign can be"
        " told: --value, --unit, --decimal-comma",
        Misfit.AMBIGUOUS: REMEDY,
    }[refused.misfit]
    return InputError.single(f"refused: {message}", where=str(path), hint=hint)
