"""Whether a run of a plan could be found again in the log of a tool: tried before it is driven.

Knows: resolved plans, how a log is laid against a run, what a faultless log of the run looks like.
Must not know: files, benches, how a run goes.
"""

from __future__ import annotations

import math

from controller.logs.alignment import LEAST_RATIO, NotAligned, align
from controller.logs.model import LogRow, Stand
from controller.planning.model import ResolvedPlan, StepKind

__all__ = ["MARGIN_S", "REMEDY", "aligning_warnings", "lasts_s"]

MARGIN_S = 1.0
"""Rows nearer than this to a step's end may already be of the next one."""

REMEDY = (
    'use direction = "random" or "up-then-down" in the plan, or marker = true, which begins with'
    " the ends and the middle of the span in an order of their own"
)

_ROW_EVERY_S = 1.0
_IN_HAND = 2.0
"""A real log is worse than the faultless one by about this."""


def lasts_s(plan: ResolvedPlan) -> float:
    """Return how long a run takes whose steps only stand."""
    return sum(step.path_s + step.dwell_s for step in plan.steps)


def aligning_warnings(plan: ResolvedPlan) -> tuple[str, ...]:
    """Return a sentence where a log of the plan would probably be refused.

    The faultless log of a healthy module is made, a row a second in whole degrees from the first
    step to the last, and laid against the plan.
    """
    stands, rows = _faultless(plan)
    try:
        ratio = align(rows, stands).ratio
    except NotAligned:
        ratio = 0.0
    if ratio is None or ratio >= LEAST_RATIO * _IN_HAND:
        return ()
    return (
        (
            "a log of this order of temperatures will probably not align with the run: shifted by a"
            f" step, it looks much the same; {REMEDY}"
        ),
    )


def _faultless(plan: ResolvedPlan) -> tuple[list[Stand], list[LogRow]]:
    stands, rows = [], []
    now_s = 0.0
    for step in plan.steps:
        now_s += step.path_s
        level = step.expected_celsius if step.kind is StepKind.TEMPERATURE else None
        stand = Stand(
            step_index=step.index,
            from_s=now_s,
            to_s=now_s + step.dwell_s,
            expected_celsius=level,
        )
        stands.append(stand)
        now_s = stand.to_s
        if level is not None:
            first, last = math.ceil(stand.from_s), math.ceil(stand.to_s)
            rows += [
                LogRow(at_s=at * _ROW_EVERY_S, celsius=float(round(level)))
                for at in range(first, last)
            ]
    return stands, rows
