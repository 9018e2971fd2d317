"""`rungwise ladder self-test`: every relay moved and read back, every rung measured.

Knows: how the findings are laid out, that the result is kept for the runs to come.
Must not know: how states are chosen or faults found.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from controller.cautions import METER_CAUTION, SENSE_CAUTION
from controller.cli.input_argument import add_input_argument
from controller.errors import ExitCode

if TYPE_CHECKING:
    from controller.bench.model import BenchFile
    from controller.cli.output import Output
    from controller.ladder.faults import LadderFault
    from controller.run.job import Job

__all__ = ["add_arguments", "run"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the verb's arguments."""
    parser.add_argument("--bench", metavar="BENCH", type=Path, required=True, help="bench file")
    add_input_argument(parser)
    parser.add_argument(
        "--by",
        choices=("meter", "sense", "read-back"),
        help="what measures the rungs: the bench's [meter], the board's own voltage input at the"
        " module ([sense]), or nothing, outputs being read back alone (default: the first of these"
        " that the bench has)",
    )
    parser.add_argument(
        "--module",
        metavar="FILE",
        type=Path,
        help="module file: the input that [sense] looks at (default: the bench's simulated one)",
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
        "By a meter the module is unplugged; by [sense] it stays plugged in, and sees everything"
        " from open to short. Only [sense] is fast enough to time the relays. What is found of a"
        " real ladder is kept: a sweep or check on one that failed is refused until it passes."
        " exit status: 0 sound, 1 not sound, 3 a"
        " relay did not follow or the link failed, 4 nothing measured or not all of it"
    )


def run(arguments: argparse.Namespace, output: Output) -> int:
    """Test the ladder, and keep what was found."""
    from controller.cli.input_argument import named_bench
    from controller.cli.numbers import at_least_zero
    from controller.cli.watch_input import carry_out
    from controller.documents import collecting_files
    from controller.ladder.calibration import Instrument
    from controller.module.files import load_module
    from controller.session.self_testing import TestedBy, keep_result, self_testing, usual_way

    meter = Instrument(
        relative=at_least_zero(arguments.meter_percent, what="--meter-percent") / 100,
        floor_ohms=at_least_zero(arguments.meter_ohms, what="--meter-ohms"),
    )
    with collecting_files() as files:
        bench = named_bench(arguments.bench, arguments)
        module = bench.module if arguments.module is None else load_module(arguments.module)
    by = usual_way(bench, module) if arguments.by is None else TestedBy(arguments.by)
    if by is not TestedBy.READ_BACK:
        output.warn(METER_CAUTION if by is TestedBy.METER else SENSE_CAUTION)
    job, status = carry_out(
        lambda record: self_testing(
            bench, by=by, meter=meter, module=module, record=record, files=files
        ),
        output,
        record_path=arguments.record,
        yes=arguments.yes,
        fields=lambda job: {"by": by.value, **_fields(job)},
        show=lambda job: _show(output, bench, job),
    )
    if bench.drives_hardware and status in (ExitCode.PASS, ExitCode.FAIL):
        keep_result(bench, job)
    return status


def _fields(job: Job) -> dict[str, Any]:
    from dataclasses import asdict

    from controller.session.self_testing import tested_of

    tested = tested_of(job)
    found = tested.examination
    if found is None:
        return {"states": [], "faults_found": [], "unexplained": [], "rungs": [], "times": []}
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
        "rungs": [{**asdict(one), "hidden": one.hidden} for one in found.rungs],
        "times": [asdict(one) for one in tested.times],
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
    from controller.session.self_testing import tested_of
    from controller.text import ohms

    tested = tested_of(job)
    found = tested.examination
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
    if tested.times:
        output.say_table(
            ["relay", "", "took ms", "file ms", "bounce ms", "file ms", ""],
            [
                [
                    str(one.relay),
                    "operate" if one.energised else "release",
                    f"{one.least_ms:.1f} to {one.most_ms:.1f}",
                    f"{one.stated_ms:g}",
                    f"{one.bounce_ms:.1f}",
                    f"{one.stated_bounce_ms:g}",
                    "SLOW" if one.slow else "",
                ]
                for one in tested.times
            ],
        )
        resolution = max(one.resolution_ms for one in tested.times)
        output.say(f"Readings at most {resolution:.1f} ms apart: shorter bounces are not seen.")
    if hidden := tested.not_timed:
        relays = ", ".join(str(relay) for relay in hidden)
        output.say(f"Not timed, the change being too small to see: relays {relays}.")
