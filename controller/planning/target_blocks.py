"""The targets of a plan file: lists, ranges, levels of a course, and the marker before them.

Knows: the keys of [[targets]], what a sensor's span allows.
Must not know: ladders, how targets are reached, the other keys of a plan.
"""

from __future__ import annotations

import math
from typing import Any

from controller.documents import Document, Table
from controller.errors import InputError
from controller.planning.model import StepKind
from controller.planning.plan import Direction, PlanKind, Target, TargetBlock, expand
from controller.planning.ranges import MOST_STEPS, range_values
from controller.sensors.curve import Sensor
from controller.units import (
    celsius_from_fahrenheit,
    fahrenheit_from_celsius,
    format_ohms,
    parse_ohms,
)

__all__ = ["blocks_in_order", "marked_blocks", "read_blocks", "read_listed", "target_at"]

_EXTREMES = {"open": StepKind.OPEN, "short": StepKind.SHORT}
_DIRECTIONS = [d.value for d in Direction]
_UNITS = ("celsius", "fahrenheit", "ohms")


def read_blocks(root: Table, sensor: Sensor | None) -> tuple[TargetBlock, ...]:
    """Return the [[targets]] of a plan; every problem is noted in its document."""
    if isinstance(root.raw("targets"), dict):
        root.problem("targets", "must be an array of tables", hint="write [[targets]]")
        return ()
    before = root.document.sound
    tables = root.tables("targets", least=1)
    blocks = tuple(_block(table, sensor) for table in tables)
    steps = sum(_steps(block) for block in blocks)
    if steps > MOST_STEPS:
        root.problem("targets", f"{steps} steps are more than the {MOST_STEPS} a run may have")
    elif steps == 0 and before and root.document.sound:
        root.problem("targets", "there is nothing to run", hint="add a target")
    return blocks


def blocks_in_order(
    root: Table, key: str, celsius: list[float], sensor: Sensor | None
) -> tuple[TargetBlock, ...]:
    """Return temperatures as one block; of those that the sensor does not have, the furthest."""
    made: dict[float, Target | None] = {}
    for value in dict.fromkeys((min(celsius), max(celsius))) if celsius else ():
        made[value] = target_at(root.document, key, "celsius", value, sensor)
    if None in made.values():  # nothing between them would say more
        return (TargetBlock(targets=()),)
    for value in celsius:
        if value not in made:
            made[value] = target_at(root.document, key, "celsius", value, sensor)
    return (TargetBlock(targets=tuple(t for value in celsius if (t := made[value]) is not None)),)


def marked_blocks(
    root: Table, kind: PlanKind, blocks: tuple[TargetBlock, ...]
) -> tuple[TargetBlock, ...]:
    """Return the blocks with a marker in front: far, near, far, middle, far from where they begin.

    Shifted by any number of steps, three of these at least contradict themselves or what follows;
    two ends in turn alone would look the same two steps on.
    """
    between = sorted(
        (target.celsius, index)
        for index, target in enumerate(expand(blocks))
        if target.celsius is not None
    )
    if kind is not PlanKind.SWEEP:
        root.problem("marker", f"has no use in a plan of kind {kind.value!r}")
    if kind is not PlanKind.SWEEP or not between:
        return blocks
    targets = expand(blocks)
    low, high = between[0], between[-1]
    middle = min(between, key=lambda one: abs(one[0] - (low[0] + high[0]) / 2))
    begins = min(between, key=lambda one: one[1])[0]
    near, far = (low, high) if begins - low[0] <= high[0] - begins else (high, low)
    order = (far, near, far, middle, far)
    return (TargetBlock(targets=tuple(targets[index] for _, index in order)), *blocks)


def _steps(block: TargetBlock) -> int:
    there_and_back = block.direction in (Direction.UP_THEN_DOWN, Direction.DOWN_THEN_UP)
    once = 2 * len(block.targets) - 1 if there_and_back else len(block.targets)
    return max(once, 0) * block.repeat


