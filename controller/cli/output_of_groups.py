"""The shapes of the documents of verbs in groups: input, ladder, sensor, archive."""

from __future__ import annotations

from typing import Any

from controller.cli.output_parts import (
    BOOLEAN,
    FAULT,
    INPUT,
    LADDER_FAULT,
    LOOK,
    MAYBE_NUMBER,
    MAYBE_TEXT,
    NUMBER,
    PART,
    PROBLEM,
    RUN,
    STATES,
    TEXT,
    VERDICT,
    WHOLE,
    MapOf,
)

__all__ = ["SHAPES_OF_GROUPS"]

SHAPES_OF_GROUPS: dict[str, tuple[dict[str, Any], ...]] = {
    "input check": (
        {
            **LOOK,
            **INPUT,
        },
    ),
    "input timing": (
        {
            **LOOK,
            "refresh_s": MAYBE_NUMBER,
            "complete_s": MAYBE_NUMBER,
            "interval_s": MAYBE_NUMBER,
            "plan_for_s?": NUMBER,
            "plan_at_most_s?": NUMBER,
        },
    ),
    "input wiggle": ({**LOOK, "jumps": WHOLE, "watched_s": NUMBER},),
    "ladder self-test": (
        {
            **LOOK,
            "states": [
                {
                    "state": TEXT,
                    "expected_ohms": MAYBE_NUMBER,
                    "measured_ohms": MAYBE_NUMBER,
                    "uncertainty_ohms": NUMBER,
                    "agrees": BOOLEAN,
                }
            ],
            "faults_found": [{**LADDER_FAULT, "or_else": [LADDER_FAULT]}],
            "unexplained": [TEXT],
            "by": frozenset({"meter", "sense", "read-back"}),
            "rungs": [
                {
                    "relay": WHOLE,
                    "ohms": NUMBER,
                    "tolerance_ohms": NUMBER,
                    "resolution_ohms": NUMBER,
                    "hidden": BOOLEAN,
                }
            ],
            "times": [
                {
                    "relay": WHOLE,
                    "energised": BOOLEAN,
                    "least_ms": NUMBER,
                    "most_ms": NUMBER,
                    "bounce_ms": NUMBER,
                    "resolution_ms": NUMBER,
                    "stated_ms": NUMBER,
                    "stated_bounce_ms": NUMBER,
                    "slow": BOOLEAN,
                }
            ],
        },
    ),
    "archive add": (
        {
            "archive": TEXT,
            "added": WHOLE,
            "longer": WHOLE,
            "known": WHOLE,
            "torn": WHOLE,
            "refused": [PROBLEM],
        },
    ),
    "archive ask": ({"columns": [TEXT], "rows": [MapOf({})]},),
    "archive judge": (
        {
            "runs": WHOLE,
            "steps": WHOLE,
            "left_out": WHOLE,
            "turned": [
                {
                    "run_id": TEXT,
                    "started_utc": TEXT,
                    "bench": MAYBE_TEXT,
                    "module": MAYBE_TEXT,
                    "plan": MAYBE_TEXT,
                    "before": VERDICT,
                    "after": VERDICT,
                    "steps": WHOLE,
                }
            ],
        },
    ),
    "ladder design": (
        {
            "catalogue": TEXT,
            "fixed_ohms": NUMBER,
            "seed": WHOLE,
            "plan_deviation_celsius": MAYBE_NUMBER,
            "choices": [MapOf({})],
            "files": [TEXT],
        },
    ),
    "ladder calibrate": (
        {
            "ladder": TEXT,
            "utc": TEXT,
            "measurements": WHOLE,
            "values": [MapOf({})],
            "chi_square": NUMBER,
            "degrees_of_freedom": WHOLE,
            "probability": MAYBE_NUMBER,
            "common_percent": NUMBER,
            "agrees": BOOLEAN,
            "suspects": [{}],
            "unchecked": [{}],
            "moved": [{}],
            "verdict": VERDICT,
            "sentence": TEXT,
            "notes": [TEXT],
            "drift": [MapOf({})],
            "calibration": MAYBE_TEXT,
        },
        {
            "ladder": TEXT,
            "states": STATES,
            "rungs": [{"relay": WHOLE, "ohms": NUMBER, "uncertainty_ohms": NUMBER}],
            "unchecked": [{}],
            "csv": TEXT,
        },
        {
            "ended": RUN["ended"],
            "relays": TEXT,
            "readings": TEXT,
            "record": MAYBE_TEXT,
            "faults": [FAULT],
        },
    ),
    "ladder check": (
        {"ladder": TEXT, "calibration": TEXT, "states": STATES, "csv": TEXT},
        {
            "ladder": TEXT,
            "calibration": TEXT,
            "verdict": VERDICT,
            "spots": [
                {
                    "state": TEXT,
                    "expected_ohms": NUMBER,
                    "measured_ohms": NUMBER,
                    "difference_ohms": NUMBER,
                    "uncertainty_ohms": NUMBER,
                    "normalised": NUMBER,
                    "agrees": BOOLEAN,
                }
            ],
            "missing": [TEXT],
            "sentence": TEXT,
        },
    ),
    "sensor check": (
        {
            "sensor": TEXT,
            "verdict": VERDICT,
            "decision_rule": TEXT,
            "false_accept_risk_at_limit": MAYBE_NUMBER,
            "tolerance_celsius": MAYBE_NUMBER,
            "points": [
                {
                    "label": TEXT,
                    "bath_celsius": NUMBER,
                    "ohms": NUMBER,
                    "expected_ohms": NUMBER,
                    "reads_celsius": NUMBER,
                    "error_celsius": NUMBER,
                    "uncertainty_celsius": NUMBER,
                    "budget": [PART],
                    "beyond_span": BOOLEAN,
                    "tolerance_celsius": NUMBER,
                    "false_accept_risk": MAYBE_NUMBER,
                    "verdict": VERDICT,
                }
            ],
            "sentence": TEXT,
        },
    ),
}
"""By verb, like all shapes; see `output_shapes`."""
