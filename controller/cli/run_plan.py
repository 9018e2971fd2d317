"""Carrying out a plan from the command line: what is said before, during and after the run.

Knows: in which order a person is told and asked, and what the end of a run means for the shell.
Must not know: how states are found, how a run proceeds, how a record looks.

Nothing is driven before files, plan, pace, record and, for real equipment, the cautions are all in
order. Every way out closes the bench, which parks it.
"""

from __future__ import annotations

import argparse
import sys
from contextlib import closing
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

from controller.cautions import SEARCH_CAUTION, short_circuit_sentence
from controller.cli.clear_codes import clear_codes, require_clearable
from controller.cli.confirm import confirm_cautions
from controller.cli.courses import CourseKeeper
from controller.cli.fault_words import fault_fields
from controller.cli.places import require_place
from controller.cli.printer import ProgressPrinter, say_results
from controller.cli.signals import stopping_by
from controller.cli.verb_input_check import finding_fields
from controller.errors import ExitCode, InputError
from controller.measurement.model import Verdict
from controller.records.encode import plan_summary_fields, result_fields
from controller.run.events import FaultRaised
from controller.run.looked_check import LookedCheckRun
from controller.run.model import Ending
from controller.run.summary import headline
from controller.session.recording import chosen_pace, clock_of, new_record
from controller.session.status import exit_status

if TYPE_CHECKING:
    from collections.abc import Generator, Iterator, Sequence

    from controller.cli.output import Output
    from controller.run.events import Event
    from controller.run.model import RunSummary
    from controller.session.prepared import Prepared
    from controller.session.session import Session

__all__ = ["carry_out"]


def carry_out(arguments: argparse.Namespace, output: Output, *, verb: str) -> int:
    """Run the plan that the arguments name; return the exit status."""
    from controller.cli.self_test_first import require_somebody, test_first
    from controller.session.jobs import sweeping
    from controller.session.prepared import prepare
    from controller.session.self_test_first import require_no_failed_self_test
    from controller.session.session import Session

    if arguments.resume and arguments.record is None:
        raise InputError.single(
            "needs the record to continue", where="--resume", hint="add --record FILE"
        )
    if arguments.junit is not None:
        require_place(arguments.junit)
    later = getattr(arguments, "readings", None) == "later"
    if later and (arguments.resume or arguments.junit is not None):
        raise InputError.single(
            "cannot be used here: the readings come only later",
            where="--resume" if arguments.resume else "--junit",
            hint="run it without this option",
        )
    prepared = prepare(
        arguments.plan,
        arguments.bench,
        verb=verb,
        later=later,
        input_check=getattr(arguments, "input_check", None),
    )
    self_tested = None
    tests_first = arguments.self_test
    despite = arguments.despite_self_test
    if tests_first:
        require_somebody(prepared)
    else:
        self_tested = require_no_failed_self_test(prepared.bench, despite=despite)
    clears = getattr(arguments, "clear_codes", None)
    require_clearable(prepared.bench, clears)
    pace = chosen_pace(arguments.pace, prepared.bench)
    resolved = prepared.resolved
    for warning in (*resolved.warnings, *prepared.warnings):
        output.warn(f"Note: {warning}")
    if later:
        _say_later(prepared, output)
    if prepared.bench.command:
        output.warn(f"Readings come from the program {' '.join(prepared.bench.command)}")
    amperes, watts = resolved.short_circuit_amperes, resolved.most_watts
    search = prepared.inputs.plan.search
    first = () if search is None else (SEARCH_CAUTION,)
    if prepared.bench.drives_hardware:
        confirm_cautions(
            output,
            amperes=amperes,
            watts=watts,
            yes=arguments.yes,
            first=first,
            of_bench=prepared.bench.cautions,
        )
    elif search is not None:
        output.warn(SEARCH_CAUTION)
    elif verb == "check" or prepared.shorts:
        output.warn(short_circuit_sentence(amperes, watts))
    if prepared.bench.can is not None:
        output.warn(f"Looking for the module on the bus at {prepared.bench.can.channel} ...")
    path = arguments.record or new_record(Path("runs"), arguments.plan.stem)
    if tests_first:
        path.parent.mkdir(parents=True, exist_ok=True)
        self_tested, tested = test_first(prepared, output, record=path, despite=despite)
        if self_tested is None:
            return exit_status(tested)
    setup = sweeping(
        prepared, record=path, pace=pace, clock=clock_of(pace), resume=arguments.resume
    )
    setup = replace(setup, self_tested=self_tested)
    faults: list[FaultRaised] = []
    began_s = setup.clock.now_s()
    printer = ProgressPrinter(output, asking=prepared.typed)
    scripted = prepared.typed and not sys.stdin.isatty()
    course = CourseKeeper()
    with Session(setup, write=output.warn, keep_early=scripted) as session:
        if clears is not None:
            session.epilogue = partial(_clear, session, clears, output, printer)
        _watch(session, printer, faults, course)
        found = bool(course.points) and all(point.found for point in course.points)
        judged = search is None or search.judged or not found
        _say_end(output, session, path, faults, course, judged=judged, later=later)
        assert session.summary is not None  # noqa: S101 - a run ends with its summary
        status = exit_status(session.summary, judged=judged)
        if arguments.junit is not None:
            verdict = _verdict_of_case(session, judged=judged)
            try:
                _write_junit(
                    arguments.junit, prepared, session, path, began_s, course, verdict, faults
                )
            except InputError as error:  # too late for bad input: something has been driven
                output.warn(f"rungwise: {error}")
                status = status if status is not ExitCode.PASS else ExitCode.LINK_FAULT
    return status


