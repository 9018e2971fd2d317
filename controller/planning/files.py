"""Plan files: TOML to a `Plan`.

Knows: the keys of the format rungwise-plan/1.
Must not know: ladders, how targets are reached or run.

    format = "rungwise-plan/1"
    kind = "check"                      # or "sweep", "profile", "threshold"
    sensor = "sensors/coolant.toml"
    module = "modules/engine.toml"      # optional, as is bench = "benches/simulated.toml"
    tolerance_celsius = 3.0             # or [[tolerance]] blocks, see below
    repeated_readings_celsius = [84.8, 85.1, 85.0]   # optional: one setting, read several times
    marker = true                       # optional: begin with the ends and the middle in an order
                                        # by which a tool's log can be laid against the run later
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

A sweep or a check may have a second input, see `controller.planning.second_file`.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from controller.documents import Document, Table, read_document
from controller.measurement.budget import repeatability_of
from controller.measurement.model import Contribution, DecisionRule, SettleRule
from controller.module.files import load_module
from controller.planning.courses import read_profile, read_search
from controller.planning.plan import Plan, PlanKind
from controller.planning.second_file import read_second
from controller.planning.target_blocks import blocks_in_order, marked_blocks, read_blocks
from controller.planning.tolerance_bands import everywhere, read_tolerance
from controller.sensors.files import load_sensor

__all__ = ["PLAN_FORMAT", "load_plan"]

PLAN_FORMAT = "rungwise-plan/1"


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
            blocks = blocks_in_order(root, "profile", followed, sensor)
            tolerance = read_tolerance(root)
        case PlanKind.THRESHOLD:
            search, levels = read_search(root)
            blocks = blocks_in_order(root, "search", levels, sensor)
            width = search.within_celsius if search else 1.0
            tolerance = everywhere(width)  # how far off its target a level may be made
        case _:
            blocks = read_blocks(root, sensor)
            tolerance = read_tolerance(root)
    if root.boolean("marker", default=False):
        blocks = marked_blocks(root, kind, blocks)
    settle = _settle(root)
    decision_rule = DecisionRule(
        root.choice("decision_rule", [r.value for r in DecisionRule], default="simple")
    )
    dwell_s = root.number("dwell_s", default=0.0, least=0.0)
    ramp = root.optional_number("ramp_limit_celsius_per_s", above=0.0)
    if ramp is not None and kind in (PlanKind.PROFILE, PlanKind.THRESHOLD):
        root.problem("ramp_limit_celsius_per_s", f"has no use in a plan of kind {kind.value!r}")
    budget = root.optional_number("max_excursion_celsius", above=0.0)
    filtered = root.optional_number("max_filtered_excursion_celsius", above=0.0)
    near = root.number("near_tie_share", default=0.1, least=0.0, most=1.0)
    deviation = root.optional_number("deviation_celsius", above=0.0, most=5.0)
    if deviation is not None and kind is PlanKind.THRESHOLD:
        root.problem("deviation_celsius", f"has no use in a plan of kind {kind.value!r}")
    quiet_after_filter = root.boolean("quiet_after_filter", default=False)
    repeatability = _repeatability(root)
    input_name, second = read_second(root, kind, blocks, tolerance)
    document.finish()
    assert sensor is not None  # noqa: S101 - finish() has raised otherwise
    plan = Plan(
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
        max_filtered_excursion_celsius=filtered,
        near_tie_share=near,
        deviation_celsius=deviation,
        repeatability=repeatability,
        profile=profile,
        search=search,
        quiet_after_filter=quiet_after_filter,
        input=input_name,
    )
    return plan if second is None else replace(plan, second=second.as_plan(plan))


def _optional_path(document: Document, key: str) -> Path | None:
    text = document.root.optional_text(key)
    return document.resolve(text) if text else None


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
