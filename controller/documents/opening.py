"""Opening a TOML file of a stated format: what has to be right before anything else is read."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

from controller.documents.document import Document
from controller.documents.files import read_text
from controller.documents.lines import line_index, toml_hint
from controller.errors import InputError

__all__ = ["read_document"]

_BETWEEN_DOTTED_KEYS = re.compile(r"[=,{}\[\]\n]")
_MOST_DOTS = 200


def read_document(path: Path, expected_format: str) -> Document:
    """Open a TOML file whose `format` key must be `expected_format`.

    Raises InputError when the file cannot be read, is not UTF-8, is not TOML, or is of another
    format: then nothing else in it can be trusted.
    """
    where = str(path)
    text = read_text(path)
    try:
        # What a dotted key costs tomllib in memory grows with the square of its parts.
        if any(part.count(".") > _MOST_DOTS for part in _BETWEEN_DOTTED_KEYS.split(text)):
            raise RecursionError
        data = tomllib.loads(text)
    except RecursionError:
        raise InputError.single("is nested too deeply", where=where) from None
    except ValueError as error:  # a number of thousands of digits is no TOMLDecodeError
        message, line = str(error), None
        found = re.search(r"at line (\d+)", message)
        if found:
            line = int(found[1])
            message = re.sub(r"\s*\(at line (\d+), column (\d+)\)", r", column \2", message)
        hint = toml_hint(text, line)
        raise InputError.single(
            f"not valid TOML: {message}", where=where, line=line, hint=hint
        ) from None
    document = Document(path, data, line_index(text))
    stated = data.get("format")
    if stated != expected_format:
        message, hint = _other_format(stated, expected_format)
        raise InputError.single(
            message, where=where, key="format", line=document.line_of("format"), hint=hint
        )
    document.root.take_for_granted("format")
    return document


def _other_format(stated: object, expected: str) -> tuple[str, str]:
    """Say why a file is not of the format expected, and what to do."""
    kind, _, version = expected.partition("/")
    if stated is None:
        return "this file has no format line", f'its first line should be format = "{expected}"'
    if isinstance(stated, str) and stated.partition("/")[0] == kind:
        other = stated.partition("/")[2]
        if other.isdigit() and int(other) > int(version):
            return f"{stated!r} is a newer version; this program reads {expected}", "update it"
        return f"there is no version {stated!r}", f"this program reads {expected}"
    return (
        f"this is a {stated!r} file where a {expected} file is needed",
        "name the right kind of file",
    )
