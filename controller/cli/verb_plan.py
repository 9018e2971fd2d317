"""`rungwise plan`: what would be set, step by step.

Knows: that nothing is driven.
Must not know: links, runs.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from controller.errors import ExitCode

if TYPE_CHECKING:
    from controller.cli.output import Output

__all__ = ["add_arguments", "run"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the verb's arguments."""
    parser.add_argument("plan", metavar="PLAN", type=Path, help="plan file")
    parser.add_argument(
        "--bench", metavar="BENCH", type=Path, help="bench file; else the plan's, else simulated"
    )


def run(arguments: argparse.Namespace, output: Output) -> int:
    """Print the resolved plan."""
    from controller.cli.printer import say_plan
    from controller.records.encode import plan_fields
    from controller.records.inputs import load_inputs
    from controller.sweep.resolve import resolve_on

    inputs = load_inputs(arguments.plan, arguments.bench)
    resolved = resolve_on(inputs.plan, inputs.bench)
    for warning in resolved.warnings:
        output.warn(f"Note: {warning}")
    output.document({"bench": inputs.bench.name, **plan_fields(resolved)})
    say_plan(output, resolved)
    return ExitCode.PASS
