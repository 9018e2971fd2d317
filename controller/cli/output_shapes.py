"""The shape of every JSON document that a verb prints: what other people's programs may rely on.

Written down once, here; the published schema is made of it (`python -m controller.cli.reference`),
and tests hold the verbs to it. A key that ends in ``?`` is not always there. A document may gain
keys without a new version; readers pass over what they do not know.
"""

from __future__ import annotations

from typing import Any

from controller.cli.output_parts import (
    BOOLEAN,
    FAULT,
    HYPOTHESIS,
    INPUT,
    LADDER_FAULT,
    LOOK,
    MAYBE_NUMBER,
    MAYBE_TEXT,
    MAYBE_VERDICT,
    NUMBER,
    PART,
    PATH,
    PLAN,
    PROBLEM,
    RESULT,
    RUN,
    STATES,
    STEP,
    TEXT,
    VERDICT,
    WHOLE,
    MapOf,
    Maybe,
)

__all__ = ["SHAPES"]

DIAGNOSIS = {
    "best": Maybe(HYPOTHESIS),
    "hypotheses": [HYPOTHESIS],
    "distinguishable": BOOLEAN,
    "rivals": [TEXT],
    "next_step": Maybe(
        {
            "kind": TEXT,
            "target_celsius": MAYBE_NUMBER,
            "expected_celsius": MapOf(MAYBE_NUMBER),
            "separation": MAYBE_NUMBER,
        }
    ),
    "left_out": [WHOLE],
    "slips": [WHOLE],
    "missing": [TEXT],
    "end_remarks": [TEXT],
    "reason": MAYBE_TEXT,
    "mistake": MAYBE_TEXT,
    "may_lag": BOOLEAN,
    "nearest": Maybe(HYPOTHESIS),
    "misfit": Maybe(
        {
            "rms_celsius": NUMBER,
            "worst_celsius": NUMBER,
            "worst_reading": WHOLE,
            "probability": NUMBER,
        }
    ),
    "tried": [TEXT],
    "untried_probability": MAYBE_NUMBER,
    "sentence": TEXT,
    "record": TEXT,
    "input?": TEXT,
}

