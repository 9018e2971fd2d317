"""The examples at the end of SPEC.md, written from the vectors: ``python -m ...examples``."""
# ruff: noqa: T201 - a command prints

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

__all__ = ["HEADING", "section", "vectors"]

HEADING = "## 10. Examples"
_HERE = Path(__file__).parent


def vectors(name: str) -> dict[str, Any]:
    """Return a vector file by its name without ending: crc, framing, messages, dialogues,
    tables."""
    loaded: dict[str, Any] = json.loads((_HERE / "vectors" / f"{name}.json").read_text("utf-8"))
    return loaded


def section() -> str:
    """Return the whole section, its heading included."""
    lines = [
        HEADING,
        "",
        "Written from `vectors/` by `python -m firmware_protocol.examples`.",
        "A test holds the two equal. Bytes are hexadecimal, as they are on the line.",
        "",
        "| message | relays | frame |",
        "|---|---|---|",
    ]
    lines += [
        f"| {case['name']} | {case['relay_count']} | `{case['frame_hex']}` |"
        for case in vectors("messages")["messages"]
    ]
    lines += [
        "",
        "Two conversations: type, sequence and body only, without checksum and encoding. `at` is",
        "the device's millisecond counter. What is latched is shown for a device that is not late;",
        "states after the first of a path, and the park, may come up to 2 ms later.",
    ]
    for dialogue in vectors("dialogues")["dialogues"]:
        if dialogue["name"] in ("a path, step by step", "hold-off"):
            lines += ["", *_conversation(dialogue)]
    return "\n".join(lines) + "\n"


def _conversation(dialogue: dict[str, Any]) -> list[str]:
    config = dialogue["config"]
    setting = f"{config['relay_count']} relays, park state {config['park_state']:#x}"
    lines = [
        f"**{dialogue['name']}** ({setting})",
        "",
        "| at | host | device |",
        "|---|---|---|",
    ]
    lines += [
        f"| {step['at_ms']} | `{step['send']}` | `{step['expect']}` |" for step in dialogue["steps"]
    ]
    latched = ", ".join(f"{state:#x} at {at_ms}" for at_ms, state in dialogue["latched"])
    return [*lines, "", f"Latched: {latched}."]


if __name__ == "__main__":
    print(section(), end="")