def _block(table: Table, sensor: Sensor | None) -> TargetBlock:
    listed = [unit for unit in _UNITS if unit in table]
    ranged = [unit for unit in _UNITS if f"from_{unit}" in table]
    targets: list[Target] = []
    if len(listed) + len(ranged) != 1:
        table.problem(
            "",
            "needs one list or one range of targets",
            hint='celsius = [20, "open"], or from_celsius, to_celsius and step_celsius;'
            " _fahrenheit and _ohms likewise",
        )
        for unit in _UNITS:  # known keys all the same, so that a misspelt one finds its like
            for key in (unit, f"from_{unit}", f"to_{unit}", f"step_{unit}"):
                table.raw(key)
    elif listed:
        targets = read_listed(table, listed[0], listed[0], sensor)
    else:
        targets = _ranged(table, ranged[0], sensor)
    direction = Direction(table.choice("direction", _DIRECTIONS, default="as-written"))
    if direction is not Direction.AS_WRITTEN and any(t.celsius is None for t in targets):
        table.problem(
            "direction",
            "open and short have no place in an order by temperature",
            hint="put them into a [[targets]] block of their own",
        )
        targets = [t for t in targets if t.celsius is not None]
    seed = table.optional_integer("seed", least=0)
    if direction is Direction.RANDOM and seed is None:
        table.problem("seed", "is missing", hint="a random order can only be repeated with a seed")
    if direction is not Direction.RANDOM and seed is not None:
        table.problem("seed", "has no use here", hint='it belongs to direction = "random"')
    return TargetBlock(
        targets=tuple(targets),
        direction=direction,
        repeat=table.integer("repeat", default=1, least=1, most=10_000),
        seed=seed or 0,
    )


def read_listed(table: Table, key: str, unit: str, sensor: Sensor | None) -> list[Target]:
    """Return the targets that a key lists, in a unit; problems are noted."""
    values = table.raw(key)
    path = table.key_path(key)
    if not isinstance(values, list):
        table.problem(key, "must be an array of targets", hint=f'{key} = [20, "open"]')
        return []
    if not values:
        table.problem(key, "is empty", hint="add a target")
    targets = []
    for index, value in enumerate(values):
        where = f"{path}[{index}]"
        target = _target(table.document, where, unit, value, sensor)
        if target is not None:
            targets.append(target)
    return targets


def _ranged(table: Table, unit: str, sensor: Sensor | None) -> list[Target]:
    document = table.document
    first = table.number(f"from_{unit}")
    last = table.number(f"to_{unit}")
    step = table.number(f"step_{unit}", above=0.0)
    if not all(math.isfinite(v) for v in (first, last, step)) or step <= 0:
        return []
    if abs(last - first) / step > MOST_STEPS:
        table.problem(f"step_{unit}", f"makes more than {MOST_STEPS} targets")
        return []
    ends = [
        target_at(document, table.key_path(f"{end}_{unit}"), unit, value, sensor)
        for end, value in (("from", first), ("to", last))
    ]
    if None in ends:
        return []
    targets = [
        target_at(document, table.path, unit, value, sensor)
        for value in range_values(first, last, step)
    ]
    return [target for target in targets if target is not None]


def _target(
    document: Document, where: str, unit: str, value: Any, sensor: Sensor | None
) -> Target | None:
    if isinstance(value, str):
        if value in _EXTREMES:
            return Target(kind=_EXTREMES[value])
        if unit == "ohms":
            try:
                return target_at(document, where, unit, parse_ohms(value), sensor)
            except InputError as error:
                document.problem(where, error.problems[0].message, hint=error.problems[0].hint)
                return None
        document.problem(where, f'must be a number, "open" or "short", not {value!r}')
        return None
    if isinstance(value, bool) or not isinstance(value, int | float):
        document.problem(where, 'must be a number, "open" or "short"')
        return None
    try:
        number = float(value)
    except OverflowError:
        number = math.inf
    if not math.isfinite(number):
        document.problem(where, "must be a finite number")
        return None
    return target_at(document, where, unit, number, sensor)


def target_at(
    document: Document, where: str, unit: str, number: float, sensor: Sensor | None
) -> Target | None:
    """Return the target for a number in a unit; note a problem when the sensor has none there."""
    if sensor is None:
        return None
    curve = sensor.curve
    low, high = curve.lowest_celsius, curve.highest_celsius
    span = f"the span of {sensor.name!r}, {low:g} to {high:g} degC"
    if unit == "ohms":
        ends = sorted(float(curve.ohms(end)) for end in (low, high))
        if not ends[0] <= number <= ends[1]:
            document.problem(
                where,
                f"{format_ohms(number)} is outside {span}"
                f" ({format_ohms(ends[0])} to {format_ohms(ends[1])})",
            )
            return None
        celsius = float(curve.celsius(number))
        return Target(kind=StepKind.TEMPERATURE, celsius=celsius, ohms=number)
    celsius = celsius_from_fahrenheit(number) if unit == "fahrenheit" else number
    if not low <= celsius <= high:
        hint = None
        if unit == "fahrenheit":
            hint = f"in degF: {fahrenheit_from_celsius(low):g} to {fahrenheit_from_celsius(high):g}"
        document.problem(where, f"{celsius:g} degC is outside {span}", hint=hint)
        return None
    return Target(kind=StepKind.TEMPERATURE, celsius=celsius, ohms=float(curve.ohms(celsius)))
