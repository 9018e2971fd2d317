"""The reference of every key of every file format, made from what the loaders ask for.

`python -m controller.cli.reference FOLDER` writes it: one Markdown page for people, and a JSON
Schema (draft 2020-12) for each format, for editors; and the schema of what `--json` prints.
"""

from __future__ import annotations

import json
import math
import re
import sys
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from controller.cli.key_words import KEY_WORDS
from controller.cli.output_schema import output_schema
from controller.documents import Asked, noting_keys, supplied_files
from controller.errors import InputError
from controller.ladder.faults_file import LADDER_FAULT_KINDS

__all__ = ["FOLDER", "Key", "keys_of_formats", "main", "reference_files"]

FOLDER = Path(__file__).parents[1] / "reference"

_FAULT_KINDS = (
    *("series-resistance", "leakage-to-ground", "gain", "wrong-curve", "curve-offset"),
    *("stuck-report", "noise"),
)

_BENCHES = (
    '[link]\nkind = "simulated"\n[readback]\nkind = "command"\n[simulation]\n',
    '[link]\nkind = "serial"\n[readback]\nkind = "can"\n',
    '[link]\nkind = "serial"\n[readback]\nkind = "j1939"\n',
    *(f'[link]\n[readback]\n[[ladder_fault]]\nkind = "{kind}"\n' for kind in LADDER_FAULT_KINDS),
    *(
        f'[link]\nkind = "serial"\n[readback]\n[simulation]\n[surroundings]\n'
        f'[[fault]]\nkind = "{kind}"\n'
        for kind in _FAULT_KINDS
    ),
    '[link]\n[readback]\n[sense]\n[meter]\nkind = "scpi"\nport = "x"\n',
    '[link]\nkind = "simulated"\n[readback]\n[meter]\nkind = "simulated"\n',
)
"""Benches of one ladder, and what may stand of them in [second]."""


def _in_second(text: str) -> str:
    """Return a specimen of a bench as the second ladder of another."""
    own = re.sub(r"^(\[+)", r"\1second.", text, flags=re.MULTILINE)
    return f"[link]\n[readback]\n[second]\n{own}"


_SPECIMENS: dict[str, tuple[str, ...]] = {
    "sensor": (
        *(
            f'kind = "{kind}"\ntolerance = "B"\n'
            for kind in (
                *("ntc-beta", "ntc-steinhart-hart", "ntc-ratio", "table", "chart-fit"),
                *("platinum", "polynomial"),
            )
        ),
        'kind = "polynomial"\n[[extra]]\ncoefficients = [1]\n',
        'kind = "polynomial"\n[[extra]]\npower = 2\n',
    ),
    "ladder": (
        """[relays]
[output]
[[relay]]
index = 0
[[group]]
contacts = "normally-open"
rungs = [{ relay = 0 }]
""",
        "[[group]]\n",
    ),
    "module": (
        '[input.second_pullup]\n[adc]\n[report]\nencoding = "x"\n[limits]\n[fan]\n',
        "[report]\n",
    ),
    "bench": (
        *_BENCHES,
        *map(_in_second, _BENCHES),
        '[link]\nkind = "modbus-rtu"\n[readback]\n',
        '[link]\nkind = "ascii"\n[link.words]\n[readback]\n',
    ),
    "plan": (
        "repeated_readings_celsius = [1, 2]\n[settle]\n[[tolerance]]\n[[targets]]\n",
        "[settle]\n[[targets]]\n[second]\n[[second.tolerance]]\n",
        'kind = "profile"\n[settle]\n[profile]\npoints = [[0, 1]]\n',
        'kind = "profile"\n[settle]\n[profile]\nfile = "x.csv"\n',
        *(
            f'kind = "threshold"\n[settle]\n[search]\nwatch = "{watch}"\n'
            "[search.there]\n[search.back]\n[search.hysteresis]\n"
            for watch in ("fan", "reading", "saturation", "code", "key")
        ),
        *(
            f"[settle]\n[[targets]]\n{key}\n"
            for unit in ("celsius", "fahrenheit", "ohms")
            for key in (f"{unit} = [1]", f"from_{unit} = 1")
        ),
    ),
    "calibration": ("",),
    "bath": tuple(f'[[point]]\nkind = "{kind}"\n' for kind in ("ice", "boiling", "bath")),
}
"""Unfinished files that between them have every table: a loader asks for the rest by itself."""


