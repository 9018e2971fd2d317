"""Which of the near-equal states each step takes, and the way there.

Knows: targets, the states that would do for each, that open and short are kept apart.
Must not know: files, uncertainties, why states count as near-equal; how a quiet sequence is found.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from controller.ladder.electrical import Output, output_of
from controller.ladder.model import PathStep
from controller.ladder.sequence import StepChoice, plan_sequence
from controller.planning.model import StepKind
from controller.planning.paths import Router, path_steps, shown
from controller.planning.plan import Target

__all__ = ["Chosen", "choose_states"]

_OUTPUT = {StepKind.OPEN: Output.OPEN, StepKind.SHORT: Output.SHORT}
_EXTREMES = {Output.OPEN, Output.SHORT}


@dataclass(frozen=True, kw_only=True)
class Chosen:
    """A step's state, and the path to it from the step before or from the park state."""

    state: int
    path: tuple[PathStep, ...]


def choose_states(
    targets: Sequence[Target], choices: Mapping[Target, tuple[int, ...]], router: Router
) -> list[Chosen]:
    """Return a state and a path for each target, the first from the park state.

    The whole sequence has the smallest worst excursion, then the fewest relay operations. Between
    open and short, in either order, the mid value is shown.

    Raises InputError when the ladder cannot make an open or a short that is asked for.
    """
    ladder = router.ladder
    offered: list[StepChoice] = []
    via_mid: list[bool] = []
    before = output_of(ladder, ladder.park_state)
    for target in targets:
        output = _OUTPUT.get(target.kind, Output.CONNECTED)
        via_mid.append({before, output} == _EXTREMES)
        if via_mid[-1]:
            offered.append(StepChoice(output=Output.CONNECTED, states=(router.mid_state,)))
        offered.append(StepChoice(output=output, states=choices.get(target, ())))
        before = output
    sequence = plan_sequence(ladder, ladder.park_state, offered, router.celsius)
    found = zip(sequence.states, map(path_steps, sequence.paths), strict=True)
    chosen: list[Chosen] = []
    for mid in via_mid:
        way: tuple[PathStep, ...] = ()
        if mid:
            _, to_mid = next(found)
            way = shown(to_mid, router.mid_state)
        state, path = next(found)
        chosen.append(Chosen(state=state, path=(*way, *path)))
    return chosen
