"""A record's chain, proven on its bytes; only the lines that are asked for are parsed.

Knows: how a line begins and ends, the hash chain, what the lines before a torn tail are worth.
Must not know: what becomes of the lines, DuckDB.

It proves what `records.reader` proves, several times as fast, because most lines are readings that
nobody asks an archive for: their bytes are hashed and their place in the chain is checked, but what
they say is not looked at.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Callable, Collection
from dataclasses import dataclass
from typing import Any, Generic, TypeVar

from controller.errors import InputError
from controller.records.compact import completed
from controller.records.lines import CHECK_LENGTH, FIRST_PREVIOUS, BrokenLine, check_of, parse_line
from controller.records.reader import opening_of

__all__ = ["Proven", "Prover"]

_HEAD = re.compile(
    rb'\{"seq":(\d+),"utc":"([^"\\]*)","elapsed_s":([-+.0-9e]+),"type":"([^"\\]*)"'
    rb',"previous":"([0-9a-f]{64})"'
)
_OPENINGS_KEPT = 256

_Setting = TypeVar("_Setting")


@dataclass(frozen=True, kw_only=True)
class Proven(Generic[_Setting]):
    """A record whose whole lines follow each other.

    `hashes` are those of its lines; `lines` the parsed ones, each with what it leaves to the plan;
    `setting` is what was made of the opening. `whole_bytes` go before the torn tail.
    """

    data: bytes
    whole_bytes: int
    hashes: tuple[str, ...]
    utc: str
    last_s: float
    setting: _Setting
    lines: tuple[dict[str, Any], ...]

    @property
    def torn_bytes(self) -> int:
        """How long the torn tail is."""
        return len(self.data) - self.whole_bytes


class Prover(Generic[_Setting]):
    """Proves records. `make` is given an opening, whole, and the name of its file.

    Openings that differ in nothing but their time are made of the same plan on the same bench:
    what `make` returned for the first of them serves them all.
    """

    def __init__(self, kinds: Collection[str], make: Callable[[dict[str, Any], str], _Setting]):
        self._kinds = {kind.encode() for kind in kinds}
        self._make = make
        self._settings: dict[bytes, tuple[_Setting, list[Any]]] = {}

    def prove(self, data: bytes, where: str) -> Proven[_Setting]:
        """Return what a record holds. Raises InputError, at the line where it breaks."""
        view = memoryview(data)
        hashes: list[str] = []
        lines: list[dict[str, Any]] = []
        previous, start, utc, last_s = FIRST_PREVIOUS, 0, "", 0.0
        setting: tuple[_Setting, list[Any]] | None = None
        while (end := data.find(b"\n", start) + 1) > 0:
            head = _HEAD.match(data, start, end)
            hashing = hashlib.sha256(view[start : end - CHECK_LENGTH])
            sound = (
                head is not None
                and end - start > CHECK_LENGTH
                and data[end - CHECK_LENGTH : end] == check_of(hashing.hexdigest())
                and int(head[1]) == len(hashes)
                and head[5] == previous.encode()
            )
            if not sound or head is None:
                raise _broken(data[start:end], len(hashes), previous, where)
            hashing.update(view[end - CHECK_LENGTH : end])
            if setting is None:
                setting = self._setting(data, head.end(), end, where)
                utc = head[2].decode("ascii", "replace")
            elif head[4] in self._kinds:
                line = _parsed(data[start:end], len(hashes), previous, where)
                lines.append(completed(line, setting[1]))
            last_s = float(head[3])
            previous = hashing.hexdigest()
            hashes.append(previous)
            start = end
        if setting is None:
            raise InputError.single("it holds no complete line of a record", where=where, line=1)
        return Proven(
            data=data,
            whole_bytes=start,
            hashes=tuple(hashes),
            utc=utc,
            last_s=last_s,
            setting=setting[0],
            lines=tuple(lines),
        )

    def _setting(
        self, data: bytes, content_at: int, end: int, where: str
    ) -> tuple[_Setting, list[Any]]:
        key = data[content_at : end - CHECK_LENGTH]
        known = self._settings.get(key)
        if known is None:
            opening = opening_of(data[:end], where)
            known = (self._make(opening, where), opening["plan"].get("steps", []))
            if len(self._settings) >= _OPENINGS_KEPT:
                self._settings.pop(next(iter(self._settings)))
            self._settings[key] = known
        return known


def _parsed(raw: bytes, seq: int, previous: str, where: str) -> dict[str, Any]:
    """Return the object of a line whose bytes are proven already."""
    try:
        line = json.loads(raw)
    except (ValueError, RecursionError):
        raise _damaged("it is not JSON", seq, where) from None
    # A key that comes twice says something else here than where the line's head was read.
    if not (line["seq"] == seq and line["previous"] == previous and isinstance(line["type"], str)):
        raise _damaged("it gives its number twice", seq, where)
    whole: dict[str, Any] = line
    return whole


def _broken(raw: bytes, seq: int, previous: str, where: str) -> InputError:
    """Say why a line is not what was written, in the words of the reader."""
    try:
        parse_line(raw, seq=seq, previous=previous)
    except BrokenLine as error:
        return _damaged(str(error), seq, where)
    return _damaged("it does not begin as every line of a record does", seq, where)


def _damaged(reason: str, seq: int, where: str) -> InputError:
    return InputError.single(f"the record is damaged: {reason}", where=where, line=seq + 1)
