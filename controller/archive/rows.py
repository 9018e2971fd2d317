"""What an archive keeps of a record: the columns of its tables, and the rows of one record.

Knows: openings, results, uncertainty budgets, what of a budget belongs to the ladder.
Must not know: DuckDB, folders, questions.

`SCHEMA` is the one place where tables and columns stand; values are in the units of their names,
uncertainties expanded (k = 2) but for `other_celsius` and `ladder_ohms`, which are standard.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from controller.archive.proof import Proven
from controller.errors import InputError
from controller.measurement.model import Verdict
from controller.measurement.verdict import worst_verdict
from controller.planning.model import ResolvedPlan, ResolvedStep, StepKind
from controller.planning.pacing import judged_steps
from controller.records.codec import was_resumed
from controller.records.decode import plan_of, result_of
from controller.records.inputs import inputs_of
from controller.records.reader import Record
from controller.run.model import StepResult
from controller.units import COVERAGE_FACTOR

__all__ = ["KINDS", "SCHEMA", "Rows", "Setting", "rows_of", "run_id_of", "setting_of"]

SCHEMA: dict[str, dict[str, str]] = {
    "runs": {
        "run_id": "VARCHAR",
        "run_key": "UBIGINT",
        "first_hash": "VARCHAR",
        "tail_hash": "VARCHAR",
        "line_count": "INTEGER",
        "byte_count": "BIGINT",
        "torn_bytes": "INTEGER",
        "started_utc": "TIMESTAMP_MS",
        "duration_s": "DOUBLE",
        "bench": "VARCHAR",
        "ladder": "VARCHAR",
        "module": "VARCHAR",
        "sensor": "VARCHAR",
        "plan": "VARCHAR",
        "kind": "VARCHAR",
        "rule": "VARCHAR",
        "simulated": "BOOLEAN",
        "verdict": "VARCHAR",
        "ended": "VARCHAR",
        "planned": "INTEGER",
        "passed": "INTEGER",
        "failed": "INTEGER",
        "undecided": "INTEGER",
        "unsettled": "INTEGER",
        "resumed": "INTEGER",
        "relay_operations": "INTEGER",
        "plan_hash": "VARCHAR",
        "bench_hash": "VARCHAR",
        "files": "VARCHAR",
        "sentence": "VARCHAR",
    },
    "steps": {
        "run_id": "VARCHAR",
        "run_key": "UBIGINT",
        "line_count": "INTEGER",
        "started_utc": "TIMESTAMP_MS",
        "bench": "VARCHAR",
        "module": "VARCHAR",
        "sensor": "VARCHAR",
        "step": "INTEGER",
        "kind": "VARCHAR",
        "heading": "VARCHAR",
        "state": "VARCHAR",
        "achieved_ohms": "DOUBLE",
        "expected_celsius": "DOUBLE",
        "reported_celsius": "DOUBLE",
        "error_celsius": "DOUBLE",
        "tolerance_celsius": "DOUBLE",
        "uncertainty_celsius": "DOUBLE",
        "ladder_ohms": "DOUBLE",
        "other_celsius": "DOUBLE",
        "coverage_factor": "DOUBLE",
        "settled": "BOOLEAN",
        "settle_s": "DOUBLE",
        "attempt": "INTEGER",
        "verdict": "VARCHAR",
        "reason": "VARCHAR",
        "codes": "VARCHAR",
    },
    "measured": {
        "run_id": "VARCHAR",
        "line_count": "INTEGER",
        "started_utc": "TIMESTAMP_MS",
        "ladder": "VARCHAR",
        "state": "VARCHAR",
        "ohms": "DOUBLE",
        "expected_ohms": "DOUBLE",
    },
    "files": {"sha256": "VARCHAR", "path": "VARCHAR", "text": "VARCHAR"},
    "raw": {"run_id": "VARCHAR", "line_count": "INTEGER", "record": "BLOB"},
    "sources": {"file": "VARCHAR", "size": "BIGINT", "mtime_ns": "BIGINT"},
    "replaced": {"run_id": "VARCHAR", "line_count": "INTEGER"},
}
"""Table, column, and DuckDB's type. `run_key` is the beginning of `run_id` as a number, which is
joined and grouped by several times as fast."""

KINDS = ("set", "step", "note", "measured", "closing")
"""The lines that rows are made of."""

_NOT_OF_THE_LADDER = ("report", "settling", "repeatability")
_CURVE = "curve"

Rows = dict[str, list[tuple[Any, ...]]]
"""Rows by table, in the order of the schema's columns."""


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


