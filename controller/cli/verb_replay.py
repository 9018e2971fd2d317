"""`rungwise replay`: a record held against itself and against the simulated bench."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from controller.errors import ExitCode, InputError

if TYPE_CHECKING:
    from controller.cli.output import Output
    from controller.records.replay import Replay

__all__ = ["add_arguments", "run"]

_SHOWN = 40


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the verb's arguments."""
    parser.add_argument("records", metavar="RECORD", nargs="+", type=Path, help="record of a run")
    parser.add_argument("--junit", metavar="FILE", type=Path, help="write JUnit XML to this file")
    parser.epilog = (
        "exit status: 0 when everything comes out as recorded, whatever its verdict was;"
        " 1 on a difference. Where neither plan nor bench names a module, or none with the fan that"
        " was searched for, nothing can be run again: then the verdict decides (0 pass, 1 fail, 4"
        " undecided)"
    )


def run(arguments: argparse.Namespace, output: Output) -> int:
    """Replay each record; print every difference."""
    from controller.cli.places import require_place
    from controller.cli.several import for_each

    if arguments.junit is not None and len(arguments.records) > 1:
        raise InputError.single(
            "one file takes one record", where="--junit", hint="replay the records one by one"
        )
    if arguments.junit is not None:
        require_place(arguments.junit)
    return for_each(arguments.records, lambda path: _replay(path, arguments.junit, output), output)


def _replay(path: Path, junit: Path | None, output: Output) -> int:
    from controller.cli.printer import say_results
    from controller.clock import RealClock
    from controller.records.decode import ending_of
    from controller.records.encode import result_fields
    from controller.records.lines import plain
    from controller.records.reader import load_record
    from controller.records.replay import replay
    from controller.reports.text import run_sentence
    from controller.run.model import Ending
    from controller.session.status import exit_status_of_verdict

    clock = RealClock()
    began_s = clock.now_s()
    record = load_record(path)
    if record.torn_bytes:
        output.warn(f"Note: {record.torn_bytes} bytes of an unfinished last line are left out.")
    if record.closing is None:
        output.warn("Note: the record was never closed; the run was cut off.")
    outcome = replay(record)
    if ending_of(record) is Ending.FAULT:
        output.warn(f"Note: {run_sentence(record)}")
    seconds = clock.now_s() - began_s
    if junit is not None:
        _write_junit(junit, outcome, record.opening["utc"][:19], seconds)
    differences = outcome.differences
    count = len(differences)
    done = f"{len(outcome.recorded)} steps judged {'and run ' if outcome.ran else ''}again"
    if outcome.looks is not None:
        run = ", and the search run again" if outcome.ran else ""
        done = f"{outcome.looks} looks of a search checked{run}"
    sentence = (
        f"{done}, "
        f"{count or 'no'} difference{'' if count == 1 else 's'}"
        f" ({outcome.why}); the recorded run's verdict is {outcome.verdict.value}."
    )
    digits = outcome.plan.state_digits
    output.document(
        {
            "verdict": outcome.verdict.value,
            "same": not differences,
            "run_again": outcome.ran,
            "steps": [result_fields(result, digits) for result in outcome.recorded],
            "replayed_steps": [result_fields(result, digits) for result in outcome.replayed],
            "differences": plain(differences),
            "tolerances": plain(outcome.tolerances),
            "simulated_s": outcome.simulated_s,
            "sentence": sentence,
            "record": str(path),
        }
    )
    if outcome.looks is None:
        say_results(output, outcome.plan, outcome.recorded)
    for difference in differences[:_SHOWN]:
        output.say(f"Difference in {difference}")
    if count > _SHOWN:
        output.say(f"... and {count - _SHOWN} more; --json lists all of them.")
    if differences:
        word, status = "fail", ExitCode.FAIL
    elif outcome.ran:
        word, status = "pass", ExitCode.PASS
    else:  # nothing but the verdict can be said of it
        word, status = outcome.verdict.value, exit_status_of_verdict(outcome.verdict)
    output.say_verdict(word, sentence)
    return status


def _write_junit(path: Path, outcome: Replay, timestamp: str, seconds: float) -> None:
    from controller.reports.junit import junit_xml, write_junit

    document = junit_xml(
        outcome.plan.name,
        outcome.recorded,
        outcome.differences,
        timestamp=timestamp,
        seconds=seconds,
    )
    write_junit(path, document)
