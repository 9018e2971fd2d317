"""Which job carries out a plan: for a run and for its replay the same one."""

from __future__ import annotations

from controller.bench.model import ReadbackKind
from controller.bench.opened import Bench
from controller.clock import Clock
from controller.planning.model import ResolvedPlan
from controller.records.inputs import Inputs
from controller.run.later import LaterRun
from controller.run.profile import ProfileRun
from controller.run.seek import SeekRun
from controller.run.sweep import SweepRun

__all__ = ["PlanJob", "job_of"]

PlanJob = SweepRun | LaterRun | ProfileRun | SeekRun


def job_of(inputs: Inputs, plan: ResolvedPlan, bench: Bench, clock: Clock) -> PlanJob:
    """Return the job for a plan that was resolved from `inputs`."""
    if inputs.plan.search is not None:
        return SeekRun(plan, inputs.plan.search, bench, clock, module=inputs.module)
    if inputs.plan.profile is not None:
        return ProfileRun(plan, inputs.plan.profile, bench, clock)
    if inputs.bench.readback is ReadbackKind.LATER:
        return LaterRun(plan, bench, clock)
    return SweepRun(plan, bench, clock)