def _clear(
    session: Session, module: str, output: Output, printer: ProgressPrinter, summary: RunSummary
) -> Iterator[Event]:
    """Clear a module's codes once the run is judged, if that is confirmed; the record tells."""
    printer.end()
    output.warn(f"{summary.verdict.value.upper()}: {summary.sentence}")
    session.bench.readback.close()  # one bus has one owner
    yield clear_codes(session.setup.bench, module, output, session.setup.clock)


def _say_later(prepared: Prepared, output: Output) -> None:
    """Say what a run without readings takes, and what its log has to be like."""
    from controller.planning.aligning import aligning_warnings, lasts_s

    plan = prepared.resolved
    for warning in aligning_warnings(plan):
        output.warn(f"Note: {warning}")
    output.warn(
        f"Nothing is read: the run takes {lasts_s(plan):.0f} s. Start the tool's log before it,"
        " a row a second or more, and end it after."
    )


def _watch(
    session: Session,
    printer: ProgressPrinter,
    faults: list[FaultRaised],
    course: CourseKeeper,
) -> None:
    """Let the run go to its end; show every event, and keep what the end is told with."""
    try:
        events = cast("Generator[Event, None, None]", session.events())
        with stopping_by(session.stop), closing(events):
            for event in events:
                printer.take(event)
                if isinstance(event, FaultRaised):
                    faults.append(event)
                course.take(event)
    finally:
        printer.end()


def _verdict_of_case(session: Session, *, judged: bool) -> Verdict:
    """Return the verdict; a search whose plan states no limits does well by finding its points."""
    assert session.summary is not None  # noqa: S101 - a run ends with its summary
    return session.summary.verdict if judged else Verdict.PASS


def _write_junit(
    path: Path,
    prepared: Prepared,
    session: Session,
    record: Path,
    began_s: float,
    course: CourseKeeper,
    verdict: Verdict,
    faults: Sequence[FaultRaised],
) -> None:
    from controller.clock import RealClock
    from controller.reports.junit import run_junit_xml, search_junit_xml, write_junit

    setup, summary = session.setup, session.summary
    assert summary is not None  # noqa: S101 - a run ends with its summary
    broken_off = None
    if summary.ended is not Ending.COMPLETE:
        broken_off = " ".join([*(f"{one.message}." for one in faults), summary.sentence])
    stated: dict[str, Any] = {
        "broken_off": broken_off,
        "properties": {
            "ended": summary.ended.value,
            "relays": summary.relays.value,
            "verdict": summary.verdict.value,
            "plan": setup.plan.name,
            "bench": prepared.bench.name,
            "ladder": prepared.bench.ladder.name,
            "record": str(record),
        },
        "timestamp": RealClock().utc().strftime("%Y-%m-%dT%H:%M:%S"),
        "seconds": setup.clock.now_s() - began_s,
    }
    if prepared.inputs.plan.search is not None:
        document = search_junit_xml(setup.plan, course.points, verdict, summary.sentence, **stated)
    else:
        document = run_junit_xml(setup.plan, session.results, **stated)
    write_junit(path, document)


def _say_end(
    output: Output,
    session: Session,
    path: Path,
    faults: Sequence[FaultRaised],
    course: CourseKeeper,
    *,
    judged: bool,
    later: bool,
) -> None:
    plan, results, summary = session.setup.plan, session.results, session.summary
    assert summary is not None  # noqa: S101 - a run ends with its summary
    fields: dict[str, Any] = {
        "ended": summary.ended.value,
        "relays": summary.relays.value,
        "verdict": summary.verdict.value,
        "sentence": summary.sentence,
        "new_codes": list(summary.new_codes),
        "plan": plan_summary_fields(plan),
        "steps": [result_fields(result, plan.state_digits) for result in results],
        "record": None if session.record_path is None else str(path),
        "faults": fault_fields(faults),
        "closing_hash": session.record_hash,
        **course.fields(),
    }
    if isinstance(session.job, LookedCheckRun):
        fields["input"] = finding_fields(session.job.finding)
    output.document(fields)
    if results:
        say_results(output, plan, results)
    course.say(output)
    if session.record_path is not None:
        output.say(f"Record: {path}")
    else:
        output.say("No record is left: the ladder was not reached, and nothing was driven.")
    if session.record_hash is not None:
        output.say(f"Closing hash: {session.record_hash}")
    if later and session.record_path is not None:
        output.say(f"When the log is saved: rungwise readings {path} LOG.csv")
    if judged:
        output.say_verdict(headline(summary.verdict, summary.ended), summary.sentence)
    else:
        output.say(summary.sentence)
