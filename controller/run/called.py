"""A program's own function as the readback of a plan's run."""

from __future__ import annotations

from controller.bench.model import BenchFile
from controller.clock import Clock
from controller.planning.model import ResolvedPlan
from controller.readback.called import CalledReadback, Input, ReadbackFunction

__all__ = ["called_readback"]


def called_readback(
    function: ReadbackFunction, plan: ResolvedPlan, bench: BenchFile, clock: Clock
) -> CalledReadback:
    """Return a readback that asks `function` what the module reports for each step's input."""
    inputs = [Input(ohms=step.achieved_ohms, celsius=step.achieved_celsius) for step in plan.steps]
    return CalledReadback(function, inputs, clock, bench.reading_interval_s)
