"""The JSON Schema of every document that a verb prints, made of the shapes of `output_shapes`.

Knows: JSON Schema, draft 2020-12.
Must not know: what stands in a document.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from controller.cli.output_parts import ERROR, NAMED, MapOf, Maybe
from controller.cli.output_shapes import SHAPES
from controller.cli.verbs import VERBS, document_format

__all__ = ["output_schema"]

_SEVERAL = ("plan", "replay", "diagnose")
"""Verbs that take several files: then their documents stand in an array under `files`."""


def output_schema() -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of all documents, one definition a verb."""
    definitions: dict[str, Any] = {"error": _schema_of({"error": ERROR})}
    definitions |= {f"a-{name}": _object_of(shape) for name, shape in NAMED.items()}
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
    for name, named in NAMED.items():
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
        case MapOf():
            return {"type": "object", "additionalProperties": _schema_of(shape.value)}
        case Maybe():
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
