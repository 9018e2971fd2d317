"""Where one relay at a time disturbs the module more, after its filter, than all at once would."""

from __future__ import annotations

from controller.ladder.model import Ladder
from controller.ladder.search import Scale
from controller.module.model import Module
from controller.planning.model import ResolvedPlan
from controller.planning.transition import transition

__all__ = ["after_filter_note"]

_SEEN_CELSIUS = 0.1
"""What is less than this does not show in any report."""
_LOOKED_AT = 5
"""So many steps, those with the largest excursions after the filter, are simulated both ways."""


def after_filter_note(
    plan: ResolvedPlan,
    ladder: Ladder,
    module: Module,
    celsius: Scale,
    *,
    asked_for: bool = False,
) -> str | None:
    """Return a sentence where a plan's paths are the louder way for the module; else None.

    A path takes longer than one change of all relays: what it passes is nearer, but the filter has
    more time to follow. Both ways are simulated as relays move, all at once with many chances, the
    worst of which counts. `asked_for`: the plan's orders are chosen for the filter already.
    """
    starts = [plan.park_state, *(step.state for step in plan.steps[:-1])]
    starts[plan.first_step] = plan.park_state
    strays = [step.filtered_excursion_celsius or 0.0 for step in plan.steps]
    worst = sorted(range(plan.first_step, len(plan.steps)), key=lambda at: -strays[at])
    louder = []
    for at in worst[:_LOOKED_AT]:
        if strays[at] <= _SEEN_CELSIUS:
            break
        change = transition(ladder, module, starts[at], plan.steps[at].path, celsius)
        by_path = change.by_path.filtered_excursion_celsius
        together = change.together.filtered_excursion_celsius
        if by_path > together + _SEEN_CELSIUS:
            louder.append((by_path - together, at, by_path, together))
    if not louder:
        return None
    _, at, by_path, together = max(louder)
    more = "" if asked_for else "; quiet_after_filter = true in the plan orders the relays for it"
    return (
        f"step {at + 1}: after the module's filter the path strays {by_path:.1f} degC, all relays"
        f" at once {together:.1f} degC, because the path takes longer; at the input the path is"
        f" the quieter way{more}"
    )
