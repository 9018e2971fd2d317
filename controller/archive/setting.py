"""What the runs of one plan on one bench have in common in an archive: what the plan says of steps.

Knows: openings, resolved plans, what of an uncertainty budget belongs to the ladder.
Must not know: DuckDB, folders, questions, what came of a run.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from controller.errors import InputError
from controller.planning.model import ResolvedPlan, ResolvedStep, StepKind
from controller.planning.pacing import judged_steps
from controller.records.decode import plan_of, result_of
from controller.records.inputs import inputs_of
from controller.records.reader import Record
from controller.run.model import StepResult
from controller.units import COVERAGE_FACTOR

__all__ = ["Setting", "planned_columns", "setting_of"]

_NOT_OF_THE_LADDER = ("report", "settling", "repeatability")
_CURVE = "curve"


@dataclass(frozen=True, kw_only=True)
class Setting:
    """What all runs of one plan on one bench have in common, worked out once.

    `planned` are the columns of a step that come from the plan; `texts` the kept files.
    """

    plan: ResolvedPlan
    judged: int
    columns: Mapping[str, Any]
    planned: tuple[tuple[Any, ...], ...]
    slopes: _Slopes = field(repr=False)
    texts: tuple[tuple[str, str, str], ...] = field(repr=False)
    second: Setting | None = field(default=None, repr=False)
    """That of the second input, whose steps stand in the archive as a run of their own."""


class _Slopes:
    """How steep the chart of a plan is: None where the record's files cannot be read again."""

    def __init__(self, record: Record, *, second: bool = False) -> None:
        self.sensor: str | None = None
        self.module: str | None = None
        self._curve = None
        try:
            inputs = inputs_of(record)
        except InputError:
            return
        if second and inputs.second is not None:
            inputs = inputs.second
        self.sensor, self._curve = inputs.plan.sensor.name, inputs.plan.sensor.curve
        self.module = None if inputs.module is None else inputs.module.name

    def at(self, celsius: float | None) -> float | None:
        """Return |dR/dT| in ohm per kelvin."""
        if self._curve is None or celsius is None:
            return None
        try:
            return abs(float(self._curve.slope_ohms_per_kelvin(np.array(celsius))))
        except InputError:
            return None


def setting_of(opening: dict[str, Any], where: str) -> Setting:
    """Return what the runs with an opening have in common. Raises InputError."""
    record = Record(
        path=Path(where),
        lines=(opening,),
        line_count=1,
        whole_bytes=0,
        torn_bytes=0,
        tail_hash="",
        broken=None,
    )
    plan, bench = plan_of(record), opening.get("bench") or {}
    setting = _setting(opening, plan, bench, _Slopes(record))
    if plan.second is None:
        return setting
    slopes = _Slopes(record, second=True)
    return replace(
        setting, second=_setting(opening, plan.second, bench.get("second") or {}, slopes)
    )


def _setting(
    opening: Mapping[str, Any], plan: ResolvedPlan, bench: Mapping[str, Any], slopes: _Slopes
) -> Setting:
    return Setting(
        plan=plan,
        judged=0 if plan.kind == "threshold" else len(judged_steps(plan)),
        columns={
            "bench": _name(bench),
            "ladder": _name(bench.get("ladder")),
            "module": slopes.module or _name(bench.get("module")),
            "sensor": slopes.sensor,
            "plan": plan.name,
            "kind": plan.kind,
            "rule": plan.decision_rule.value,
            "simulated": opening["simulated"],
            "plan_hash": opening["hashes"].get("plan"),
            "bench_hash": opening["hashes"].get("bench"),
            "files": " ".join(sorted({str(one["sha256"]) for one in opening["files"]})),
        },
        planned=tuple(
            _of_the_plan(step, plan, before, slopes)
            for step, before in zip(plan.steps, (None, *plan.steps), strict=False)
        ),
        slopes=slopes,
        texts=tuple(
            (str(one["sha256"]), str(one["path"]), str(one["text"])) for one in opening["files"]
        ),
    )


def _name(part: object) -> str | None:
    name = part.get("name") if isinstance(part, Mapping) else None
    return None if name is None else str(name)


def _of_the_plan(
    step: ResolvedStep, plan: ResolvedPlan, before: ResolvedStep | None, slopes: _Slopes
) -> tuple[Any, ...]:
    """Return a step's columns from `step` to `expected_celsius`, and those of its uncertainty."""
    ladder_ohms, other, factor = _split(step, slopes)
    return (
        step.index,
        step.kind.value,
        _heading(before, step),
        plan.format_state(step.state),
        step.achieved_ohms if math.isfinite(step.achieved_ohms) else None,
        step.expected_celsius,
        step.tolerance_celsius,
        step.uncertainty_celsius,
        ladder_ohms,
        other,
        factor,
    )


def _heading(before: ResolvedStep | None, step: ResolvedStep) -> str | None:
    if before is None or before.achieved_celsius is None or step.achieved_celsius is None:
        return None
    return "up" if step.achieved_celsius > before.achieved_celsius else "down"


def _split(step: ResolvedStep, slopes: _Slopes) -> tuple[float | None, float, float]:
    """Return of a budget the ladder's part in ohm, what no chart changes in degC, and k.

    A part in ohm becomes degC by the slope of the chart, so it has to be kept in ohm for another
    chart (JCGM 100:2008, 5.1.3). The chart's own part is left out: another one brings its own.
    """
    if step.kind is not StepKind.TEMPERATURE:
        return 0.0, 0.0, COVERAGE_FACTOR
    parts = {part.name: part.celsius for part in step.budget}
    slope = slopes.at(step.achieved_celsius)
    other = math.hypot(*(parts.get(name, 0.0) for name in _NOT_OF_THE_LADDER))
    ladder = math.hypot(
        *(u for name, u in parts.items() if name not in (*_NOT_OF_THE_LADDER, _CURVE))
    )
    whole = math.hypot(*parts.values())
    factor = step.uncertainty_celsius / whole if whole > 0 else COVERAGE_FACTOR
    return None if slope is None or not parts else ladder * slope, other, factor


def planned_columns(line: Mapping[str, Any], setting: Setting) -> tuple[Any, ...]:
    """Return what the plan says of a step, or the line itself where it says something else."""
    index, plan = int(line["index"]), setting.plan
    if 0 <= index < len(plan.steps) and _as_planned(line, plan.steps[index]):
        return setting.planned[index]
    result: StepResult = result_of(line)
    before = plan.steps[index - 1] if 0 < index <= len(plan.steps) else None
    return _of_the_plan(result.step, plan, before, setting.slopes)


def _as_planned(line: Mapping[str, Any], step: ResolvedStep) -> bool:
    ohms = line["achieved_ohms"]
    return (
        int(line["state"], 16) == step.state
        and (math.inf if ohms is None else ohms) == step.achieved_ohms
        and line["expected_celsius"] == step.expected_celsius
        and line["tolerance_celsius"] == step.tolerance_celsius
        and line["uncertainty_celsius"] == step.uncertainty_celsius
    )
