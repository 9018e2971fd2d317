"""Which states would do for each temperature of a plan.

Knows: targets, how well a state's temperature is known, how far off its target it may be.
Must not know: which of them is taken, paths, what is refused.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from controller.ladder.electrical import Output
from controller.ladder.search import Candidate
from controller.ladder.sequence import CANDIDATES, StepChoice, connected_choice
from controller.planning.expectations import Expectations
from controller.planning.paths import Router
from controller.planning.plan import Plan, Target

__all__ = ["near_equals"]


def near_equals(
    targets: Sequence[Target], plan: Plan, router: Router, expected: Expectations
) -> dict[Target, StepChoice]:
    """Return the states that would do for each temperature, the nearest first.

    The deviation of the others exceeds the least by no more than the plan's share of the
    expanded uncertainty, or is no more than the plan allows any.
    """
    search, curve = router.search, plan.sensor.curve
    wanted = [
        (target, target.celsius, target.ohms)
        for target in dict.fromkeys(targets)
        if target.celsius is not None and target.ohms is not None
    ]
    found = search.nearest_each_by([ohms for _, _, ohms in wanted], router.celsius)
    nearest = [one.state for one in found]
    made = router.temperatures(nearest) if nearest else []
    budgets = expected.budgets(list(zip(nearest, made, strict=True)))
    share, allowed = plan.near_tie_share, plan.deviation_celsius or 0.0
    choices: dict[Target, StepChoice] = {}
    loose: list[tuple[Target, float, Candidate]] = []
    spans: list[tuple[float, float]] = []
    for (target, celsius, ohms), one, reached, budget in zip(
        wanted, found, made, budgets, strict=True
    ):
        off = abs(reached - celsius)
        width = max(off + share * budget.expanded_celsius, allowed)
        width = off if router.together else width
        low = max(celsius - width, curve.lowest_celsius)
        high = min(celsius + width, curve.highest_celsius)
        choices[target] = StepChoice(output=Output.CONNECTED, states=(one.state,))
        if width > off and low < high:
            loose.append((target, ohms, one))
            spans.append((low, high))
    ends = np.sort(curve.ohms(np.array(spans).reshape(-1, 2)), axis=1).tolist()
    windows = search.windows(ends, CANDIDATES)
    for (target, ohms, one), (low, high), window in zip(loose, ends, windows, strict=True):
        choices[target] = connected_choice(
            search, ohms, low, high, router.celsius, nearest=one, window=window
        )
    return choices
