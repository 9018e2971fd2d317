"""Checks that hold any device to SPEC.md: a simulation, firmware in an emulator, a real board.

Give `run_checks` a function that returns a fresh `Endpoint` for each check (or one that keeps a
port open and ignores `close`). `python -m firmware_protocol.conformance PATH` does it for a
serial port.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from enum import Enum

from firmware_protocol.conformance import noise, refusals, relays, repeats, starts, states, timing
from firmware_protocol.conformance.bench import Bench
from firmware_protocol.conformance.endpoint import CheckFailed, Endpoint, NotApplicable, Pace
from firmware_protocol.conformance.registry import CHECKS, Check
from firmware_protocol.messages import Park

__all__ = [
    "CHECKS",
    "Bench",
    "Check",
    "CheckFailed",
    "Endpoint",
    "NotApplicable",
    "Outcome",
    "Pace",
    "Result",
    "run_check",
    "run_checks",
]

_ATTEMPTS = 3

_GROUPS = [
    module.__name__.rpartition(".")[2]
    for module in (relays, timing, refusals, repeats, noise, states, starts)
]
CHECKS.sort(key=lambda check: _GROUPS.index(check.group))  # the plain ones first


class Result(Enum):
    """How a check came out."""

    PASSED = "passed"
    FAILED = "failed"
    NOT_APPLICABLE = "not applicable"


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """One check and how it came out; `reason` says why, unless it passed.

    `repeats` is how often a request had to be sent again because no reply came.
    """

    check: Check
    result: Result
    reason: str = ""
    repeats: int = 0


def run_check(check: Check, endpoint: Endpoint) -> Outcome:
    """Run one check from a known start; park afterwards, whatever came out; close the endpoint.

    A finding during which the line lost something, so that a request had to be repeated, may be
    the line's: the check is then run again, twice at most.
    """
    repeats = 0
    try:
        for _ in range(_ATTEMPTS):
            outcome = _run_once(check, endpoint)
            repeats += outcome.repeats
            if outcome.result is not Result.FAILED or outcome.repeats == 0:
                break
    finally:
        endpoint.close()
    return replace(outcome, repeats=repeats)


def _run_once(check: Check, endpoint: Endpoint) -> Outcome:
    bench = Bench(endpoint)
    result, reason = Result.PASSED, ""
    try:
        try:
            bench.begin()
            check.run(bench)
        finally:
            bench.reset()
            with suppress(CheckFailed):
                bench.ask(Park())
    except CheckFailed as finding:
        result, reason = Result.FAILED, str(finding)
    except NotApplicable as finding:
        result, reason = Result.NOT_APPLICABLE, str(finding)
    return Outcome(check=check, result=result, reason=reason, repeats=bench.repeats)


def run_checks(
    factory: Callable[[], Endpoint], checks: Sequence[Check] | None = None
) -> Iterator[Outcome]:
    """Run checks (all of them by default), one endpoint each, and yield how each came out."""
    for check in CHECKS if checks is None else checks:
        yield run_check(check, factory())
