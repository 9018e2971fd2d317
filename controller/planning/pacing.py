"""What the times of a profile leave room for: which steps can be judged, which will be late."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise

from controller.measurement.model import SettleRule
from controller.planning.model import ResolvedPlan, ResolvedStep
from controller.planning.profile import LEAST_INTERVAL_S, Profile, furthest_off

__all__ = ["course_warnings", "judged_steps", "profile_warnings"]


def judged_steps(plan: ResolvedPlan) -> tuple[ResolvedStep, ...]:
    """Return the steps of a plan that are judged: all, but for a profile's that are too brief.

    A step of a profile is judged when it stands long enough for a module's reading to settle by
    the plan's rule. Its last step stands as long as that takes.
    """
    brief = set(_brief(plan.steps, plan.settle))
    return tuple(step for step in plan.steps if step.index not in brief)


def profile_warnings(steps: Sequence[ResolvedStep], settle: SettleRule) -> Iterator[str]:
    """Yield what a profile's times do not leave room for."""
    brief = len(list(_brief(steps, settle)))
    if brief:
        yield (
            f"{brief} of {len(steps)} steps are too short to be judged: that takes"
            f" {_needed_s(settle):.3g} s"
        )
    late = [
        (after.path_s - (after.planned_s - before.planned_s), after)
        for before, after in pairwise(steps)
        if before.planned_s is not None and after.planned_s is not None
    ]
    behind = [(by_s, step) for by_s, step in late if by_s > 1e-9]
    if behind:
        by_s, step = max(behind, key=lambda entry: entry[0])
        yield (
            f"{len(behind)} of {len(steps)} steps will be late: the relays take longer than the"
            f" profile gives them, most at step {step.index + 1}, by {by_s:.2f} s"
        )


def course_warnings(profile: Profile) -> Iterator[str]:
    """Yield where a course is too steep for steps that need a little time each."""
    worst, at_s = furthest_off(profile.points, profile.steps)
    if worst > profile.step_celsius:
        yield (
            f"the course is too steep to follow: what is set is up to {worst:.3g} degC off it, most"
            f" at {at_s:.4g} s, because steps are {LEAST_INTERVAL_S:g} s apart at least"
        )


def _needed_s(settle: SettleRule) -> float:
    """Return how long a step has to stand: the module's lag, the rule's time, a reading's gap."""
    gap_s = min(settle.gap_s, settle.for_s)
    return settle.lag_s + settle.for_s + gap_s


def _brief(steps: Sequence[ResolvedStep], settle: SettleRule) -> Iterator[int]:
    for before, after in pairwise(steps):
        if before.planned_s is None or after.planned_s is None:
            continue
        stands_s = after.planned_s - after.path_s - before.planned_s
        if stands_s < max(_needed_s(settle), before.dwell_s + settle.lag_s):
            yield before.index
