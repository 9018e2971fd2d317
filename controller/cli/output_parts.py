"""The parts of which the shapes of JSON documents are made: types, steps, runs, faults.

Knows: how a shape is written down. A key that ends in ``?`` is not always there.
Must not know: verbs, JSON Schema.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

__all__ = [
    "BOOLEAN",
    "ERROR",
    "FAULT",
    "HYPOTHESIS",
    "INPUT",
    "INTERVAL",
    "LADDER_FAULT",
    "LOOK",
    "MAYBE_NUMBER",
    "MAYBE_TEXT",
    "MAYBE_VERDICT",
    "NAMED",
    "NUMBER",
    "PART",
    "PATH",
    "PLAN",
    "POINT_FOUND",
    "PROBLEM",
    "RESULT",
    "RUN",
    "STATES",
    "STEP",
    "TEXT",
    "VERDICT",
    "WHOLE",
    "MapOf",
    "Maybe",
]

TEXT, NUMBER, WHOLE, BOOLEAN = "string", "number", "integer", "boolean"
MAYBE_TEXT, MAYBE_NUMBER = ("string", "null"), ("number", "null")


class MapOf:
    """An object whose keys are not known beforehand."""

    def __init__(self, value: Any) -> None:
        self.value = value


class Maybe:
    """A value or null."""

    def __init__(self, value: Any) -> None:
        self.value = value


VERDICT = frozenset({"pass", "fail", "undecided"})
MAYBE_VERDICT = frozenset({*VERDICT, None})
PART = {"name": TEXT, "celsius": NUMBER}
PATH = [{"state": TEXT, "hold_ms": WHOLE}]
STEP = {
    "index": WHOLE,
    "kind": frozenset({"temperature", "resistance", "open", "short"}),
    "target_celsius": MAYBE_NUMBER,
    "target_ohms": MAYBE_NUMBER,
    "state": TEXT,
    "achieved_ohms": MAYBE_NUMBER,
    "achieved_celsius": MAYBE_NUMBER,
    "expected_celsius": MAYBE_NUMBER,
    "tolerance_celsius": MAYBE_NUMBER,
    "uncertainty_celsius": NUMBER,
    "excursion_celsius": MAYBE_NUMBER,
    "filtered_excursion_celsius": MAYBE_NUMBER,
    "dwell_s": NUMBER,
    "budget": [PART],
    "path": PATH,
    "planned_s?": NUMBER,
}
RESULT = {
    **STEP,
    "attempt": WHOLE,
    "reported_celsius": MAYBE_NUMBER,
    "error_celsius": MAYBE_NUMBER,
    "verdict": VERDICT,
    "settled": BOOLEAN,
    "settle_s": MAYBE_NUMBER,
    "codes": [TEXT],
    "reason": MAYBE_TEXT,
}
PLAN = {
    "name": TEXT,
    "kind": TEXT,
    "settle": {
        "within_celsius": NUMBER,
        "for_s": NUMBER,
        "at_most_s": NUMBER,
        "lag_s": NUMBER,
        "readings": WHOLE,
        "gap_s": MAYBE_NUMBER,
    },
    "worst_excursion_celsius": MAYBE_NUMBER,
    "lower_bound_celsius": MAYBE_NUMBER,
    "relay_operations": WHOLE,
    "park_state": TEXT,
    "state_digits": WHOLE,
    "short_circuit_amperes": MAYBE_NUMBER,
    "most_watts": MAYBE_NUMBER,
    "warnings": [TEXT],
    "decision_rule": TEXT,
    "first_step": WHOLE,
    "closing_path": PATH,
    "planner": WHOLE,
    "looks_first?": BOOLEAN,
}
FAULT = {"at_s": NUMBER, "message": TEXT, "relays": TEXT}
POINT_FOUND = {
    "way": TEXT,
    "found": BOOLEAN,
    "low_celsius": MAYBE_NUMBER,
    "high_celsius": MAYBE_NUMBER,
    "uncertainty_celsius": MAYBE_NUMBER,
    "lowest_limit": MAYBE_NUMBER,
    "highest_limit": MAYBE_NUMBER,
    "verdict": VERDICT,
}
INPUT = {
    "isolated_volts": MAYBE_NUMBER,
    "trouble": MAYBE_TEXT,
    "reference_volts": MAYBE_NUMBER,
    "reference_uncertainty_volts": MAYBE_NUMBER,
    "pullup_ohms": MAYBE_NUMBER,
    "pullup_uncertainty_ohms": MAYBE_NUMBER,
    "short_circuit_amperes": MAYBE_NUMBER,
    "most_watts": MAYBE_NUMBER,
}
RUN = {
    "verdict": VERDICT,
    "ended": frozenset({"complete", "stopped", "fault"}),
    "relays": TEXT,
    "sentence": TEXT,
    "new_codes": [TEXT],
    "plan": PLAN,
    "steps": [RESULT],
    "record": MAYBE_TEXT,
    "faults": [FAULT],
    "closing_hash": MAYBE_TEXT,
    "timing?": [
        {"step": WHOLE, "planned_s": NUMBER, "set_s": NUMBER, "late": BOOLEAN},
    ],
    "looks?": [{"step": WHOLE, "celsius": NUMBER, "seen": BOOLEAN}],
    "points?": [POINT_FOUND],
    "input?": INPUT,
}
INTERVAL = {"value": MAYBE_NUMBER, "low": MAYBE_NUMBER, "high": MAYBE_NUMBER}
HYPOTHESIS = {
    "kind": TEXT,
    "score": NUMBER,
    "probability": NUMBER,
    "rms_celsius": NUMBER,
    "parameters": MapOf(INTERVAL),
    "sensor?": TEXT,
    "twins?": [TEXT],
    "jumping?": [WHOLE],
}
PROBLEM = {
    "message": TEXT,
    "where": MAYBE_TEXT,
    "key": MAYBE_TEXT,
    "line": ("integer", "null"),
    "hint": MAYBE_TEXT,
}
LOOK = {
    "verdict": VERDICT,
    "ended": RUN["ended"],
    "relays": TEXT,
    "sentence": TEXT,
    "events": [
        {
            "kind": frozenset({"sensed", "jump"}),
            "state?": TEXT,
            "achieved_ohms?": MAYBE_NUMBER,
            "volts?": NUMBER,
            "spread_volts?": NUMBER,
            "at_s?": NUMBER,
            "count?": WHOLE,
            "value?": MAYBE_NUMBER,
            "level?": NUMBER,
            "unit?": TEXT,
            "codes?": [TEXT],
        }
    ],
    "faults": [FAULT],
    "record": MAYBE_TEXT,
}
"""What the verbs that look at an input or at a ladder have in common."""

LADDER_FAULT = {
    "kind": TEXT,
    "words": TEXT,
    "relay?": WHOLE,
    "energised?": BOOLEAN,
    "first?": WHOLE,
    "second?": WHOLE,
    "percent?": NUMBER,
    "ohms?": NUMBER,
    "factor?": NUMBER,
}
STATES = [{"state": TEXT, "expected_ohms": MAYBE_NUMBER}]

NAMED: dict[str, Mapping[str, Any]] = {
    "step": STEP,
    "result": RESULT,
    "plan": PLAN,
    "run": RUN,
    "hypothesis": HYPOTHESIS,
    "problem": PROBLEM,
}
"""Shapes that stand in several documents: the schema has each of them once."""

ERROR = {
    "kind": frozenset({"bad-input", "fault"}),
    "message": TEXT,
    "exit_code": WHOLE,
    "problems?": [PROBLEM],
    "relays?": TEXT,
    "cause?": {"source": TEXT, "message": TEXT, "hint": MAYBE_TEXT},
}
"""What stands under `error` when a verb was refused, or the link or a readback failed."""
