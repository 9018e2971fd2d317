"""One line of a record: how it is written, and how it proves itself and the line before.

Knows: JSON without NaN, the keys every line has, the hash chain.
Must not know: what a line reports, files, time.

A line is one JSON object and a newline. Its first keys are `seq`, `utc`, `elapsed_s`, `type` and
`previous`, the SHA-256 of the exact bytes of the line before, newline included (64 zeros in the
first line), so that `sha256sum` can follow the chain. Its last key is `check`, the SHA-256 of the
line's own bytes before `,"check"`: the last line has no follower that would give a change away.
"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from datetime import datetime
from enum import Enum
from pathlib import Path
from typing import Any

__all__ = [
    "CHECK_LENGTH",
    "FIRST_PREVIOUS",
    "BrokenLine",
    "check_of",
    "digest",
    "encode_line",
    "format_utc",
    "parse_line",
    "plain",
]

FIRST_PREVIOUS = "0" * 64
"""What the first line says of the line before it."""

_JSON = json.JSONEncoder(allow_nan=False, ensure_ascii=False, separators=(",", ":"))
_CHECK = b',"check":"'
CHECK_LENGTH = len(_CHECK) + 64 + len(b'"}\n')
"""How many bytes of a line, its newline included, come after those that its check is of."""


class BrokenLine(ValueError):  # noqa: N818 - it is the line that is broken
    """A line is not what was written. The message says how in a few words."""


def digest(data: bytes) -> str:
    """Return the SHA-256 of some bytes in hexadecimal."""
    return hashlib.sha256(data).hexdigest()


def check_of(hexadecimal: str) -> bytes:
    """Return the last bytes of a line, given the SHA-256 of those before."""
    return _CHECK + hexadecimal.encode("ascii") + b'"}\n'


def plain(value: Any) -> Any:
    """Turn dataclasses, enums, tuples, arrays, paths and dates into what JSON can hold.

    A number that is not finite becomes None: JSON has no word for it, and in a record the only
    one is the resistance of an open circuit. Anything else is named by its class.
    """
    if isinstance(value, Enum):
        return value.value
    if value is None or isinstance(value, bool | int | str):
        return value
    if isinstance(value, float):
        return float(value) if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    if isinstance(value, set | frozenset):
        return [plain(item) for item in sorted(value)]
    if is_dataclass(value) and not isinstance(value, type):
        return {field.name: plain(getattr(value, field.name)) for field in fields(value)}
    if isinstance(value, datetime):
        return value.isoformat()
    if isinstance(value, Path):
        return str(value)
    if hasattr(value, "tolist"):
        return plain(value.tolist())
    return type(value).__name__


def encode_line(
    kind: str,
    content: Mapping[str, Any],
    *,
    seq: int,
    utc: datetime,
    elapsed_s: float,
    previous: str,
) -> bytes:
    """Return the bytes of a line, newline included. `content` has been through `plain`."""
    body = {
        "seq": seq,
        "utc": format_utc(utc),
        "elapsed_s": round(elapsed_s, 6),
        "type": kind,
        "previous": previous,
        **content,
    }
    text = _JSON.encode(body)
    # A file name that is not UTF-8 holds lone surrogates; written as \udcxx they stay valid JSON.
    head = text[:-1].encode("utf-8", "backslashreplace")
    return head + check_of(digest(head))


def format_utc(moment: datetime) -> str:
    """Write a moment as every line does."""
    return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def parse_line(raw: bytes, *, seq: int, previous: str) -> dict[str, Any]:
    """Return a line's object after proving that it is whole and follows the one before.

    `raw` includes the newline. Raises BrokenLine.
    """
    head, tail = raw[:-CHECK_LENGTH], raw[-CHECK_LENGTH:]
    if tail != check_of(digest(head)):
        raise BrokenLine("its check does not match its bytes")
    try:
        line = json.loads(raw)
    except (ValueError, RecursionError):
        raise BrokenLine("it is not JSON") from None
    if not isinstance(line, dict) or not isinstance(line.get("type"), str):
        raise BrokenLine("it has no type")
    if line.get("previous") != previous:
        raise BrokenLine("it does not follow the line before: a line was changed or taken out")
    if line.get("seq") != seq:
        raise BrokenLine(f"its number is {line.get('seq')!r}, not {seq}")
    return line
