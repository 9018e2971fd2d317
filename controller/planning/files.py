"""Plan files: TOML to a `Plan`.

Knows: the keys of the format rungwise-plan/1.
Must not know: ladders, how targets are reached or run.

    format = "rungwise-plan/1"
    kind = "check"                      # or "sweep", "profile", "threshold"
    sensor = "sensors/coolant.toml"
    module = "modules/engine.toml"      # optional, as is bench = "benches/simulated.toml"
    tolerance_celsius = 3.0             # or [[tolerance]] blocks, see below
    repeated_readings_celsius = [84.8, 85.1, 85.0]   # optional: one setting, read several times
    decision_rule = "guarded"           # "simple" unless stated; or "guarded-95"

    [[targets]]                         # as many blocks as needed, run in this order
    celsius = ["open", 40, "short"]     # or fahrenheit = [...], ohms = [...]

    [[targets]]
    from_celsius = -30                  # or _fahrenheit, or _ohms
    to_celsius = 120
    step_celsius = 5
    direction = "up-then-down"
    repeat = 2

    [[tolerance]]
    from_celsius = -30
    to_celsius = 60
    tolerance_celsius = 2.0

A plan of kind "profile" has no [[targets]] but a course of temperature over time:

    [profile]
    file = "warm-up.csv"                # columns time_s and celsius (or fahrenheit); or
    points = [[0, -10], [60, 20]]       # seconds and degC; straight lines between
    step_celsius = 1.0                  # a step is set wherever the course has moved by so much
    repeat = 1                          # how often the course runs
    lead_s = 10.0                       # how long its first temperature stands before time begins
    late_after_s = 0.1                  # set so much after its time, a step counts as late

A plan of kind "threshold" has a search in their place, and needs no tolerance:

    [search]
    watch = "fan"                       # or "reading", "saturation", "code"
    reaches_celsius = 110               # for "reading": what it has to reach, from either side
    code = "P0118"                      # for "code": how its text begins; any new one if left out
    clear_codes = true                  # for "code": clear before each look, else one way only
    from_celsius = 80                   # where it begins and what is watched for is not there yet
    to_celsius = 110                    # it never goes beyond
    step_celsius = 2.0                  # the most it goes beyond what is known
    within_celsius = 0.5                # so narrow an interval is found
    wait_s = 5.0                        # how long a temperature stands before it counts

    [search.there]                      # optional limits: the point on the way to to_celsius,
    lowest_celsius = 90
    highest_celsius = 96
    [search.back]                       # on the way back,
    lowest_celsius = 85
    [search.hysteresis]                 # and the distance between the two
    least_kelvin = 3
    most_kelvin = 8
"""

from __future__ import annotations

import itertools
import math
from pathlib import Path
from typing import Any

from controller.documents import Document, Table, read_document
from controller.errors import InputError
from controller.measurement.budget import repeatability_of
from controller.measurement.model import Contribution, DecisionRule, SettleRule
from controller.module.files import load_module
from controller.planning.courses import read_profile, read_search
from controller.planning.model import StepKind
from controller.planning.plan import Direction, Plan, PlanKind, Target, TargetBlock, ToleranceBand
from controller.planning.ranges import MOST_STEPS, range_values
from controller.sensors.curve import Sensor
from controller.sensors.files import load_sensor
from controller.units import (
    celsius_from_fahrenheit,
    fahrenheit_from_celsius,
    format_ohms,
    parse_ohms,
)

__all__ = ["MOST_STEPS", "PLAN_FORMAT", "load_plan", "range_values"]

PLAN_FORMAT = "rungwise-plan/1"

_EXTREMES = {"open": StepKind.OPEN, "short": StepKind.SHORT}
_DIRECTIONS = [d.value for d in Direction]
_UNITS = ("celsius", "fahrenheit", "ohms")


def load_plan(path: Path) -> Plan:
    """Read a plan file, and the sensor and module files it names.

    Raises InputError with every problem found in any of them.
    """
    document = read_document(path, PLAN_FORMAT)
    root = document.root
    name = root.optional_text("name") or path.stem
    root.optional_text("note")
    kind = PlanKind(root.choice("kind", [k.value for k in PlanKind]))
    sensor_path = document.resolve(root.text("sensor"))
    sensor = root.file("sensor", load_sensor)
    module_path = _optional_path(document, "module")
    module = root.optional_file("module", load_module)
    bench_path = _optional_path(document, "bench")
    profile, search = None, None
    match kind:
        case PlanKind.PROFILE:
            profile = read_profile(root)
            followed = [one.celsius for one in profile.steps] if profile else []
            blocks = _in_order(root, "profile", followed, sensor)
            tolerance = _tolerance(root)
        case PlanKind.THRESHOLD:
            search, levels = read_search(root)
            blocks = _in_order(root, "search", levels, sensor)
            width = search.within_celsius if search else 1.0
            tolerance = _everywhere(width)  # how far off its target a level may be made
        case _:
            blocks = _blocks(root, sensor)
            tolerance = _tolerance(root)
    settle = _settle(root)
    decision_rule = DecisionRule(
        root.choice("decision_rule", [r.value for r in DecisionRule], default="simple")
    )
    dwell_s = root.number("dwell_s", default=0.0, least=0.0)
    ramp = root.optional_number("ramp_limit_celsius_per_s", above=0.0)
    if ramp is not None and kind in (PlanKind.PROFILE, PlanKind.THRESHOLD):
        root.problem("ramp_limit_celsius_per_s", f"has no use in a plan of kind {kind.value!r}")
    budget = root.optional_number("max_excursion_celsius", above=0.0)
    near = root.number("near_tie_share", default=0.1, least=0.0, most=1.0)
    quiet_after_filter = root.boolean("quiet_after_filter", default=False)
    repeatability = _repeatability(root)
    document.finish()
    assert sensor is not None  # noqa: S101 - finish() has raised otherwise
    return Plan(
        name=name,
        path=path,
        kind=kind,
        sensor=sensor,
        sensor_path=sensor_path,
        blocks=blocks,
        tolerance=tolerance,
        settle=settle,
        decision_rule=decision_rule,
        module=module,
        module_path=module_path,
        bench_path=bench_path,
        dwell_s=dwell_s,
        ramp_limit_celsius_per_s=ramp,
        max_excursion_celsius=budget,
        near_tie_share=near,
        repeatability=repeatability,
        profile=profile,
        search=search,
        quiet_after_filter=quiet_after_filter,
    )


