"""Which of the near-equal states each step takes, and the way there.

Knows: targets, the states that would do for each, that open and short are kept apart.
Must not know: files, uncertainties, why states count as near-equal; how a quiet sequence is found.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from controller.ladder.electrical import Output, open_state, output_of, short_state, state_ohms
from controller.ladder.model import Ladder, PathStep
from controller.ladder.search import Scale
from controller.ladder.sequence import SequencePlan, StepChoice, plan_sequence
from controller.planning.model import ResolvedStep, StepKind
from controller.planning.paths import Router, shown
from controller.planning.plan import Target

__all__ = ["Chosen", "choose_states", "keep_states"]

_OUTPUT = {StepKind.OPEN: Output.OPEN, StepKind.SHORT: Output.SHORT}
_EXTREMES = {Output.OPEN, Output.SHORT}

_KEPT = 8
"""So many sequences are kept: screens, replays and reports come back to the same few plans."""


@dataclass(frozen=True, kw_only=True)
class Chosen:
    """A step's state, and the path to it from the step before or from the park state."""

    state: int
    path: tuple[PathStep, ...]


def choose_states(
    targets: Sequence[Target], choices: Mapping[Target, StepChoice], router: Router
) -> tuple[list[Chosen], float | None]:
    """Return a state and a path for each target, the first from the park state.

    The whole sequence has the smallest worst excursion, then the fewest relay operations. Between
    open and short, in either order, the mid value is shown. Beside it stands the excursion that no
    choice and no order can keep below, None when nothing is proven.

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
        offered.append(choices[target] if target in choices else StepChoice(output=output))
        before = output
    sequence = _sequence(ladder, tuple(offered), router.celsius)
    found = zip(sequence.states, map(router.steps_of, sequence.paths), strict=True)
    chosen: list[Chosen] = []
    for mid in via_mid:
        way: tuple[PathStep, ...] = ()
        if mid:
            _, to_mid = next(found)
            way = shown(to_mid, router.mid_state)
        state, path = next(found)
        chosen.append(Chosen(state=state, path=(*way, *path)))
    return chosen, sequence.lower_bound


@functools.lru_cache(maxsize=_KEPT)
def _sequence(ladder: Ladder, offered: tuple[StepChoice, ...], celsius: Scale) -> SequencePlan:
    """Return the quietest sequence from the park state; scales are told apart by identity."""
    return plan_sequence(ladder, ladder.park_state, offered, celsius)


def keep_states(
    targets: Sequence[Target],
    choices: Mapping[Target, StepChoice],
    router: Router,
    steps: Sequence[ResolvedStep],
) -> list[Chosen]:
    """Return the states and paths of an earlier resolving, the first from the park state.

    Where a state does not do for its target, or a path does not lead there, the nearest state.
    """
    ladder = router.ladder
    chosen: list[Chosen] = []
    before = ladder.park_state
    for index, target in enumerate(targets):
        choice = choices.get(target)
        if index < len(steps) and _does(steps[index], choice, before, target, ladder):
            state, path = steps[index].state, steps[index].path
        else:
            make = open_state if target.kind is StepKind.OPEN else short_state
            state = choice.states[0] if choice else make(ladder, base=before)
            path = router.path(before, state)
        chosen.append(Chosen(state=state, path=path))
        before = state
    return chosen


def _does(
    step: ResolvedStep, choice: StepChoice | None, before: int, target: Target, ladder: Ladder
) -> bool:
    """Return whether a step's state does for a target, and its path leads there."""
    passed = [one.state for one in step.path]
    if [before, *passed][-1] != step.state:
        return False
    if any(state >> ladder.relay_count for state in (*passed, step.state)):
        return False
    output = output_of(ladder, step.state)
    if choice is None:
        return output is _OUTPUT[target.kind]
    if step.state in choice.states:
        return True
    low, high = choice.span_ohms or (math.inf, -math.inf)
    return output is Output.CONNECTED and low <= state_ohms(ladder, step.state) <= high
