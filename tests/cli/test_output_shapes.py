"""What verbs print with `--json` has the published shape, and nothing that the schema keeps silent.

Outside check: jsonschema, an independent implementation of draft 2020-12.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from controller.cli.output_schema import output_schema
from controller.cli.output_shapes import SHAPES
from controller.cli.reference import FOLDER
from controller.cli.verbs import VERBS, document_format

Run = Callable[..., Any]
NO_DOCUMENT = {"ui", "stand-in"}

# One line a situation: the words after `rungwise --json`, and the exit status. S/ is `sweeps`.
SITUATIONS = {
    "init": ("init tern", 0),
    "new": ("new ladder box.toml --rung 2 --rung 4 --rung 8", 0),
    "validate": ("validate S/coolant-sweep.toml S/by-hand.csv", 2),
    "curve": ("curve S/sensors/tern-coolant.toml --at 20 --ohms 300", 0),
    "curve, whole": ("curve S/sensors/tern-coolant-chart.toml", 0),
    "nearest": ("nearest S/ladders/bench-16.toml 2k5 2.5M", 0),
    "plan": ("plan S/coolant-check.toml", 0),
    "plan, several": ("plan S/coolant-check.toml S/missing.toml", 2),
    "check": ("check S/coolant-check.toml --record a.jsonl", 0),
    "check, input first": (
        "check S/coolant-check.toml --bench S/benches/simulated-metered.toml --record i.jsonl",
        0,
    ),
    "sweep, profile": ("sweep S/warm-up.toml --record b.jsonl", None),
    "sweep, random": ("sweep S/air-random.toml --record c.jsonl", None),
    "sweep, read later": ("sweep S/coolant-sweep.toml --readings later --record g.jsonl", 4),
    "plan, read later": ("plan S/coolant-sweep.toml --readings later", 0),
    "readings": (
        "readings S/logs/tern-corroded.jsonl S/logs/tern-corroded.csv --record h.jsonl",
        1,
    ),
    "seek": ("seek S/fan-seek.toml --record d.jsonl", 0),
    "set": ("set 2k5", 0),
    "set open": ("set open --bench S/benches/simulated.toml", 0),
    "set, no such port": ("set 1k --bench S/benches/serial-example.toml --yes", 3),
    "check, no such port": (
        "check S/coolant-check.toml --bench S/benches/serial-example.toml --yes --record e.jsonl",
        3,
    ),
    "replay": ("replay S/recorded/coolant-healthy.jsonl", 0),
    "diagnose": ("diagnose S/recorded/coolant-corroded.jsonl", 1),
    "diagnose by hand": ("diagnose S/by-hand-unexplained.csv --plan S/coolant-sweep.toml", 4),
    "diagnose, several": (
        "diagnose S/recorded/coolant-healthy.jsonl S/by-hand.csv --plan S/coolant-sweep.toml",
        1,
    ),
    "compare": ("compare S/recorded/coolant-healthy.jsonl S/recorded/coolant-corroded.jsonl", 1),
    "compare within": ("compare S/recorded/coolant-healthy.jsonl", 0),
    "links": ("links no-such-port", None),
    "export": ("export S/recorded/coolant-healthy.jsonl", 0),
    "report": ("report S/recorded/coolant-healthy.jsonl", 0),
    "archive add": ("archive add S/recorded", 0),
    "archive add, refused": ("archive add S/coolant-check.toml S/recorded", 2),
    "archive ask": ("archive ask failures", 0),
    "archive judge": ("archive judge --tolerance 0.5", 0),
    "ladder design": (
        (
            "ladder design --serve S/sensors/tern-coolant.toml 20 60 --relays 6 --deviation 5"
            " --step 20 --processes 1"
        ),
        None,
    ),
    "ladder calibrate": (
        (
            "ladder calibrate S/ladders/bench-16.toml"
            " --readings S/ladders/calibrations/bench-16-2026-03.csv"
            " --previous S/ladders/calibrations/bench-16-2025-09.toml"
        ),
        0,
    ),
    "ladder calibrate, proposal": ("ladder calibrate S/ladders/bench-16.toml --propose 20", 0),
    "ladder check": (
        (
            "ladder check S/ladders/bench-16.toml"
            " --calibration S/ladders/calibrations/bench-16-2025-09.toml"
        ),
        0,
    ),
    "sensor check": (
        "sensor check S/sensors/tern-coolant.toml S/sensors/baths/tern-coolant.toml",
        0,
    ),
    "input check": ("input check --bench S/benches/simulated-metered.toml", 0),
    "input timing": ("input timing --bench S/benches/simulated-metered.toml", 0),
    "input wiggle": ("input wiggle 2k5 --bench S/benches/simulated-metered.toml", 0),
    "ladder self-test": ("ladder self-test --bench S/benches/simulated-metered.toml", 0),
    "refused": ("sweep missing.toml", 2),
}


def closed(schema: Any) -> Any:
    """Return a schema that takes no key it does not name."""
    if isinstance(schema, list):
        return [closed(one) for one in schema]
    if not isinstance(schema, dict):
        return schema
    found = {name: closed(one) for name, one in schema.items()}
    if found.get("type") == "object" and "properties" in found:
        found["properties"].setdefault("format", {})
        found.setdefault("additionalProperties", False)
    return found


def problems(verb: str, document: Any) -> list[str]:
    whole = closed(output_schema())
    schema = {"$defs": whole["$defs"], "$ref": f"#/$defs/{verb}"}
    return [error.message for error in Draft202012Validator(schema).iter_errors(document)]


def verb_of(line: str) -> str:
    return next(verb for verb in sorted(VERBS, key=len, reverse=True) if line.startswith(verb))


def test_every_verb_has_its_shape_and_is_tried() -> None:
    assert set(SHAPES) == set(VERBS) - NO_DOCUMENT, "write the shape down in output_shapes.py"
    assert {verb_of(line) for line, _ in SITUATIONS.values()} == set(SHAPES)


def test_the_schema_is_one_and_is_published() -> None:
    Draft202012Validator.check_schema(output_schema())
    published = json.loads((FOLDER / "output.schema.json").read_text("utf-8"))
    assert published == output_schema(), "run python -m controller.cli.reference"


@pytest.mark.parametrize(
    "situation",
    [
        pytest.param(one, marks=[pytest.mark.soak] if one == "ladder design" else [])
        for one in SITUATIONS
    ],
)
def test_what_is_printed_has_the_shape(rungwise: Run, sweeps: Path, situation: str) -> None:
    line, status = SITUATIONS[situation]
    if line.startswith("archive"):
        pytest.importorskip("duckdb", reason="the extra [archive] is not installed")
    if line.startswith(("archive ask", "archive judge")):
        assert rungwise("archive", "add", sweeps / "recorded").status == 0
    ended = rungwise("--json", *line.replace("S/", f"{sweeps}/").split())
    if status is not None:
        assert ended.status == status, ended.err
    document = ended.document
    assert document["format"] == document_format(verb_of(line))
    assert problems(verb_of(line), document) == []


@pytest.mark.parametrize("key", ["verdict", "steps", "sentence"])
def test_a_key_that_goes_and_one_that_comes_are_noticed(
    rungwise: Run, sweeps: Path, key: str
) -> None:
    document = rungwise("check", sweeps / "coolant-check.toml", "--json").document
    assert problems("check", {name: one for name, one in document.items() if name != key})
    assert problems("check", {**document, "new": 1})
    document["steps"][0]["new"] = 1
    assert problems("check", document)


@pytest.mark.parametrize("words", [("set", "1k"), ("check", "coolant-check.toml")])
def test_a_link_fault_tells_its_cause(rungwise: Run, sweeps: Path, words: tuple[str, str]) -> None:
    verb, what = words
    bench = sweeps / "benches" / "serial-example.toml"
    what = str(sweeps / what) if what.endswith("toml") else what
    ended = rungwise(verb, what, "--bench", bench, "--yes", "--json")
    assert ended.status == 3
    [fault] = ended.document["faults"]
    assert "/dev/ttyUSB0: there is no such port" in fault["message"]
    assert fault["relays"] == ended.document["relays"] == "nothing was driven"