SHAPES: dict[str, tuple[dict[str, Any], ...]] = {
    "init": ({"folder": TEXT, "files": [TEXT], "next": TEXT},),
    "new": ({"file": TEXT, "kind": TEXT, "notes": [TEXT]},),
    "validate": (
        {
            "valid": BOOLEAN,
            "files": [
                {
                    "file": TEXT,
                    "kind": TEXT,
                    "valid": BOOLEAN,
                    "problems": [PROBLEM],
                    "notes": [TEXT],
                }
            ],
        },
    ),
    "curve": (
        {
            "sensor": TEXT,
            "kind": TEXT,
            "points": [{"celsius": NUMBER, "ohms": NUMBER, "uncertainty_celsius": NUMBER}],
            "warnings": [TEXT],
        },
    ),
    "nearest": (
        {
            "ladder": TEXT,
            "results": [
                {
                    "target_ohms": NUMBER,
                    "state": TEXT,
                    "ohms": MAYBE_NUMBER,
                    "error_ohms": MAYBE_NUMBER,
                    "uncertainty_ohms": MAYBE_NUMBER,
                    "near_enough": BOOLEAN,
                    "reached": BOOLEAN,
                }
            ],
        },
    ),
    "plan": (
        {
            **PLAN,
            "bench": TEXT,
            "steps": [STEP],
            "second?": {**PLAN, "steps": [STEP], "operations_per_relay": [WHOLE]},
            "operations_per_relay": [WHOLE],
            "wear_warnings": [TEXT],
            "self_test_warnings": [TEXT],
            "calibration_warnings": [TEXT],
            "filter_warnings": [TEXT],
            "false_accept_risk_at_limit": MAYBE_NUMBER,
            "log_warnings?": [TEXT],
            "lasts_s?": NUMBER,
        },
    ),
    "sweep": (RUN,),
    "readings": (
        {
            "verdict": VERDICT,
            "ended": RUN["ended"],
            "relays": TEXT,
            "sentence": TEXT,
            "plan": PLAN,
            "steps": [RESULT],
            "record": TEXT,
            "closing_hash": TEXT,
            "log": {
                "time_column": TEXT,
                "value_column": TEXT,
                "unit": frozenset({"C", "F"}),
                "rows": WHOLE,
                "empty": WHOLE,
                "offset_s": NUMBER,
                "rate": NUMBER,
                "deviation_celsius": NUMBER,
                "ratio": MAYBE_NUMBER,
            },
        },
    ),
    "check": (RUN,),
    "seek": (RUN,),
    "set": (
        {
            "state": TEXT,
            "target_ohms": MAYBE_NUMBER,
            "achieved_ohms": MAYBE_NUMBER,
            "achieved_celsius": MAYBE_NUMBER,
            "uncertainty_ohms": MAYBE_NUMBER,
            "path": PATH,
            "ended": RUN["ended"],
            "relays": TEXT,
            "record": MAYBE_TEXT,
            "faults": [FAULT],
        },
    ),
    "replay": (
        {
            "verdict": VERDICT,
            "same": BOOLEAN,
            "run_again": BOOLEAN,
            "steps": [RESULT],
            "replayed_steps": [RESULT],
            "differences": [MapOf({})],
            "tolerances": {
                "computed": NUMBER,
                "reported_celsius": NUMBER,
                "timing_s": MAYBE_NUMBER,
                "codes": BOOLEAN,
                "old_codes": BOOLEAN,
            },
            "simulated_s": MAYBE_NUMBER,
            "sentence": TEXT,
            "record": TEXT,
        },
    ),
    "diagnose": (
        {
            **DIAGNOSIS,
            "second?": DIAGNOSIS,
        },
    ),
    "compare": (
        {
            "hysteresis": Maybe(
                {
                    "mean_celsius": NUMBER,
                    "mean_uncertainty_celsius": MAYBE_NUMBER,
                    "largest_celsius": NUMBER,
                    "probability": MAYBE_NUMBER,
                    "present": BOOLEAN,
                    "points": [
                        {
                            "achieved_celsius": NUMBER,
                            "difference_celsius": NUMBER,
                            "uncertainty_celsius": NUMBER,
                        }
                    ],
                }
            ),
            "verdict": VERDICT,
            "sentence": TEXT,
        },
        {
            "reference": TEXT,
            "comparisons": [
                {
                    "record": TEXT,
                    "mean_celsius": MAYBE_NUMBER,
                    "mean_uncertainty_celsius": MAYBE_NUMBER,
                    "probability": MAYBE_NUMBER,
                    "alike": BOOLEAN,
                    "unmatched": WHOLE,
                    "steps": [MapOf({})],
                }
            ],
            "trend": Maybe(MapOf({})),
            "verdict": VERDICT,
            "sentence": TEXT,
        },
    ),
    "links": (
        {
            "links": [
                {
                    "port": TEXT,
                    "description": TEXT,
                    "identity": Maybe(MapOf({})),
                    "error": MAYBE_TEXT,
                }
            ]
        },
        {
            "count": WHOLE,
            "median_ms": NUMBER,
            "slowest_ms": NUMBER,
            "stated_ms": WHOLE,
            "proposed_ms": WHOLE,
        },
    ),
    "export": ({"record": TEXT, "columns": [TEXT], "rows": [MapOf({})], "csv": TEXT},),
    "report": (
        {
            "record": TEXT,
            "records": [TEXT],
            "plan": TEXT,
            "began_utc": TEXT,
            "verdict": MAYBE_VERDICT,
            "ended": MAYBE_TEXT,
            "sentence": MAYBE_TEXT,
            "steps": [RESULT],
            "report": TEXT,
        },
    ),
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
"""What each verb's document holds beside `format`; several where the verb has several answers."""
