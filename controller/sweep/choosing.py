"""Which of the near-equal states each step takes.

Knows: targets, the states that would do for each, what a path between two states costs.
Must not know: files, uncertainties, why states count as near-equal.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from controller.ladder.model import Ladder
from controller.sweep.model import StepKind
from controller.sweep.plan import Target
from controller.sweep.routing import Router, operations

__all__ = ["choose_states"]

Extreme = Callable[[int, StepKind, int], int]


def choose_states(
    targets: Sequence[Target],
    choices: Mapping[Target, tuple[int, ...]],
    *,
    ladder: Ladder,
    router: Router,
    extreme: Extreme,
) -> list[int]:
    """Return each step's state: the smaller excursion first, then fewer relay operations.

    `extreme(index, kind, state before)` returns the state for open and short.
    """
    state = ladder.park_state
    states: list[int] = []
    for index, target in enumerate(targets):
        if target.kind is not StepKind.TEMPERATURE:
            state = extreme(index, target.kind, state)
        else:
            start = state
            offered = choices[target][:8]

            def cost(goal: int, start: int = start) -> tuple[float, int]:
                path = router.path(start, goal)
                return (round(router.excursion(start, path), 6), operations(start, path))

            state = min(offered, key=cost)
        states.append(state)
    return states
