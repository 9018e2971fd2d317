"""Where keys stand in a TOML text, and why a line is not TOML: tomllib tells little of either."""

from __future__ import annotations

import re

__all__ = ["line_index", "toml_hint"]

_BARE_KEY = r"[A-Za-z0-9_-]+"
_ASSIGNMENT = re.compile(rf"^\s*({_BARE_KEY}(?:\s*\.\s*{_BARE_KEY})*)\s*=")
_HEADER = re.compile(rf"^\s*(\[\[?)\s*({_BARE_KEY}(?:\s*\.\s*{_BARE_KEY})*)\s*\]\]?\s*(?:#.*)?$")
_INLINE_TABLE = re.compile(r"^\s*\{")


def toml_hint(text: str, line: int | None) -> str | None:
    """Say what the usual reasons for a line that is not TOML are."""
    lines = text.splitlines()
    if line is None or not 1 <= line <= len(lines):
        return None
    if lines[0].startswith('{"'):
        return "is it a record? rungwise replay, diagnose, report and export take those"
    if re.search(r'"[^"]*\\', lines[line - 1]):
        return "in a path write / for \\, or put it in single quotes"
    if re.search(r"=\s*[+-]?\d+,\d", lines[line - 1]):
        return "write a decimal point, not a comma"
    return None


def line_index(text: str) -> dict[str, int]:
    """Map key paths to line numbers, as far as a look at each line can tell.

    tomllib keeps no positions. Headers and assignments at the start of a line are found, and
    inline tables that start a line inside an array are counted, which covers the way these files
    are written; `Document.line_of` falls back to the enclosing key for the rest.
    """
    lines: dict[str, int] = {}
    counts: dict[str, int] = {}
    prefix = ""
    last_key = ""
    inline = 0
    for number, line in enumerate(text.splitlines(), start=1):
        if header := _HEADER.match(line):
            name = re.sub(r"\s*\.\s*", ".", header[2])
            if header[1] == "[[":
                index = counts.get(name, 0)
                counts[name] = index + 1
                lines.setdefault(name, number)
                name = f"{name}[{index}]"
            prefix, last_key, inline = name, "", 0
            lines.setdefault(prefix, number)
        elif assignment := _ASSIGNMENT.match(line):
            key = re.sub(r"\s*\.\s*", ".", assignment[1])
            last_key = f"{prefix}.{key}" if prefix else key
            inline = 0
            lines.setdefault(last_key, number)
        elif last_key and (_INLINE_TABLE.match(line) or re.match(r"^\s*\[", line)):
            lines.setdefault(f"{last_key}[{inline}]", number)
            inline += 1
    return lines