def _in_order(
    root: Table, key: str, celsius: list[float], sensor: Sensor | None
) -> tuple[TargetBlock, ...]:
    """Return temperatures as one block; each that the sensor does not have is said once."""
    made: dict[float, Target | None] = {}
    for value in celsius:
        if value not in made:
            made[value] = _temperature(root.document, key, "celsius", value, sensor)
    return (TargetBlock(targets=tuple(t for value in celsius if (t := made[value]) is not None)),)


def _optional_path(document: Document, key: str) -> Path | None:
    text = document.root.optional_text(key)
    return document.resolve(text) if text else None


def _blocks(root: Table, sensor: Sensor | None) -> tuple[TargetBlock, ...]:
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
        targets = _listed(table, listed[0], sensor)
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


def _listed(table: Table, unit: str, sensor: Sensor | None) -> list[Target]:
    values = table.raw(unit)
    path = table.key_path(unit)
    if not isinstance(values, list):
        table.problem(unit, "must be an array of targets", hint=f'{unit} = [20, "open"]')
        return []
    if not values:
        table.problem(unit, "is empty", hint="add a target")
    targets = []
    for index, value in enumerate(values):
        where = f"{path}[{index}]"
        target = _target(table.document, where, unit, value, sensor)
        if target is not None:
            targets.append(target)
    return targets


def _target(
    document: Document, where: str, unit: str, value: Any, sensor: Sensor | None
) -> Target | None:
    if isinstance(value, str):
        if value in _EXTREMES:
            return Target(kind=_EXTREMES[value])
        if unit == "ohms":
            try:
                return _temperature(document, where, unit, parse_ohms(value), sensor)
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
    return _temperature(document, where, unit, number, sensor)


def _temperature(
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
        _temperature(document, table.key_path(f"{end}_{unit}"), unit, value, sensor)
        for end, value in (("from", first), ("to", last))
    ]
    if None in ends:
        return []
    targets = [
        _temperature(document, table.path, unit, value, sensor)
        for value in range_values(first, last, step)
    ]
    return [target for target in targets if target is not None]


def _tolerance(root: Table) -> tuple[ToleranceBand, ...]:
    single = root.optional_number("tolerance_celsius", above=0.0)
    tables = root.tables("tolerance")
    if single is not None and tables:
        root.problem(
            "tolerance_celsius", "is stated twice", hint="either one number or [[tolerance]] blocks"
        )
    if single is not None:
        return _everywhere(single)
    if not tables and "tolerance" not in root:
        root.problem(
            "tolerance_celsius",
            "is missing",
            hint="how far the reported temperature may be off, or [[tolerance]] blocks",
        )
    bands = []
    for table in tables:
        band = ToleranceBand(
            from_celsius=table.number("from_celsius"),
            to_celsius=table.number("to_celsius"),
            tolerance_celsius=table.number("tolerance_celsius", above=0.0),
        )
        if band.to_celsius <= band.from_celsius:
            table.problem("to_celsius", "must be above from_celsius")
        bands.append((band, table))
    bands.sort(key=lambda entry: entry[0].from_celsius)
    for (before, _), (after, table) in itertools.pairwise(bands):
        if after.from_celsius < before.to_celsius:
            table.problem("from_celsius", "this band overlaps another one")
        elif after.from_celsius > before.to_celsius:
            table.problem(
                "from_celsius",
                f"no band covers {before.to_celsius:g} to {after.from_celsius:g} degC",
            )
    return tuple(band for band, _ in bands)


def _everywhere(celsius: float) -> tuple[ToleranceBand, ...]:
    band = ToleranceBand(from_celsius=-math.inf, to_celsius=math.inf, tolerance_celsius=celsius)
    return (band,)


def _repeatability(root: Table) -> Contribution | None:
    """Return how far one reading scatters: each step is judged by one."""
    key = "repeated_readings_celsius"
    if key not in root:
        return None
    readings = root.numbers(key)
    if len(readings) < 2:
        root.problem(key, "one reading shows no scatter", hint="two at least, better ten")
    return repeatability_of(readings)


def _settle(root: Table) -> SettleRule:
    table = root.optional_table("settle")
    if table is None:
        return SettleRule(within_celsius=1.0, for_s=5.0, at_most_s=60.0)
    rule = SettleRule(
        within_celsius=table.number("within_celsius", default=1.0, least=0.0),
        for_s=table.number("for_s", default=5.0, least=0.0, most=3600.0),
        at_most_s=table.number("at_most_s", default=60.0, above=0.0, most=86400.0),
    )
    if rule.at_most_s < rule.for_s:
        table.problem("at_most_s", "must not be shorter than for_s")
    return rule
