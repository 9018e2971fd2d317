"""The shape of every JSON document that a verb prints: what other people's programs may rely on.

Written down once, here; the published schema is made of it (`python -m controller.cli.reference`),
and tests hold the verbs to it. A key that ends in ``?`` is not always there. A document may gain
keys without a new version; readers pass over what they do not know.
"""

from __future__ import annotations

from typing import Any

from controller.cli.output_of_groups import SHAPES_OF_GROUPS
from controller.cli.output_parts import (
    BOOLEAN,
    FAULT,
    HYPOTHESIS,
    MAYBE_NUMBER,
    MAYBE_TEXT,
    MAYBE_VERDICT,
    NUMBER,
    PATH,
    PLAN,
    PROBLEM,
    RESULT,
    RUN,
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
    **SHAPES_OF_GROUPS,
}
"""What each verb's document holds beside `format`; several where the verb has several answers."""
