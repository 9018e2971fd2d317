"""`rungwise check`: the open / short / mid check.

Knows: that it takes the same arguments as a sweep.
Must not know: how a plan is carried out.
"""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from controller.cli.verb_sweep import plan_arguments as add_arguments

if TYPE_CHECKING:
    from controller.cli.output import Output

__all__ = ["add_arguments", "run"]


def run(arguments: argparse.Namespace, output: Output) -> int:
    """Carry out the check; what a short circuit draws is said first."""
    from controller.cli.run_plan import carry_out

    return carry_out(arguments, output, verb="check")
