"""When a plan's settle rule may be believed on a bench: enough readings, and all of them new.

Knows: settle rules, how often readings come, how slowly a module answers.
Must not know: links, readbacks, how a run watches its readings.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from controller.bench.model import BenchFile, ReadbackKind
from controller.errors import Problem
from controller.measurement.model import SettleRule
from controller.module.model import Module
from controller.planning.plan import Plan

__all__ = ["LEAST_READINGS", "believable", "settle_problems", "standing_s"]

LEAST_READINGS = 3
"""So many readings have to agree before a step counts as settled: two may both be old."""

_GAP_SHARE = 0.75
"""The share of the settle time that may pass between two readings that follow each other."""

_LEAST_GAP_S = 0.5
"""Readings in real time come a little later than their interval says; this is no gap yet."""

_LOG_DELAY_S = 3.0
"""What the log of a tool may be late and coarse by, and what is left out before a step ends."""

_FILTER_TIME_CONSTANTS = 3.0
"""After so many time constants an input filter has passed 95 % of a change."""


def believable(rule: SettleRule, module: Module | None, refresh_s: float = 0.0) -> SettleRule:
    """Return a plan's rule with what makes a settled reading one of the step's own.

    A module shows a change after its filter has passed it and its report has been renewed.
    `refresh_s` is how often that happens as far as the bench knows; the slower of both counts.
    """
    lag_s = refresh_s
    if module is not None:
        lag_s = max(lag_s, module.refresh_s)
        lag_s += _FILTER_TIME_CONSTANTS * module.filter_time_constant_s
    gap_s = max(_GAP_SHARE * rule.for_s, _LEAST_GAP_S)
    return replace(rule, lag_s=lag_s, readings=LEAST_READINGS, gap_s=gap_s)


def standing_s(plan: Plan, module: Module | None) -> float:
    """Return how long each step stands where its readings come from a log afterwards.

    That is the plan's dwell time, or, where it states none, twice the settle time and some more.
    """
    rule = believable(plan.settle, module)
    return plan.dwell_s or rule.lag_s + 2 * rule.for_s + _LOG_DELAY_S


def settle_problems(plan: Plan, bench: BenchFile, module: Module | None) -> Iterator[Problem]:
    """Yield why a plan's settle rule could never be met on a bench whose readings stream."""
    if bench.readback is ReadbackKind.TYPED:
        return
    if bench.readback is ReadbackKind.LATER:
        yield from _standing_problems(plan, module)
        return
    rule, interval_s = plan.settle, bench.reading_interval_s
    least_s = (LEAST_READINGS - 1) * interval_s
    if rule.for_s < least_s:
        yield Problem(
            message=f"{rule.for_s:g} s cannot hold the {LEAST_READINGS} readings that have to"
            f" agree: on this bench one comes every {interval_s:g} s",
            where=str(plan.path),
            key="settle.for_s",
            hint=f"write {least_s:g} or more",
        )
    lag_s = believable(rule, module, bench.refresh_s).lag_s
    if rule.at_most_s < lag_s + max(rule.for_s, least_s):
        yield Problem(
            message=f"{rule.at_most_s:g} s are not enough: the module shows a change after"
            f" {lag_s:g} s, and then has to stand still for {rule.for_s:g} s",
            where=str(plan.path),
            key="settle.at_most_s",
            hint=f"write {lag_s + max(rule.for_s, least_s):.3g} or more",
        )


def _standing_problems(plan: Plan, module: Module | None) -> Iterator[Problem]:
    """Yield why a log could hold no settled reading of a step."""
    rule = believable(plan.settle, module)
    least_s = rule.lag_s + rule.for_s + _LOG_DELAY_S
    if standing_s(plan, module) < least_s:
        yield Problem(
            message=f"{plan.dwell_s:g} s are too short for readings from a log: a step needs"
            f" {rule.for_s:g} s that agree, and {rule.lag_s + _LOG_DELAY_S:g} s for the delay of"
            " module and tool",
            where=str(plan.path),
            key="dwell_s",
            hint=f"write {least_s:.3g} or more, or leave it out",
        )
