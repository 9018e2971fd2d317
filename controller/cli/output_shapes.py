"""The shape of every JSON document that a verb prints: what other people's programs may rely on.

Written down once, here; the published schema is made of it (`python -m controller.cli.reference`),
and tests hold the verbs to it. A key that ends in ``?`` is not always there. A document may gain
keys without a new version; readers pass over what they do not know.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from controller.cli.main import VERBS, document_format

__all__ = ["SHAPES", "output_schema"]

_TEXT, _NUMBER, _WHOLE, _BOOLEAN = "string", "number", "integer", "boolean"
_MAYBE_TEXT, _MAYBE_NUMBER = ("string", "null"), ("number", "null")


class _MapOf:
    """An object whose keys are not known beforehand."""

    def __init__(self, value: Any) -> None:
        self.value = value


class _Maybe:
    """A value or null."""

    def __init__(self, value: Any) -> None:
        self.value = value


_VERDICT = frozenset({"pass", "fail", "undecided"})
_MAYBE_VERDICT = frozenset({*_VERDICT, None})
_PART = {"name": _TEXT, "celsius": _NUMBER}
_PATH = [{"state": _TEXT, "hold_ms": _WHOLE}]
_STEP = {
    "index": _WHOLE,
    "kind": frozenset({"temperature", "resistance", "open", "short"}),
    "target_celsius": _MAYBE_NUMBER,
    "target_ohms": _MAYBE_NUMBER,
    "state": _TEXT,
    "achieved_ohms": _MAYBE_NUMBER,
    "achieved_celsius": _MAYBE_NUMBER,
    "expected_celsius": _MAYBE_NUMBER,
    "tolerance_celsius": _MAYBE_NUMBER,
    "uncertainty_celsius": _NUMBER,
    "excursion_celsius": _MAYBE_NUMBER,
    "filtered_excursion_celsius": _MAYBE_NUMBER,
    "dwell_s": _NUMBER,
    "budget": [_PART],
    "path": _PATH,
    "planned_s?": _NUMBER,
}
_RESULT_OF_ONE: dict[str, Any] = {
    **_STEP,
    "attempt": _WHOLE,
    "reported_celsius": _MAYBE_NUMBER,
    "error_celsius": _MAYBE_NUMBER,
    "verdict": _VERDICT,
    "settled": _BOOLEAN,
    "settle_s": _MAYBE_NUMBER,
    "codes": [_TEXT],
    "reason": _MAYBE_TEXT,
}
_RESULT = {**_RESULT_OF_ONE, "second?": {**_RESULT_OF_ONE, "difference_celsius": _MAYBE_NUMBER}}
_PLAN = {
    "name": _TEXT,
    "kind": _TEXT,
    "settle": {
        "within_celsius": _NUMBER,
        "for_s": _NUMBER,
        "at_most_s": _NUMBER,
        "lag_s": _NUMBER,
        "readings": _WHOLE,
        "gap_s": _MAYBE_NUMBER,
    },
    "worst_excursion_celsius": _MAYBE_NUMBER,
    "lower_bound_celsius": _MAYBE_NUMBER,
    "relay_operations": _WHOLE,
    "park_state": _TEXT,
    "state_digits": _WHOLE,
    "short_circuit_amperes": _MAYBE_NUMBER,
    "most_watts": _MAYBE_NUMBER,
    "warnings": [_TEXT],
    "decision_rule": _TEXT,
    "first_step": _WHOLE,
    "closing_path": _PATH,
    "planner": _WHOLE,
    "input?": _TEXT,
    "largest_difference_celsius?": _MAYBE_NUMBER,
}
_FAULT = {"at_s": _NUMBER, "message": _TEXT, "relays": _TEXT}
_POINT_FOUND = {
    "way": _TEXT,
    "found": _BOOLEAN,
    "low_celsius": _MAYBE_NUMBER,
    "high_celsius": _MAYBE_NUMBER,
    "uncertainty_celsius": _MAYBE_NUMBER,
    "lowest_limit": _MAYBE_NUMBER,
    "highest_limit": _MAYBE_NUMBER,
    "verdict": _VERDICT,
}
_RUN = {
    "verdict": _VERDICT,
    "ended": frozenset({"complete", "stopped", "fault"}),
    "relays": _TEXT,
    "sentence": _TEXT,
    "new_codes": [_TEXT],
    "plan": _PLAN,
    "second_plan?": _PLAN,
    "steps": [_RESULT],
    "record": _MAYBE_TEXT,
    "faults": [_FAULT],
    "closing_hash": _MAYBE_TEXT,
    "timing?": [
        {"step": _WHOLE, "planned_s": _NUMBER, "set_s": _NUMBER, "late": _BOOLEAN},
    ],
    "looks?": [{"step": _WHOLE, "celsius": _NUMBER, "seen": _BOOLEAN}],
    "points?": [_POINT_FOUND],
}
_INTERVAL = {"value": _MAYBE_NUMBER, "low": _MAYBE_NUMBER, "high": _MAYBE_NUMBER}
_HYPOTHESIS = {
    "kind": _TEXT,
    "score": _NUMBER,
    "probability": _NUMBER,
    "rms_celsius": _NUMBER,
    "parameters": _MapOf(_INTERVAL),
    "sensor?": _TEXT,
    "twins?": [_TEXT],
    "jumping?": [_WHOLE],
}
_PROBLEM = {
    "message": _TEXT,
    "where": _MAYBE_TEXT,
    "key": _MAYBE_TEXT,
    "line": ("integer", "null"),
    "hint": _MAYBE_TEXT,
}
_LOOK = {
    "verdict": _VERDICT,
    "ended": _RUN["ended"],
    "relays": _TEXT,
    "sentence": _TEXT,
    "events": [
        {
            "kind": frozenset({"sensed", "jump"}),
            "state?": _TEXT,
            "achieved_ohms?": _MAYBE_NUMBER,
            "volts?": _NUMBER,
            "spread_volts?": _NUMBER,
            "at_s?": _NUMBER,
            "count?": _WHOLE,
            "value?": _MAYBE_NUMBER,
            "level?": _NUMBER,
            "unit?": _TEXT,
            "codes?": [_TEXT],
        }
    ],
    "faults": [_FAULT],
    "record": _MAYBE_TEXT,
}
"""What the verbs that look at an input or at a ladder have in common."""

_LADDER_FAULT = {
    "kind": _TEXT,
    "words": _TEXT,
    "relay?": _WHOLE,
    "energised?": _BOOLEAN,
    "first?": _WHOLE,
    "second?": _WHOLE,
    "percent?": _NUMBER,
    "ohms?": _NUMBER,
}
_STATES = [{"state": _TEXT, "expected_ohms": _MAYBE_NUMBER}]

_NAMED: dict[str, Mapping[str, Any]] = {
    "step": _STEP,
    "result": _RESULT,
    "plan": _PLAN,
    "run": _RUN,
    "hypothesis": _HYPOTHESIS,
    "problem": _PROBLEM,
}
"""Shapes that stand in several documents: the schema has each of them once."""

_ERROR = {
    "kind": frozenset({"bad-input", "fault"}),
    "message": _TEXT,
    "exit_code": _WHOLE,
    "problems?": [_PROBLEM],
    "relays?": _TEXT,
    "cause?": {"source": _TEXT, "message": _TEXT, "hint": _MAYBE_TEXT},
}
"""What stands under `error` when a verb was refused, or the link or a readback failed."""

_DIAGNOSIS = {
    "best": _Maybe(_HYPOTHESIS),
    "hypotheses": [_HYPOTHESIS],
    "distinguishable": _BOOLEAN,
    "rivals": [_TEXT],
    "next_step": _Maybe(
        {
            "kind": _TEXT,
            "target_celsius": _MAYBE_NUMBER,
            "expected_celsius": _MapOf(_MAYBE_NUMBER),
            "separation": _MAYBE_NUMBER,
        }
    ),
    "left_out": [_WHOLE],
    "slips": [_WHOLE],
    "missing": [_TEXT],
    "end_remarks": [_TEXT],
    "reason": _MAYBE_TEXT,
    "nearest": _Maybe(_HYPOTHESIS),
    "misfit": _Maybe(
        {
            "rms_celsius": _NUMBER,
            "worst_celsius": _NUMBER,
            "worst_reading": _WHOLE,
            "probability": _NUMBER,
        }
    ),
    "tried": [_TEXT],
    "untried_probability": _MAYBE_NUMBER,
    "sentence": _TEXT,
    "record": _TEXT,
    "input?": _TEXT,
}

SHAPES: dict[str, tuple[dict[str, Any], ...]] = {
    "init": ({"folder": _TEXT, "files": [_TEXT], "next": _TEXT},),
    "new": ({"file": _TEXT, "kind": _TEXT, "notes": [_TEXT]},),
    "validate": (
        {
            "valid": _BOOLEAN,
            "files": [
                {
                    "file": _TEXT,
                    "kind": _TEXT,
                    "valid": _BOOLEAN,
                    "problems": [_PROBLEM],
                    "notes": [_TEXT],
                }
            ],
        },
    ),
    "curve": (
        {
            "sensor": _TEXT,
            "kind": _TEXT,
            "points": [{"celsius": _NUMBER, "ohms": _NUMBER, "uncertainty_celsius": _NUMBER}],
            "warnings": [_TEXT],
        },
    ),
    "nearest": (
        {
            "ladder": _TEXT,
            "results": [
                {
                    "target_ohms": _NUMBER,
                    "state": _TEXT,
                    "ohms": _MAYBE_NUMBER,
                    "error_ohms": _MAYBE_NUMBER,
                    "uncertainty_ohms": _MAYBE_NUMBER,
                    "near_enough": _BOOLEAN,
                    "reached": _BOOLEAN,
                }
            ],
        },
    ),
    "plan": (
        {
            **_PLAN,
            "bench": _TEXT,
            "steps": [_STEP],
            "second?": {**_PLAN, "steps": [_STEP], "operations_per_relay": [_WHOLE]},
            "operations_per_relay": [_WHOLE],
            "wear_warnings": [_TEXT],
            "filter_warnings": [_TEXT],
            "false_accept_risk_at_limit": _MAYBE_NUMBER,
            "log_warnings?": [_TEXT],
            "lasts_s?": _NUMBER,
        },
    ),
    "sweep": (_RUN,),
    "readings": (
        {
            "verdict": _VERDICT,
            "ended": _RUN["ended"],
            "relays": _TEXT,
            "sentence": _TEXT,
            "plan": _PLAN,
            "steps": [_RESULT],
            "record": _TEXT,
            "closing_hash": _TEXT,
            "log": {
                "time_column": _TEXT,
                "value_column": _TEXT,
                "unit": frozenset({"C", "F"}),
                "rows": _WHOLE,
                "empty": _WHOLE,
                "offset_s": _NUMBER,
                "rate": _NUMBER,
                "deviation_celsius": _NUMBER,
                "ratio": _MAYBE_NUMBER,
            },
        },
    ),
    "check": (_RUN,),
    "seek": (_RUN,),
    "set": (
        {
            "state": _TEXT,
            "target_ohms": _MAYBE_NUMBER,
            "achieved_ohms": _MAYBE_NUMBER,
            "achieved_celsius": _MAYBE_NUMBER,
            "uncertainty_ohms": _MAYBE_NUMBER,
            "path": _PATH,
            "ended": _RUN["ended"],
            "relays": _TEXT,
            "record": _MAYBE_TEXT,
            "faults": [_FAULT],
        },
    ),
    "replay": (
        {
            "verdict": _VERDICT,
            "same": _BOOLEAN,
            "run_again": _BOOLEAN,
            "steps": [_RESULT],
            "replayed_steps": [_RESULT],
            "differences": [_MapOf({})],
            "tolerances": {
                "computed": _NUMBER,
                "reported_celsius": _NUMBER,
                "timing_s": _MAYBE_NUMBER,
                "codes": _BOOLEAN,
                "old_codes": _BOOLEAN,
            },
            "simulated_s": _MAYBE_NUMBER,
            "sentence": _TEXT,
            "record": _TEXT,
        },
    ),
    "diagnose": (
        {
            **_DIAGNOSIS,
            "second?": _DIAGNOSIS,
        },
    ),
    "compare": (
        {
            "hysteresis": _Maybe(
                {
                    "mean_celsius": _NUMBER,
                    "mean_uncertainty_celsius": _MAYBE_NUMBER,
                    "largest_celsius": _NUMBER,
                    "probability": _MAYBE_NUMBER,
                    "present": _BOOLEAN,
                    "points": [
                        {
                            "achieved_celsius": _NUMBER,
                            "difference_celsius": _NUMBER,
                            "uncertainty_celsius": _NUMBER,
                        }
                    ],
                }
            ),
            "verdict": _VERDICT,
            "sentence": _TEXT,
        },
        {
            "reference": _TEXT,
            "comparisons": [
                {
                    "record": _TEXT,
                    "mean_celsius": _MAYBE_NUMBER,
                    "mean_uncertainty_celsius": _MAYBE_NUMBER,
                    "probability": _MAYBE_NUMBER,
                    "alike": _BOOLEAN,
                    "unmatched": _WHOLE,
                    "steps": [_MapOf({})],
                }
            ],
            "trend": _Maybe(_MapOf({})),
            "verdict": _VERDICT,
            "sentence": _TEXT,
        },
    ),
    "links": (
        {
            "links": [
                {
                    "port": _TEXT,
                    "description": _TEXT,
                    "identity": _Maybe(_MapOf({})),
                    "error": _MAYBE_TEXT,
                }
            ]
        },
        {
            "count": _WHOLE,
            "median_ms": _NUMBER,
            "slowest_ms": _NUMBER,
            "stated_ms": _WHOLE,
            "proposed_ms": _WHOLE,
        },
    ),
    "export": ({"record": _TEXT, "columns": [_TEXT], "rows": [_MapOf({})], "csv": _TEXT},),
    "report": (
        {
            "record": _TEXT,
            "records": [_TEXT],
            "plan": _TEXT,
            "began_utc": _TEXT,
            "verdict": _MAYBE_VERDICT,
            "ended": _MAYBE_TEXT,
            "sentence": _MAYBE_TEXT,
            "steps": [_RESULT],
            "report": _TEXT,
        },
    ),
    "input check": (
        {
            **_LOOK,
            "isolated_volts": _MAYBE_NUMBER,
            "trouble": _MAYBE_TEXT,
            "reference_volts": _MAYBE_NUMBER,
            "reference_uncertainty_volts": _MAYBE_NUMBER,
            "pullup_ohms": _MAYBE_NUMBER,
            "pullup_uncertainty_ohms": _MAYBE_NUMBER,
            "short_circuit_amperes": _MAYBE_NUMBER,
            "most_watts": _MAYBE_NUMBER,
        },
    ),
    "input timing": (
        {
            **_LOOK,
            "refresh_s": _MAYBE_NUMBER,
            "complete_s": _MAYBE_NUMBER,
            "interval_s": _MAYBE_NUMBER,
            "plan_for_s?": _NUMBER,
            "plan_at_most_s?": _NUMBER,
        },
    ),
    "input wiggle": ({**_LOOK, "jumps": _WHOLE, "watched_s": _NUMBER},),
    "ladder self-test": (
        {
            **_LOOK,
            "states": [
                {
                    "state": _TEXT,
                    "expected_ohms": _MAYBE_NUMBER,
                    "measured_ohms": _MAYBE_NUMBER,
                    "uncertainty_ohms": _NUMBER,
                    "agrees": _BOOLEAN,
                }
            ],
            "faults_found": [{**_LADDER_FAULT, "or_else": [_LADDER_FAULT]}],
            "unexplained": [_TEXT],
        },
    ),
    "archive add": (
        {
            "archive": _TEXT,
            "added": _WHOLE,
            "longer": _WHOLE,
            "known": _WHOLE,
            "torn": _WHOLE,
            "refused": [_PROBLEM],
        },
    ),
    "archive ask": ({"columns": [_TEXT], "rows": [_MapOf({})]},),
    "archive judge": (
        {
            "runs": _WHOLE,
            "steps": _WHOLE,
            "left_out": _WHOLE,
            "turned": [
                {
                    "run_id": _TEXT,
                    "started_utc": _TEXT,
                    "bench": _MAYBE_TEXT,
                    "module": _MAYBE_TEXT,
                    "plan": _MAYBE_TEXT,
                    "before": _VERDICT,
                    "after": _VERDICT,
                    "steps": _WHOLE,
                }
            ],
        },
    ),
    "ladder design": (
        {
            "catalogue": _TEXT,
            "fixed_ohms": _NUMBER,
            "seed": _WHOLE,
            "choices": [_MapOf({})],
            "files": [_TEXT],
        },
    ),
    "ladder calibrate": (
        {
            "ladder": _TEXT,
            "utc": _TEXT,
            "measurements": _WHOLE,
            "values": [_MapOf({})],
            "chi_square": _NUMBER,
            "degrees_of_freedom": _WHOLE,
            "probability": _MAYBE_NUMBER,
            "common_percent": _NUMBER,
            "agrees": _BOOLEAN,
            "suspects": [{}],
            "unchecked": [{}],
            "moved": [{}],
            "verdict": _VERDICT,
            "sentence": _TEXT,
            "notes": [_TEXT],
            "drift": [_MapOf({})],
            "calibration": _MAYBE_TEXT,
        },
        {
            "ladder": _TEXT,
            "states": _STATES,
            "rungs": [{"relay": _WHOLE, "ohms": _NUMBER, "uncertainty_ohms": _NUMBER}],
            "unchecked": [{}],
            "csv": _TEXT,
        },
        {
            "ended": _RUN["ended"],
            "relays": _TEXT,
            "readings": _TEXT,
            "record": _MAYBE_TEXT,
            "faults": [_FAULT],
        },
    ),
    "ladder check": (
        {"ladder": _TEXT, "calibration": _TEXT, "states": _STATES, "csv": _TEXT},
        {
            "ladder": _TEXT,
            "calibration": _TEXT,
            "verdict": _VERDICT,
            "spots": [
                {
                    "state": _TEXT,
                    "expected_ohms": _NUMBER,
                    "measured_ohms": _NUMBER,
                    "difference_ohms": _NUMBER,
                    "uncertainty_ohms": _NUMBER,
                    "normalised": _NUMBER,
                    "agrees": _BOOLEAN,
                }
            ],
            "missing": [_TEXT],
            "sentence": _TEXT,
        },
    ),
    "sensor check": (
        {
            "sensor": _TEXT,
            "verdict": _VERDICT,
            "decision_rule": _TEXT,
            "false_accept_risk_at_limit": _MAYBE_NUMBER,
            "tolerance_celsius": _MAYBE_NUMBER,
            "points": [
                {
                    "label": _TEXT,
                    "bath_celsius": _NUMBER,
                    "ohms": _NUMBER,
                    "expected_ohms": _NUMBER,
                    "reads_celsius": _NUMBER,
                    "error_celsius": _NUMBER,
                    "uncertainty_celsius": _NUMBER,
                    "budget": [_PART],
                    "beyond_span": _BOOLEAN,
                    "tolerance_celsius": _NUMBER,
                    "false_accept_risk": _MAYBE_NUMBER,
                    "verdict": _VERDICT,
                }
            ],
            "sentence": _TEXT,
        },
    ),
}
"""What each verb's document holds beside `format`; several where the verb has several answers."""