def run_id_of(first_hash: str) -> str:
    """Return the name of a run: it stays when the record is gone on with."""
    return first_hash[:24]


def _key_of(run_id: str) -> int:
    return int(run_id[:16], 16)


class _Slopes:
    """How steep the chart of a plan is: None where the record's files cannot be read again."""

    def __init__(self, record: Record) -> None:
        self.sensor: str | None = None
        self.module: str | None = None
        self._curve = None
        try:
            inputs = inputs_of(record)
        except InputError:
            return
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
    from pathlib import Path

    record = Record(
        path=Path(where),
        lines=(opening,),
        line_count=1,
        whole_bytes=0,
        torn_bytes=0,
        tail_hash="",
        broken=None,
    )
    plan = plan_of(record)
    slopes = _Slopes(record)
    bench = opening.get("bench") or {}
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


def rows_of(proven: Proven[Setting]) -> Rows:
    """Return the rows of one record. Raises KeyError, TypeError, ValueError for a made-up one."""
    setting, plan = proven.setting, proven.setting.plan
    run_id, count = run_id_of(proven.hashes[0]), len(proven.hashes)
    started = np.datetime64(proven.utc.rstrip("Z"), "ms")
    results = {int(line["index"]): line for line in proven.lines if line["type"] == "step"}
    ordered = [results[index] for index in sorted(results)]
    closing = proven.lines[-1] if proven.lines and proven.lines[-1]["type"] == "closing" else None
    of_all = (run_id, _key_of(run_id), count, started, *(setting.columns[key] for key in _SHARED))
    steps = [(*of_all, *_step(line, setting)) for line in ordered]
    verdicts = [Verdict(line["verdict"]) for line in ordered]
    summary = {
        "run_id": run_id,
        "run_key": _key_of(run_id),
        "first_hash": proven.hashes[0],
        "tail_hash": proven.hashes[-1],
        "line_count": count,
        "byte_count": len(proven.data),
        "torn_bytes": proven.torn_bytes,
        "started_utc": started,
        "duration_s": proven.last_s,
        **setting.columns,
        "verdict": _verdict(closing, verdicts, setting),
        "ended": "cut off" if closing is None else str(closing["ended"]),
        "planned": setting.judged,
        "passed": verdicts.count(Verdict.PASS),
        "failed": verdicts.count(Verdict.FAIL),
        "undecided": verdicts.count(Verdict.UNDECIDED),
        "unsettled": sum(not line["settled"] for line in ordered),
        "resumed": sum(was_resumed(line) for line in proven.lines),
        "relay_operations": _operations(proven.lines, plan, closed=closing is not None),
        "sentence": None if closing is None else str(closing["sentence"]),
    }
    return {
        "runs": [tuple(summary[key] for key in SCHEMA["runs"])],
        "steps": steps,
        "measured": [
            (
                run_id,
                count,
                started,
                setting.columns["ladder"],
                str(line["state"]),
                float(line["ohms"]),
                float(line["expected_ohms"]),
            )
            for line in proven.lines
            if line["type"] == "measured"
        ],
        "raw": [(run_id, count, proven.data)],
    }


_SHARED = ("bench", "module", "sensor")


def _step(line: Mapping[str, Any], setting: Setting) -> tuple[Any, ...]:
    planned = _planned(line, setting)
    reported, error = line["reported_celsius"], line["error_celsius"]
    return (
        *planned[:6],
        None if reported is None else float(reported),
        None if error is None else float(error),
        *planned[6:],
        bool(line["settled"]),
        float(line["settle_s"]),
        int(line["attempt"]),
        str(line["verdict"]),
        None if line["reason"] is None else str(line["reason"]),
        "; ".join(str(code) for code in line["codes"]),
    )


def _planned(line: Mapping[str, Any], setting: Setting) -> tuple[Any, ...]:
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


def _verdict(
    closing: Mapping[str, Any] | None, verdicts: Sequence[Verdict], setting: Setting
) -> str:
    if closing is not None:
        return Verdict(closing["verdict"]).value
    worst = worst_verdict(verdicts)
    cut_short = worst is Verdict.PASS and len(verdicts) < setting.judged
    return (Verdict.UNDECIDED if cut_short else worst).value


def _operations(lines: Iterable[Mapping[str, Any]], plan: ResolvedPlan, *, closed: bool) -> int:
    """Return how often relays moved: one for each state of a path, and the way home."""
    moved = sum(len(line["path"]) for line in lines if line["type"] == "set" and line.get("path"))
    return moved + (len(plan.closing_path) if closed else 0)
