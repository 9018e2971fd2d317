"""`rungwise ladder self-test`: every relay moved and read back, every rung measured.

Knows: how the findings are laid out, that the result is kept for the runs to come.
Must not know: how states are chosen or faults found.
"""

from __future__ import annotations

import argparse
import os
from pathlib import Path
from typing import TYPE_CHECKING, Any

from controller.cautions import METER_CAUTION
from controller.errors import ExitCode

if TYPE_CHECKING:
    from controller.bench.model import BenchFile
    from controller.cli.output import Output
    from controller.ladder.faults import LadderFault
    from controller.ladder.self_test import Examination
    from controller.run.driver import Job

__all__ = ["add_arguments", "run"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the verb's arguments."""
    parser.add_argument(
        "--bench", metavar="BENCH", type=Path, required=True, help="bench file; [meter] measures"
    )
    parser.add_argument(
        "--meter-percent",
        metavar="P",
        default="0.01",
        help="the meter's uncertainty (k = 1), share of the reading in percent (default: 0.01)",
    )
    parser.add_argument(
        "--meter-ohms",
        metavar="R",
        default="0.01",
        help="the meter's uncertainty (k = 1), fixed share in ohm (default: 0.01)",
    )
    parser.add_argument("--record", metavar="FILE", type=Path, help="keep a record of it")
    parser.add_argument(
        "--yes", action="store_true", help="the cautions for real equipment have been read"
    )
    parser.epilog = (
        "The module is unplugged for it. What is found of a real ladder is kept, and every run on"
        " a ladder that failed says so until it passes. exit status: 0 sound, 1 not sound, 3 a"
        " relay did not follow or the link failed, 4 nothing measured or not all of it"
    )


def run(arguments: argparse.Namespace, output: Output) -> int:
    """Test the ladder, and keep what was found."""
    from controller.bench.files import load_bench
    from controller.cli.numbers import at_least_zero
    from controller.cli.watch_input import carry_out
    from controller.documents import collecting_files
    from controller.ladder.calibration import Instrument
    from controller.session.looks import self_testing

    meter = Instrument(
        relative=at_least_zero(arguments.meter_percent, what="--meter-percent") / 100,
        floor_ohms=at_least_zero(arguments.meter_ohms, what="--meter-ohms"),
    )
    with collecting_files() as files:
        bench = load_bench(arguments.bench)
    output.warn(METER_CAUTION)
    job, status = carry_out(
        lambda record: self_testing(bench, meter=meter, record=record, files=files),
        output,
        record_path=arguments.record,
        yes=arguments.yes,
        fields=_fields,
        show=lambda job: _show(output, bench, job),
    )
    if bench.drives_hardware and status in (ExitCode.PASS, ExitCode.FAIL):
        _keep(bench, job)
    return status


def _examination(job: Job) -> Examination | None:
    from controller.run.self_test import SelfTestRun

    assert isinstance(job, SelfTestRun)  # noqa: S101 - what `self_testing` makes
    return job.examination


def _keep(bench: BenchFile, job: Job) -> None:
    from controller.bench.self_tests import SelfTested, keep_self_test, self_test_file
    from controller.clock import RealClock

    found = _examination(job)
    assert found is not None  # noqa: S101 - there is a verdict
    words = [fault.words for fault in found.faults] or ["something that no single fault explains"]
    keep_self_test(
        self_test_file(os.environ),
        bench.ladder.name,
        SelfTested(
            utc=RealClock().utc().isoformat(timespec="seconds"),
            sound=found.sound,
            sentence="all within tolerance." if found.sound else f"{'; '.join(words)}.",
        ),
    )


def _fields(job: Job) -> dict[str, Any]:
    found = _examination(job)
    if found is None:
        return {"states": [], "faults_found": [], "unexplained": []}
    show = job.plan.format_state
    return {
        "states": [
            {
                "state": show(one.state),
                "expected_ohms": one.expected_ohms,
                "measured_ohms": one.measured_ohms,
                "uncertainty_ohms": 2 * one.uncertainty_ohms,
                "agrees": one.agrees,
            }
            for one in found.seen
        ],
        "faults_found": [
            {**_fault_fields(fault), "or_else": [_fault_fields(other) for other in others]}
            for fault, others in zip(found.faults, found.alternatives, strict=True)
        ],
        "unexplained": [show(state) for state in found.unexplained],
    }


def _fault_fields(fault: LadderFault) -> dict[str, Any]:
    from dataclasses import asdict

    from controller.ladder.faults import KIND_OF

    return {
        "kind": KIND_OF[type(fault)],
        "words": fault.words,
        **asdict(fault),
    }


def _show(output: Output, bench: BenchFile, job: Job) -> None:
    from controller.text import ohms

    found = _examination(job)
    if found is None:
        return
    output.say(bench.ladder.name)
    output.say_table(
        ["state", "expected ohm", "measured ohm", "U (k=2) ohm", ""],
        [
            [
                bench.ladder.format_state(one.state),
                ohms(one.expected_ohms),
                ohms(one.measured_ohms),
                ohms(2 * one.uncertainty_ohms),
                "within" if one.agrees else "BEYOND",
            ]
            for one in found.seen
        ],
    )
