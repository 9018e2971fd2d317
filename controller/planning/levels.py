"""Whether a search can be made on a bench: that it can see what it watches for, level by level."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

from controller.bench.model import BenchFile, ReadbackKind
from controller.errors import Problem
from controller.module.model import Module
from controller.planning.model import ResolvedPlan
from controller.planning.plan import Plan
from controller.planning.search import Watch

__all__ = ["level_problems", "search_problems"]


def search_problems(plan: Plan, bench: BenchFile, module: Module | None) -> Iterator[Problem]:
    """Yield why what a search watches for could not be seen on a bench."""
    search = plan.search
    if search is None:
        return
    watch, where = search.watch, str(plan.path)
    if watch is Watch.SATURATION and module is None:
        yield Problem(
            message="no module file says where the reading saturates",
            where=where,
            key="search.watch",
            hint='name one: module = "modules/...", or watch = "reading" with reaches_celsius',
        )
    if bench.readback is ReadbackKind.TYPED:
        return
    simulated = bench.module if bench.readback is ReadbackKind.SIMULATED else None
    if watch is Watch.FAN and (simulated is None or simulated.fan is None):
        yield Problem(
            message="nothing on this bench can tell whether a fan runs",
            where=where,
            key="search.watch",
            hint="simulate a module with a [fan], or let a person say so:"
            ' [readback] kind = "typed"',
        )
    untold = {
        ReadbackKind.CALLED: "a function that gives readings tells no codes",
        ReadbackKind.J1939: "codes that are broadcast are taken before and after a run only",
    }
    if watch is Watch.CODE and bench.readback in untold:
        yield Problem(
            message=untold[bench.readback],
            where=where,
            key="search.watch",
            hint='let a person watch for the code: [readback] kind = "typed"',
        )
    if watch is Watch.CODE and search.clear_codes and bench.readback is ReadbackKind.CAN:
        yield Problem(
            message="a search clears no codes of a real module: that would wipe its freeze frames"
            " and readiness at every level",
            where=where,
            key="search.clear_codes",
            hint="leave it out: the search then goes one way, until the code comes",
        )


def level_problems(plan: Plan, resolved: ResolvedPlan) -> Iterator[Problem]:
    """Yield levels that the ladder cannot tell apart, or makes in another order."""
    search = plan.search
    if search is None:
        return
    sign = 1 if search.to_celsius > search.from_celsius else -1
    for before, after in pairwise(resolved.steps):
        made, then = before.achieved_celsius, after.achieved_celsius
        if made is None or then is None or sign * (then - made) <= 0:
            yield Problem(
                message=f"the ladder cannot tell {before.target_celsius:g} and"
                f" {after.target_celsius:g} degC apart",
                where=str(plan.path),
                key="search.within_celsius",
                hint="use a larger value, or a ladder with finer steps",
            )
            return
