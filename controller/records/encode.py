"""What plans, steps and results look like in JSON: the same in records and on standard output.

Knows: the field names of the command-line contract.
Must not know: files, hash chains, who prints.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from controller.ladder.model import PathStep
from controller.planning.model import ResolvedPlan, ResolvedStep
from controller.records.lines import plain
from controller.records.values import finite_or_none, state_text
from controller.run.model import RunSummary, StepResult

__all__ = [
    "path_fields",
    "plan_fields",
    "plan_summary_fields",
    "result_fields",
    "step_fields",
    "summary_fields",
]


def path_fields(path: Sequence[PathStep], state_digits: int) -> list[dict[str, Any]]:
    """Return a path as a list of states and hold times."""
    return [{"state": state_text(p.state, state_digits), "hold_ms": p.hold_ms} for p in path]


def step_fields(step: ResolvedStep, state_digits: int) -> dict[str, Any]:
    """Return a step of a plan. An open circuit's `achieved_ohms` is None."""
    return {
        "index": step.index,
        "kind": step.kind.value,
        "target_celsius": step.target_celsius,
        "target_ohms": step.target_ohms,
        "state": state_text(step.state, state_digits),
        "achieved_ohms": finite_or_none(step.achieved_ohms),
        "achieved_celsius": step.achieved_celsius,
        "expected_celsius": step.expected_celsius,
        "tolerance_celsius": step.tolerance_celsius,
        "uncertainty_celsius": step.uncertainty_celsius,
        "excursion_celsius": step.excursion_celsius,
        "filtered_excursion_celsius": step.filtered_excursion_celsius,
        "dwell_s": step.dwell_s,
        "budget": [{"name": part.name, "celsius": part.celsius} for part in step.budget],
        "path": path_fields(step.path, state_digits),
        **({} if step.planned_s is None else {"planned_s": step.planned_s}),
    }


def result_fields(result: StepResult, state_digits: int) -> dict[str, Any]:
    """Return a step together with what came of it."""
    return {
        **step_fields(result.step, state_digits),
        "attempt": result.attempt,
        "reported_celsius": result.reported_celsius,
        "error_celsius": result.error_celsius,
        "verdict": result.verdict.value,
        "settled": result.settled,
        "settle_s": result.settle_s,
        "codes": list(result.codes),
        "reason": None if result.reason is None else result.reason.value,
    }


def plan_summary_fields(plan: ResolvedPlan) -> dict[str, Any]:
    """Return what a plan says as a whole, its steps left out."""
    fields: dict[str, Any] = plain(replace(plan, steps=(), closing_path=()))
    del fields["steps"]
    fields["park_state"] = plan.format_state(plan.park_state)
    fields["closing_path"] = path_fields(plan.closing_path, plan.state_digits)
    return fields


def plan_fields(plan: ResolvedPlan) -> dict[str, Any]:
    """Return a whole resolved plan."""
    steps = [plain(step_fields(step, plan.state_digits)) for step in plan.steps]
    return {**plan_summary_fields(plan), "steps": steps}


def summary_fields(summary: RunSummary) -> dict[str, Any]:
    """Return the end of a run."""
    fields: dict[str, Any] = plain(summary)
    return fields
