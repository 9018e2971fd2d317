"""The second input of a plan: another sensor, another ladder, the same steps.

Knows: the keys of [second] in a plan file, and how its targets follow those of the first input.
Must not know: ladders, links, how steps are run.

    input = "coolant"                   # what the first input is called; optional

    [second]                            # another input of the module, on the bench's second ladder
    input = "air"                       # what it is called; optional
    sensor = "sensors/air.toml"
    module = "modules/air-input.toml"   # optional: what its input is like
    follows = true                      # it gets the first input's temperatures, open and short;
    offset_celsius = -5                 # optional: so much warmer than the first
    hold_celsius = 20                   # or, in place of follows: it stands still there;
    celsius = [20, 20, "open", 30]      # or: one for each step
    tolerance_celsius = 2               # or [[second.tolerance]]; the plan's own unless stated
    largest_difference_celsius = 3      # optional: the two reports may be so much further apart
                                        # than what is set, in degC
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from controller.documents import Table
from controller.module.files import load_module
from controller.module.model import Module
from controller.planning.model import StepKind
from controller.planning.plan import Plan, PlanKind, Target, TargetBlock, ToleranceBand, expand
from controller.planning.target_blocks import read_listed, target_at
from controller.planning.tolerance_bands import read_tolerance
from controller.sensors.curve import Sensor
from controller.sensors.files import load_sensor

__all__ = ["SecondInput", "read_second"]

_FIRST, _SECOND = "first input", "second input"


@dataclass(frozen=True, kw_only=True)
class SecondInput:
    """What a plan file says of its second input."""

    input: str
    sensor: Sensor
    sensor_path: Path
    module: Module | None
    module_path: Path | None
    targets: tuple[Target, ...]
    tolerance: tuple[ToleranceBand, ...]
    largest_difference_celsius: float | None

    def as_plan(self, first: Plan) -> Plan:
        """Return the plan of this input, which is the first one's in all that it does not say."""
        return replace(
            first,
            input=self.input,
            sensor=self.sensor,
            sensor_path=self.sensor_path,
            module=self.module,
            module_path=self.module_path,
            blocks=(TargetBlock(targets=self.targets),),
            tolerance=self.tolerance,
            largest_difference_celsius=self.largest_difference_celsius,
        )


def read_second(
    root: Table,
    kind: PlanKind,
    blocks: Sequence[TargetBlock],
    tolerance: tuple[ToleranceBand, ...],
) -> tuple[str, SecondInput | None]:
    """Return the name of the first input and what is said of a second; "" and None: there is none.

    `blocks` and `tolerance` are the first input's.
    """
    first_name = root.optional_text("input")
    table = root.optional_table("second")
    if table is None:
        if first_name is not None:
            root.problem("input", "has no use without a second input", hint="remove it")
        return "", None
    if kind not in (PlanKind.SWEEP, PlanKind.CHECK):
        root.problem("second", f"has no use in a plan of kind {kind.value!r}")
    name = table.optional_text("input") or _SECOND
    first_name = first_name or _FIRST
    if name == first_name:
        table.problem("input", f"both inputs are called {name!r}", hint="name one otherwise")
    sensor_path = root.document.resolve(table.text("sensor"))
    sensor = table.file("sensor", load_sensor)
    module_text = table.optional_text("module")
    module = table.optional_file("module", load_module)
    targets = _targets(table, expand(blocks), sensor)
    own = "tolerance_celsius" in table or "tolerance" in table
    if not own:
        for key in ("tolerance_celsius", "tolerance"):
            table.raw(key)
    bands = read_tolerance(table) if own else tolerance
    largest = table.optional_number("largest_difference_celsius", above=0.0)
    if sensor is None:
        return first_name, None
    return first_name, SecondInput(
        input=name,
        sensor=sensor,
        sensor_path=sensor_path,
        module=module,
        module_path=root.document.resolve(module_text) if module_text else None,
        targets=targets,
        tolerance=bands,
        largest_difference_celsius=largest,
    )


def _targets(table: Table, first: Sequence[Target], sensor: Sensor | None) -> tuple[Target, ...]:
    """Return a target for each step of the first input."""
    follows = table.boolean("follows", default=False)
    held = table.optional_number("hold_celsius")
    listed = table.raw("celsius")
    offset = table.optional_number("offset_celsius")
    stated = [follows, held is not None, listed is not None]
    if sum(stated) != 1:
        table.problem(
            "",
            "needs to say what the second input gets",
            hint="follows = true, or hold_celsius = 20, or celsius = [...], one for each step",
        )
    if offset is not None and not follows:
        table.problem("offset_celsius", "belongs to follows = true")
    if sensor is None or sum(stated) != 1:
        return ()
    if listed is not None:
        targets = tuple(read_listed(table, "celsius", "celsius", sensor))
        if targets and len(targets) != len(first):
            table.problem(
                "celsius", f"{len(targets)} targets, but the first input has {len(first)} steps"
            )
        return targets
    if held is not None:
        target = target_at(table.document, table.key_path("hold_celsius"), "celsius", held, sensor)
        return () if target is None else (target,) * len(first)
    made: dict[Target, Target | None] = {}
    for one in first:  # each that the sensor does not have is said once
        if one in made:
            continue
        made[one] = one
        if one.kind is StepKind.TEMPERATURE and one.celsius is not None:
            celsius = one.celsius + (offset or 0.0)
            where = table.key_path("follows")
            made[one] = target_at(table.document, where, "celsius", celsius, sensor)
    return tuple(target for one in first if (target := made[one]) is not None)
