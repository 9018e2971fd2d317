"""What a plan asks for, and how its blocks of targets become an ordered list.

Knows: targets, directions, tolerance bands, decision rules, and the limits a plan may state.
Must not know: files, ladders, links, how a target is reached.
"""

from __future__ import annotations

import random
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import Enum
from pathlib import Path

from controller.errors import InputError
from controller.measurement.model import Contribution, DecisionRule, SettleRule
from controller.module.model import Module
from controller.planning.model import StepKind
from controller.planning.profile import Profile
from controller.planning.search import Search
from controller.sensors.curve import Sensor

__all__ = ["Direction", "Plan", "PlanKind", "Target", "TargetBlock", "ToleranceBand", "expand"]


class PlanKind(Enum):
    """What a plan is for."""

    SWEEP = "sweep"
    CHECK = "check"
    PROFILE = "profile"
    THRESHOLD = "threshold"

    @property
    def verb(self) -> str:
        """The command that runs such a plan."""
        return _VERBS.get(self.value, self.value)

    @property
    def resumable(self) -> bool:
        """Whether a run that was cut short can be gone on with at its first unfinished step."""
        return self in (PlanKind.SWEEP, PlanKind.CHECK)


_VERBS = {"profile": "sweep", "threshold": "seek"}


class Direction(Enum):
    """The order in which the targets of a block are run; up means towards hot."""

    AS_WRITTEN = "as-written"
    UP = "up"
    DOWN = "down"
    UP_THEN_DOWN = "up-then-down"
    DOWN_THEN_UP = "down-then-up"
    RANDOM = "random"


@dataclass(frozen=True, kw_only=True)
class Target:
    """What one step is to put at the input. Both values are None for open and short."""

    kind: StepKind
    celsius: float | None = None
    ohms: float | None = None

    def __str__(self) -> str:
        return self.kind.value if self.celsius is None else f"{self.celsius:g} degC"


@dataclass(frozen=True, kw_only=True)
class TargetBlock:
    """Targets that are ordered together. `seed` is for the random direction only."""

    targets: tuple[Target, ...]
    direction: Direction = Direction.AS_WRITTEN
    repeat: int = 1
    seed: int = 0


@dataclass(frozen=True, kw_only=True)
class ToleranceBand:
    """A tolerance that holds from one temperature to another, both included."""

    from_celsius: float
    to_celsius: float
    tolerance_celsius: float

    def distance_celsius(self, celsius: float) -> float:
        """Return how far outside the band a temperature is; zero inside."""
        return max(self.from_celsius - celsius, celsius - self.to_celsius, 0.0)


@dataclass(frozen=True, kw_only=True)
class Plan:
    """A plan file, read and checked.

    `near_tie_share` is the share of a step's expanded uncertainty within which two states count
    as equally near. Any state within `deviation_celsius` of its target, where that is stated, would
    do as well. `dwell_s` is the shortest time between the relays' last move and the reading
    that is judged. `tolerance` bands are in rising order and do not overlap. `repeatability` is
    how far readings of one setting scatter; None when nobody repeated any. `profile` says when
    each target of a plan of that kind is due, `search` what a threshold plan looks for. With
    `quiet_after_filter` relays change in the order that the module's input filter leaves least of.
    `second` is the plan of the second input, step by step beside this one; then `input` is the name
    of either, and `largest_difference_celsius`, which stands there, how much further apart than
    what is set the two reports may be.
    """

    name: str
    path: Path
    kind: PlanKind
    sensor: Sensor
    sensor_path: Path
    blocks: tuple[TargetBlock, ...]
    tolerance: tuple[ToleranceBand, ...]
    settle: SettleRule
    decision_rule: DecisionRule
    module: Module | None = None
    module_path: Path | None = None
    bench_path: Path | None = None
    dwell_s: float = 0.0
    ramp_limit_celsius_per_s: float | None = None
    max_excursion_celsius: float | None = None
    max_filtered_excursion_celsius: float | None = None
    near_tie_share: float = 0.1
    deviation_celsius: float | None = None
    repeatability: Contribution | None = None
    profile: Profile | None = None
    search: Search | None = None
    quiet_after_filter: bool = False
    input: str = ""
    second: Plan | None = None
    largest_difference_celsius: float | None = None

    @property
    def targets(self) -> tuple[Target, ...]:
        """Every step's target in the order of the run."""
        return expand(self.blocks)

    def tolerance_at(self, celsius: float) -> float:
        """Return the tolerance at a temperature: of its band, or of the nearest one.

        Where two bands meet, the tighter one holds. Raises InputError when there is none at all,
        as no plan file has it.
        """
        if not self.tolerance:
            raise InputError.single("no tolerance is stated", where=f"{self.path}: tolerance")
        nearest = min(band.distance_celsius(celsius) for band in self.tolerance)
        return min(
            band.tolerance_celsius
            for band in self.tolerance
            if band.distance_celsius(celsius) == nearest
        )


def expand(blocks: Sequence[TargetBlock]) -> tuple[Target, ...]:
    """Return the targets of all blocks in the order of the run.

    There and back passes the turning point once. Each repeat of a random block is a new order;
    the same seed gives the same orders everywhere.
    """
    return tuple(target for block in blocks for target in _expand_block(block))


def _expand_block(block: TargetBlock) -> Iterator[Target]:
    # Only Random.random() is promised to give the same numbers in every Python version, so the
    # order comes from sorting by it and not from Random.shuffle.
    source = random.Random(block.seed)  # noqa: S311 - an order of steps, not a secret
    for _ in range(block.repeat):
        if block.direction is Direction.AS_WRITTEN:
            yield from block.targets
        elif block.direction is Direction.RANDOM:
            yield from sorted(block.targets, key=lambda _target: source.random())
        else:
            rising = sorted(block.targets, key=_celsius)
            falling = rising[::-1]
            match block.direction:
                case Direction.UP:
                    yield from rising
                case Direction.DOWN:
                    yield from falling
                case Direction.UP_THEN_DOWN:
                    yield from [*rising, *falling[1:]]
                case Direction.DOWN_THEN_UP:
                    yield from [*falling, *rising[1:]]


def _celsius(target: Target) -> float:
    if target.celsius is None:
        raise ValueError("open and short have no place in an order by temperature")
    return target.celsius
