"""Which job carries out a plan: for a run and for its replay the same one."""

from __future__ import annotations

import math

from controller.bench.model import ReadbackKind
from controller.bench.opened import Bench
from controller.clock import Clock
from controller.measurement.input_circuit import Tap
from controller.planning.model import ResolvedPlan
from controller.planning.single_value import router_by_ohms
from controller.records.inputs import Inputs
from controller.run.bisection import Bisection
from controller.run.input_check import Expected
from controller.run.later import LaterRun
from controller.run.looked_check import LookedCheckRun
from controller.run.profile import ProfileRun
from controller.run.seek import SeekRun
from controller.run.sweep import SweepRun

__all__ = ["PlanJob", "job_of"]

PlanJob = SweepRun | LaterRun | ProfileRun | SeekRun


def job_of(
    inputs: Inputs,
    plan: ResolvedPlan,
    bench: Bench,
    clock: Clock,
    *,
    known: Bisection | None = None,
) -> PlanJob:
    """Return the job for a plan that was resolved from `inputs`.

    `known` is what a search that is gone on with has found.
    """
    search = inputs.plan.search
    if search is not None:
        return SeekRun(plan, search, bench, clock, module=inputs.module, known=known)
    if inputs.plan.profile is not None:
        return ProfileRun(plan, inputs.plan.profile, bench, clock)
    if inputs.bench.readback is ReadbackKind.LATER:
        return LaterRun(plan, bench, clock)
    if plan.looks_first and inputs.bench.tap is not None:
        return _looked_check(inputs, inputs.bench.tap, plan, bench, clock)
    return SweepRun(plan, bench, clock)


def _looked_check(
    inputs: Inputs, tap: Tap, plan: ResolvedPlan, bench: Bench, clock: Clock
) -> LookedCheckRun:
    module = inputs.module
    return LookedCheckRun(
        plan,
        router_by_ohms(inputs.bench),
        tap,
        None
        if module is None
        else Expected(reference_volts=module.reference_volts, pullup_ohms=module.pullup_ohms),
        bench,
        clock,
        lowest_pullup_ohms=math.inf if module is None else module.lowest_pullup_ohms,
    )