@dataclass(frozen=True, kw_only=True)
class Key:
    """One key: what loaders asked of it, put together over all specimens.

    `always` is False where some kinds of file or table do not know the key, and `sometimes` True
    where some insist on it.
    """

    asked: Asked
    required: bool
    sometimes: bool
    always: bool


def keys_of_formats() -> dict[str, list[Key]]:
    """Return the keys of each format, in the order in which its loader asks for them."""
    found = {}
    for kind, specimens in _SPECIMENS.items():
        runs = [_asked_of(kind, text) for text in specimens]
        found[kind] = list(_together(runs))
    return found


def _asked_of(kind: str, text: str) -> list[Asked]:
    stated = f"rungwise-{kind}/1"
    place = Path("/specimen.toml")
    with (
        noting_keys() as noted,
        supplied_files({place: f'format = "{stated}"\n{text}'}),
        suppress(InputError),
    ):
        _loader(kind)(place)
    return [one for one in noted if one.format == stated]


def _together(runs: list[list[Asked]]) -> Iterator[Key]:
    order: dict[str, list[Asked]] = {}
    for run in runs:
        for one in run:
            order.setdefault(one.path, []).append(one)
    for path, asked in order.items():
        # The most telling question counts: a key may be looked at before it is read.
        best = max(asked, key=lambda one: (one.shape not in ("any", "text"), one.shape == "file"))
        table = path.rpartition(".")[0]
        able = [run for run in runs if any(one.path.rpartition(".")[0] == table for one in run)]
        knowing = [run for run in able if any(one.path == path for one in run)]
        yield Key(
            asked=best,
            required=bool(able) and all(_needed_in(run, path) for run in able),
            # A choice that is looked at where it stands insists on nothing either.
            sometimes=best.shape != "choice" and any(_needed_in(run, path) for run in able),
            always=len(knowing) == len(able),
        )


def _needed_in(run: list[Asked], path: str) -> bool:
    """Return whether a loader insisted on a key. A look at what stands there insists on nothing."""
    asked = [one for one in run if one.path == path and one.shape != "any"]
    # An empty default of a choice only lets the loader read on.
    return bool(asked) and all(
        one.required or (one.shape == "choice" and one.default == "") for one in asked
    )


def _loader(kind: str) -> Callable[[Path], object]:
    from controller.bench.files import load_bench
    from controller.ladder.calibration import load_calibration
    from controller.ladder.files import load_ladder
    from controller.module.files import load_module
    from controller.planning.files import load_plan
    from controller.sensors.bath_file import load_bath
    from controller.sensors.files import load_sensor

    return {
        "sensor": load_sensor,
        "ladder": load_ladder,
        "module": load_module,
        "bench": load_bench,
        "plan": load_plan,
        "calibration": load_calibration,
        "bath": load_bath,
    }[kind]


def reference_files() -> dict[str, str]:
    """Return the text of each file of the reference by its name."""
    keys = keys_of_formats()
    files = {"keys.md": _page(keys)}
    for kind, known in keys.items():
        schema = json.dumps(_schema(kind, known), indent=2, ensure_ascii=False, allow_nan=False)
        files[f"rungwise-{kind}-1.schema.json"] = f"{schema}\n"
    files["output.schema.json"] = json.dumps(output_schema(), indent=1, ensure_ascii=False) + "\n"
    return files


def _page(keys: dict[str, list[Key]]) -> str:
    lines = [
        "# Every key of every file",
        "",
        "Made from the program's own loaders by `python -m controller.cli.reference`.",
        'A resistance may be a number in ohm, or text: `"2.5k"`, `"2k5"`, `"4R7"` (IEC 60062).',
        "Units stand in the keys' names; paths are relative to the file they stand in. `[]` is any",
        "entry of an array of tables: `group[].rungs[].ohms` stands in `[[group]]`.",
        "Needed: yes, no (then the default, if there is one), or with some kinds only.",
        "",
        "An editor that knows TOML schemas checks a file while it is typed when its first line is",
        "`#:schema` and the path of the schema file beside this page.",
    ]
    for kind, known in keys.items():
        lines += [
            "",
            f"## rungwise-{kind}/1",
            "",
            "| key | meaning | value | needed | default |",
            "|---|---|---|---|---|",
            '| `format` | what file this is | `"rungwise-' + kind + '/1"` | yes | |',
            *(_row(kind, one) for one in known),
        ]
    return "\n".join(lines) + "\n"


