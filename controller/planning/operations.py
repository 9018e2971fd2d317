"""How often relays move along a plan.

Knows: resolved plans, states.
Must not know: files, links, what a relay is rated for.
"""

from __future__ import annotations

from controller.ladder.moves import count_each, count_moves
from controller.planning.model import ResolvedPlan

__all__ = ["plan_operations", "step_operations"]


def plan_operations(plan: ResolvedPlan, relay_count: int) -> list[int]:
    """Return the operations of each relay over a plan's steps, from the one it starts with.

    They add up to the plan's `relay_operations`; the way back to the park state is not in them.
    """
    counts = [0] * relay_count
    state = plan.park_state
    for step in plan.steps[plan.first_step :]:
        state = count_each(counts, state, (hop.state for hop in step.path))
    return counts


def step_operations(plan: ResolvedPlan) -> list[int]:
    """Return how many relay operations the path of each step takes, for every step."""
    totals = []
    before = plan.park_state
    for step in plan.steps:
        start = plan.park_state if step.index == plan.first_step else before
        totals.append(count_moves(start, (hop.state for hop in step.path)))
        before = step.state
    return totals
