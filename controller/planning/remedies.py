"""What would bring a plan's worst excursion below its limit: tried out, not guessed.

Knows: what another target, another order or another rung is, as changes to a plan and a ladder.
Must not know: files, how a plan is planned (that comes in), how it is refused.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from typing import TypeAlias

from controller.ladder.model import Contacts, GroupKind, Ladder, Rung
from controller.ladder.path import bits_of
from controller.planning.model import StepKind
from controller.planning.plan import Direction, Target, TargetBlock, expand
from controller.units import format_ohms

__all__ = ["MOST_STEPS", "Replanned", "helps"]

MOST_STEPS = 400
"""Longer plans are not planned again to find out what would help."""

_MOST_RELAYS = 64
_SEEDS = (1, 2)

Replanned: TypeAlias = Callable[[Sequence[Target], Ladder], float]
"""Returns the worst excursion in degC of targets on a ladder, switched by the best paths."""


def helps(
    targets: Sequence[Target],
    ladder: Ladder,
    *,
    at: int,
    changed: int,
    between: Target | None,
    limit_celsius: float,
    replanned: Replanned,
    ordered: bool = False,
) -> str:
    """Say what keeps the limit, or else what comes nearest to it, of what was tried.

    The targets of an `ordered` plan follow from a course or a search: no other order or target is
    offered for them. `at` is the step that strays furthest, `changed` the relays that it changes,
    `between` a target between it and the one before, None where there is none.
    """
    freely = "" if ordered else "an intermediate target, another order, or "
    usual = f"{freely}one more rung may lower it; or raise the limit"
    if len(targets) > MOST_STEPS:
        return usual
    tried = [
        (replanned(other_targets, other_ladder), words)
        for words, other_targets, other_ladder in (
            *(() if ordered else _intermediate(targets, ladder, at, between)),
            *(() if ordered else _other_orders(targets, ladder)),
            *_one_more_rung(targets, ladder, changed),
        )
    ]
    keeping = [f"{words} brings it to {strays:.1f} degC" for strays, words in tried]
    kept = [s for s, (strays, _) in zip(keeping, tried, strict=True) if strays <= limit_celsius]
    if kept:
        return "; or ".join(kept)
    if not tried:
        return "raise the limit"
    nearest = keeping[tried.index(min(tried))]
    return f"nothing that was tried keeps the limit; {nearest}"


_Change: TypeAlias = tuple[str, Sequence[Target], Ladder]


def _intermediate(
    targets: Sequence[Target], ladder: Ladder, at: int, between: Target | None
) -> Iterator[_Change]:
    if between is not None:
        longer = [*targets[:at], between, *targets[at:]]
        yield f"an intermediate target of {between.celsius:.1f} degC", longer, ladder


def _other_orders(targets: Sequence[Target], ladder: Ladder) -> Iterator[_Change]:
    """Yield the plan in other orders, where it has neither open nor short.

    Long ways stray less than short ones, because more lies within the span of their ends.
    """
    if any(target.kind is not StepKind.TEMPERATURE for target in targets):
        return
    rising = sorted(targets, key=lambda target: target.celsius or 0.0)
    if rising != list(targets):
        yield "the plan in rising order", rising, ladder
    for seed in _SEEDS:
        block = TargetBlock(targets=tuple(targets), direction=Direction.RANDOM, seed=seed)
        yield f"the plan in random order (seed {seed})", expand([block]), ladder


def _one_more_rung(targets: Sequence[Target], ladder: Ladder, changed: int) -> Iterator[_Change]:
    """Yield ladders with one more rung, like the largest that changes or half of it."""
    sizes = {rung.relay: rung.ohms for group in ladder.groups for rung in group.rungs}
    largest = max((sizes[r] for r in bits_of(changed) if r in sizes), default=None)
    if largest is None or ladder.relay_count >= _MOST_RELAYS:
        return
    for ohms in (largest, largest / 2):
        longer = _with_rung(ladder, ohms)
        if longer is not None:
            yield f"a redundant rung of {format_ohms(ohms)}", targets, longer


def _with_rung(ladder: Ladder, ohms: float) -> Ladder | None:
    """Return the ladder with one more rung in its first series group; None when it has none."""
    relay = ladder.relay_count
    for index, group in enumerate(ladder.groups):
        if group.kind is GroupKind.SERIES:
            like = ladder.relays[group.rungs[0].relay]
            longer = replace(group, rungs=(*group.rungs, Rung(relay=relay, ohms=ohms)))
            return replace(
                ladder,
                relay_count=relay + 1,
                relays=(
                    *ladder.relays,
                    replace(like, index=relay, contacts=Contacts.NORMALLY_OPEN),
                ),
                groups=(*ladder.groups[:index], longer, *ladder.groups[index + 1 :]),
            )
    return None