def _words(kind: str, key: Key) -> str:
    """Return what a key means; empty where nobody has written it down yet."""
    return KEY_WORDS[kind].get(key.asked.path, "")


def _row(kind: str, key: Key) -> str:
    asked = key.asked
    optional = key.always and not key.sometimes
    needed = "yes" if key.required else "no" if optional else "some kinds"
    default = f"`{_shown(asked.default)}`" if _has_default(asked) else ""
    return f"| `{asked.path}` | {_words(kind, key)} | {_what(asked)} | {needed} | {default} |"


def _what(asked: Asked) -> str:
    if asked.choices:
        return "one of " + ", ".join(f"`{choice}`" for choice in asked.choices)
    words = {
        "text": "text",
        "file": "path of a file",
        "boolean": "true or false",
        "table": "table",
        "tables": "array of tables",
        "numbers": "array of numbers",
        "texts": "array of texts",
        "rows": "array of rows of numbers",
        "integer": "whole number",
        "number": "resistance" if _is_ohms(asked.path) else "number",
        "any": "see the examples",
    }[asked.shape]
    if asked.shape in ("numbers", "rows", "texts"):
        return words
    bounds = [
        f"{sign} {_shown(bound)}"
        for sign, bound in (("more than", asked.above), ("from", asked.least), ("to", asked.most))
        if bound is not None
    ]
    return ", ".join([words, " ".join(bounds)]) if bounds else words


def _has_default(asked: Asked) -> bool:
    """Whether there is one that can be told: some follow from what else stands in the file."""
    if isinstance(asked.default, float) and not math.isfinite(asked.default):
        return False
    return asked.default not in (None, "")


def _shown(value: object) -> str:
    if isinstance(value, float):
        return f"{value:.12g}"
    return value.encode("unicode_escape").decode() if isinstance(value, str) else str(value)


def _is_ohms(path: str) -> bool:
    return path.endswith("ohms")


def _schema(kind: str, known: list[Key]) -> dict[str, Any]:
    root = _object()
    root["properties"]["format"] = {"const": f"rungwise-{kind}/1"}
    root["required"].append("format")
    for key in known:
        *parents, name = key.asked.path.split(".")
        table = root
        for parent in parents:
            if parent.endswith("[]"):
                table = table["properties"][parent.removesuffix("[]")]["items"]
            else:
                table = table["properties"][parent]
        value = _value(key.asked)
        if words := _words(kind, key):
            value["description"] = words
        table["properties"][name] = value
        if key.required:
            table["required"].append(name)
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": f"rungwise-{kind}/1",
        **root,
    }


def _object() -> dict[str, Any]:
    return {"type": "object", "properties": {}, "required": [], "additionalProperties": False}


def _value(asked: Asked) -> dict[str, Any]:
    """Return the schema of a key's value."""
    number: dict[str, Any] = {"type": "integer" if asked.shape == "integer" else "number"}
    bounds = {
        "exclusiveMinimum": asked.above,
        "minimum": asked.least,
        "maximum": asked.most,
    }
    number.update({name: bound for name, bound in bounds.items() if bound is not None})
    value: dict[str, Any]
    match asked.shape:
        case "number":
            value = {"anyOf": [number, {"type": "string"}]} if _is_ohms(asked.path) else number
        case "integer":
            # A state may be text too: "0x0a3f".
            state = asked.path.endswith("state")
            value = {"anyOf": [number, {"type": "string"}]} if state else number
        case "text" | "file":
            value = {"type": "string"}
        case "choice":
            value = {"enum": list(asked.choices)}
        case "boolean":
            value = {"type": "boolean"}
        case "table":
            value = _object()
        case "tables":
            value = {"type": "array", "items": _object()}
        case "numbers":
            value = {"type": "array", "items": {"type": "number"}}
        case "texts":
            value = {"type": "array", "items": {"type": "string"}, "minItems": 1}
        case "rows":
            cell = {"type": ["number", "string"] if asked.path == "points" else "number"}
            value = {"type": "array", "items": {"type": "array", "items": cell}}
        case _:
            value = {}
    if _has_default(asked):
        value["default"] = asked.default
    return value


def main(folder: Path = FOLDER) -> int:
    """Write the reference into a folder."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in reference_files().items():
        (folder / name).write_text(text, encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main(*map(Path, sys.argv[1:])))