_SEVERAL = ("plan", "replay", "diagnose")
"""Verbs that take several files: then their documents stand in an array under `files`."""


def output_schema() -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of all documents, one definition a verb."""
    definitions: dict[str, Any] = {"error": _schema_of({"error": _ERROR})}
    definitions |= {f"a-{name}": _object_of(shape) for name, shape in _NAMED.items()}
    for verb, shapes in SHAPES.items():
        alone = [_schema_of(shape) for shape in shapes]
        alone.append({"$ref": "#/$defs/error"})
        if verb in _SEVERAL:
            files = {"type": "array", "items": {"anyOf": list(alone)}}
            alone.append({"type": "object", "properties": {"files": files}, "required": ["files"]})
        definitions[verb] = {
            "properties": {"format": {"const": document_format(verb)}},
            "required": ["format"],
            "anyOf": alone,
        }
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "What the verbs of rungwise print with --json",
        "oneOf": [{"$ref": f"#/$defs/{verb}"} for verb in VERBS if verb in SHAPES],
        "$defs": definitions,
    }


def _schema_of(shape: Any) -> dict[str, Any]:
    for name, named in _NAMED.items():
        if shape is named:
            return {"$ref": f"#/$defs/a-{name}"}
    match shape:
        case str():
            return {"type": shape}
        case tuple():
            return {"type": list(shape)}
        case frozenset():
            return {"enum": sorted(shape, key=lambda word: (word is None, word))}
        case list():
            return {"type": "array", "items": _schema_of(shape[0])}
        case _MapOf():
            return {"type": "object", "additionalProperties": _schema_of(shape.value)}
        case _Maybe():
            return {"anyOf": [_schema_of(shape.value), {"type": "null"}]}
        case Mapping() if not shape:
            return {}
        case _:
            return _object_of(shape)


def _object_of(shape: Mapping[str, Any]) -> dict[str, Any]:
    return {
        "type": "object",
        "properties": {key.removesuffix("?"): _schema_of(one) for key, one in shape.items()},
        "required": [key for key in shape if not key.endswith("?")],
    }
