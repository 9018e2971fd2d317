"""From the lines of a record back to plans, steps and results.

Knows: the field names that `encode` writes.
Must not know: files, hash chains, how results are judged.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from typing import Any, TypeVar

from controller.errors import InputError
from controller.ladder.model import PathStep
from controller.measurement.model import Contribution, DecisionRule, SettleRule, Verdict
from controller.on_demand import OnDemand
from controller.planning.model import ResolvedPlan, ResolvedStep, StepKind
from controller.records.compact import Rows
from controller.records.reader import Record
from controller.records.values import codes_of, number_of, ohms_of, state_of
from controller.run.model import Ending, Reason, StepResult

__all__ = [
    "StepsOnDemand",
    "ending_of",
    "path_of",
    "plan_of",
    "result_of",
    "results_of",
    "understood",
]

_Made = TypeVar("_Made")


def plan_of(record: Record) -> ResolvedPlan:
    """Return the resolved plan of a record. Raises InputError when it is not one of ours."""
    return understood(record, lambda: _plan(record.opening["plan"], record))


def results_of(record: Record) -> tuple[StepResult, ...]:
    """Return the result that counts of each step, in the plan's order. Raises InputError."""
    return understood(record, lambda: tuple(result_of(line) for line in record.steps))


def ending_of(record: Record) -> Ending:
    """Return how a run ended; one that was cut off counts as stopped. Raises InputError."""
    closing = record.closing
    if closing is None:
        return Ending.STOPPED
    return understood(record, lambda: Ending(closing["ended"]))


def understood(record: Record, make: Callable[[], _Made]) -> _Made:
    """Return what is made of a record's lines. Raises InputError when they do not hold it.

    A chain that verifies says nothing of the content: anybody can write one.
    """
    try:
        return make()
    except (LookupError, TypeError, ValueError, AttributeError, OverflowError) as error:
        raise InputError.single(
            f"in one line something is missing or not as this version reads it ({error!r})",
            where=str(record.path),
            hint="the record may come from another version of the program",
        ) from None


class StepsOnDemand(OnDemand[ResolvedStep]):
    """The steps of a record's plan, each made when it is asked for.

    Raises InputError for a step that this version cannot read.
    """

    def __init__(self, rows: Rows, record: Record) -> None:
        self._rows = rows
        self._record = record
        super().__init__(len(rows), lambda index: understood(record, lambda: _step(rows[index])))

    @property
    def achieved_ohms(self) -> Sequence[float]:
        """What each step makes; no step is made for it."""
        made = self._rows.column("achieved_ohms")
        return understood(self._record, lambda: tuple(map(ohms_of, made)))


def _plan(fields: Mapping[str, Any], record: Record) -> ResolvedPlan:
    steps = fields["steps"]
    return ResolvedPlan(
        name=str(fields["name"]),
        kind=str(fields["kind"]),
        steps=StepsOnDemand(steps, record) if isinstance(steps, Rows) else tuple(map(_step, steps)),
        settle=_settle(fields["settle"]),
        worst_excursion_celsius=number_of(fields["worst_excursion_celsius"]),
        relay_operations=int(fields["relay_operations"]),
        park_state=state_of(fields["park_state"]),
        state_digits=int(fields["state_digits"]),
        short_circuit_amperes=number_of(fields["short_circuit_amperes"]),
        most_watts=number_of(fields["most_watts"]),
        warnings=tuple(str(text) for text in fields["warnings"]),
        decision_rule=DecisionRule(fields["decision_rule"]),
        first_step=int(fields["first_step"]),
        closing_path=path_of(fields["closing_path"]),
        lower_bound_celsius=number_of(fields.get("lower_bound_celsius")),
        planner=int(fields.get("planner", 1)),
        input=str(fields.get("input", "")),
        second=_plan(fields["second"], record) if "second" in fields else None,
        largest_difference_celsius=number_of(fields.get("largest_difference_celsius")),
        looks_first=bool(fields.get("looks_first", False)),
    )


def _settle(fields: Mapping[str, Any]) -> SettleRule:
    """Return a settle rule; records of the first version state neither lag nor readings."""
    gap = fields.get("gap_s")
    if float(fields["within_celsius"]) < 0.0:
        raise ValueError("within_celsius is below zero")
    return SettleRule(
        within_celsius=float(fields["within_celsius"]),
        for_s=float(fields["for_s"]),
        at_most_s=float(fields["at_most_s"]),
        lag_s=float(fields.get("lag_s", 0.0)),
        readings=int(fields.get("readings", 1)),
        gap_s=math.inf if gap is None else float(gap),
    )


def _step(fields: Mapping[str, Any]) -> ResolvedStep:
    return ResolvedStep(
        index=int(fields["index"]),
        kind=StepKind(fields["kind"]),
        target_celsius=number_of(fields["target_celsius"]),
        target_ohms=number_of(fields["target_ohms"]),
        state=state_of(fields["state"]),
        achieved_ohms=ohms_of(fields["achieved_ohms"]),
        achieved_celsius=number_of(fields["achieved_celsius"]),
        expected_celsius=number_of(fields["expected_celsius"]),
        tolerance_celsius=number_of(fields["tolerance_celsius"]),
        uncertainty_celsius=float(fields["uncertainty_celsius"]),
        excursion_celsius=number_of(fields["excursion_celsius"]),
        path=path_of(fields["path"]),
        dwell_s=float(fields["dwell_s"]),
        budget=tuple(
            Contribution(name=str(part["name"]), celsius=float(part["celsius"]))
            for part in fields["budget"]
        ),
        filtered_excursion_celsius=number_of(fields.get("filtered_excursion_celsius")),
        planned_s=number_of(fields.get("planned_s")),
    )


def result_of(fields: Mapping[str, Any]) -> StepResult:
    """Return a step's result from its line. Raises KeyError, TypeError or ValueError."""
    return StepResult(
        step=_step(fields),
        attempt=int(fields["attempt"]),
        reported_celsius=number_of(fields["reported_celsius"]),
        error_celsius=number_of(fields["error_celsius"]),
        verdict=Verdict(fields["verdict"]),
        settled=bool(fields["settled"]),
        settle_s=float(fields["settle_s"]),
        codes=codes_of(fields["codes"]),
        reason=None if fields["reason"] is None else Reason(fields["reason"]),
        second=result_of(fields["second"]) if "second" in fields else None,
        difference_celsius=number_of(fields.get("difference_celsius")),
    )


def path_of(states: Sequence[Mapping[str, Any]]) -> tuple[PathStep, ...]:
    """Return a path from its list of states. Raises KeyError, TypeError or ValueError."""
    return tuple(
        PathStep(state=state_of(one["state"]), hold_ms=int(one["hold_ms"])) for one in states
    )
