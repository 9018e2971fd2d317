"""`rungwise input check`: what is behind a module's input, before anything drives it.

Knows: what the finding says, and how a module file takes it over.
Must not know: how the input is looked at.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from controller.cli.look_arguments import add_look_arguments
from controller.errors import ExitCode, InputError
from controller.measurement.input_circuit import LEAST_LOAD_OHMS
from controller.new_file import write_new

if TYPE_CHECKING:
    from controller.cli.output import Output
    from controller.run.input_check import InputFinding
    from controller.run.job import Job

__all__ = ["add_arguments", "finding_fields", "run"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the verb's arguments."""
    add_look_arguments(parser)
    parser.add_argument(
        "--out",
        metavar="FILE",
        type=Path,
        help="new module file beside that of --module: the same, with what was measured",
    )
    parser.epilog = (
        "The ladder stays isolated until the voltage on the wire has been seen; then one known"
        " resistance is connected. The bench file describes the board's voltage input in [sense]."
    )


def run(arguments: argparse.Namespace, output: Output) -> int:
    """Look at the input; write it down where that is asked for."""
    from controller.cli.input_argument import named_bench
    from controller.cli.watch_input import carry_out
    from controller.documents import collecting_files
    from controller.module.files import load_module
    from controller.session.looks import checking_input, require_tap

    if arguments.out is not None:
        _check_out(arguments.module, arguments.out)
    with collecting_files() as files:
        bench = named_bench(arguments.bench, arguments)
        module = bench.module if arguments.module is None else load_module(arguments.module)
    tap = require_tap(bench)
    if tap.load_ohms < LEAST_LOAD_OHMS:
        output.warn(
            f"Note: the tap loads the input with {tap.load_ohms:.3g} ohm. That is taken into"
            " account here; a module that is swept with it on reads too hot at the cold end."
            f" {LEAST_LOAD_OHMS:.0e} ohm or a buffer is better."
        )
    job, status = carry_out(
        lambda record: checking_input(bench, module=module, record=record, files=files),
        output,
        record_path=arguments.record,
        yes=arguments.yes,
        fields=_fields,
    )
    if arguments.out is not None:
        finding = _finding(job)
        if status is ExitCode.LINK_FAULT or finding.circuit is None:
            output.warn(f"Note: {arguments.out} was not written: nothing was measured for it.")
            return status
        _write(arguments.module, arguments.out, finding)
        output.say(f"Module file: {arguments.out}")
    return status


def _finding(job: Job) -> InputFinding:
    from controller.run.input_check import InputCheckRun

    assert isinstance(job, InputCheckRun)  # noqa: S101 - what `checking_input` makes
    return job.finding


def _fields(job: Job) -> dict[str, Any]:
    return finding_fields(_finding(job))


def finding_fields(finding: InputFinding) -> dict[str, Any]:
    """Return what was found of an input, as it stands in JSON documents."""
    circuit = finding.circuit
    return {
        "isolated_volts": finding.isolated_volts,
        "trouble": finding.trouble,
        "reference_volts": circuit and circuit.reference_volts,
        "reference_uncertainty_volts": circuit and circuit.reference_uncertainty_volts,
        "pullup_ohms": circuit and circuit.pullup_ohms,
        "pullup_uncertainty_ohms": circuit and circuit.pullup_uncertainty_ohms,
        "short_circuit_amperes": circuit and circuit.short_circuit_amperes,
        "most_watts": circuit and circuit.most_watts,
    }


def _check_out(module: Path | None, out: Path) -> None:
    if module is None:
        raise InputError.single(
            "needs a module file to begin from", where="--out", hint="name it with --module"
        )
    if out.exists():
        raise InputError.single("this file exists already", where=str(out))
    if out.absolute().parent != module.absolute().parent:
        raise InputError.single(
            "belongs beside the module file it begins from, whose paths are relative",
            where=str(out),
        )


def _write(module: Path, out: Path, finding: InputFinding) -> None:
    """Write the module file anew with two values replaced; everything else stays as it is."""
    import re

    from controller.documents import read_text

    circuit = finding.circuit
    assert circuit is not None  # noqa: S101 - the caller has looked
    text = read_text(module)
    head, mark, rest = text.partition("[input]")
    for key, value, doubt in (
        (
            "reference_volts",
            f"{circuit.reference_volts:.3f}",
            f"{circuit.reference_uncertainty_volts:.3f}",
        ),
        (
            "pullup_ohms",
            f"{circuit.pullup_ohms:.1f}",
            f"{circuit.pullup_uncertainty_ohms:.1f}",
        ),
    ):
        line = f"{key} = {value}  # measured, U (k=2) {doubt}"
        rest, count = re.subn(rf"^{key}\s*=[^\n]*", line, rest, count=1, flags=re.MULTILINE)
        if not count:
            raise InputError.single(f"has no line for {key} below [input]", where=str(module))
    write_new(out, head + mark + rest)
