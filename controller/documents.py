"""Reading the TOML files people write: every problem at once, each with its key and line.

A loader opens a file with `read_document`, takes values through the getters of `Table`, and ends
with `Document.finish`, which raises one InputError with all problems found, unknown keys
included. A getter that finds a problem notes it and returns a harmless value of the right type,
so that reading goes on; no value may be used before `finish` has returned.

Every input file is read through `read_text`. That is what lets a record keep the text of all
files of a run (`collecting_files`) and a replay read them from the record (`supplied_files`).
"""

from __future__ import annotations

import difflib
import math
import os
import re
import tomllib
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

from controller.errors import InputError, Problem
from controller.regular_file import read_regular
from controller.units import parse_ohms

__all__ = [
    "Asked",
    "Document",
    "Table",
    "collecting_files",
    "noting_keys",
    "read_document",
    "read_text",
    "supplied_files",
]

_Read = TypeVar("_Read")

_BARE_KEY = r"[A-Za-z0-9_-]+"
_ASSIGNMENT = re.compile(rf"^\s*({_BARE_KEY}(?:\s*\.\s*{_BARE_KEY})*)\s*=")
_HEADER = re.compile(rf"^\s*(\[\[?)\s*({_BARE_KEY}(?:\s*\.\s*{_BARE_KEY})*)\s*\]\]?\s*(?:#.*)?$")
_INLINE_TABLE = re.compile(r"^\s*\{")

_BETWEEN_DOTTED_KEYS = re.compile(r"[=,{}\[\]\n]")
_MOST_DOTS = 200

_LEAST_SIZE, _MOST_SIZE = 1e-30, 1e18
"""What a number of a file lies between in size: powers and quotients of it stay finite then."""


@dataclass(frozen=True, kw_only=True)
class Asked:
    """A key that a loader has asked for: where, what may stand there, whether it has to.

    `path` is dotted, with ``[]`` for any entry of an array; `shape` one of number, integer, text,
    file, choice, boolean, table, tables, numbers, rows, any. `default` is None where there is none.
    """

    format: str
    path: str
    shape: str
    required: bool
    default: object = None
    above: float | None = None
    least: float | None = None
    most: float | None = None
    choices: tuple[str, ...] = ()


_NOTED: ContextVar[list[Asked] | None] = ContextVar("noted", default=None)
_COLLECTED: ContextVar[dict[Path, str] | None] = ContextVar("collected", default=None)
_SUPPLIED: ContextVar[Mapping[Path, str] | None] = ContextVar("supplied", default=None)


@contextmanager
def collecting_files() -> Iterator[dict[Path, str]]:
    """Note the absolute path and the text of every input file read inside the block."""
    files: dict[Path, str] = {}
    token = _COLLECTED.set(files)
    try:
        yield files
    finally:
        _COLLECTED.reset(token)


@contextmanager
def noting_keys() -> Iterator[list[Asked]]:
    """Note every key that loaders ask for inside the block: the reference is made of that."""
    noted: list[Asked] = []
    token = _NOTED.set(noted)
    try:
        yield noted
    finally:
        _NOTED.reset(token)


@contextmanager
def supplied_files(files: Mapping[Path, str]) -> Iterator[None]:
    """Read input files from a mapping of absolute paths, and from nowhere else, in the block."""
    token = _SUPPLIED.set(files)
    try:
        yield
    finally:
        _SUPPLIED.reset(token)


def read_text(path: Path) -> str:
    """Return the text of an input file.

    Raises InputError when the file cannot be read or is not UTF-8.
    """
    where = str(path)
    absolute = Path(os.path.abspath(path))  # noqa: PTH100 - resolve() would follow links
    try:
        supplied = _SUPPLIED.get()
        text = read_regular(path).decode("utf-8-sig") if supplied is None else supplied[absolute]
    except KeyError:
        raise InputError.single("this file is not in the record", where=where) from None
    except UnicodeDecodeError as error:
        raise InputError.single(
            f"not UTF-8 text (byte {error.start} is 0x{error.object[error.start]:02x})",
            where=where,
            hint="save the file as UTF-8",
        ) from None
    collected = _COLLECTED.get()
    if collected is not None:
        collected[absolute] = text
    return text


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
        hint = _toml_hint(text, line)
        raise InputError.single(
            f"not valid TOML: {message}", where=where, line=line, hint=hint
        ) from None
    document = Document(path, data, _line_index(text))
    stated = data.get("format")
    if stated != expected_format:
        message, hint = _other_format(stated, expected_format)
        raise InputError.single(
            message, where=where, key="format", line=document.line_of("format"), hint=hint
        )
    document.root._taken.add("format")  # noqa: SLF001 - the two classes are one unit
    return document


def _toml_hint(text: str, line: int | None) -> str | None:
    """Say what the usual reasons for a line that is not TOML are."""
    lines = text.splitlines()
    if line is None or not 1 <= line <= len(lines):
        return None
    if re.search(r'"[^"]*\\', lines[line - 1]):
        return "in a path write / for \\, or put it in single quotes"
    if re.search(r"=\s*[+-]?\d+,\d", lines[line - 1]):
        return "write a decimal point, not a comma"
    return None


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


class Document:
    """One file being read: its tables, and the problems found so far."""

    def __init__(self, path: Path, data: Mapping[str, Any], lines: Mapping[str, int]) -> None:
        self.path = path
        self._lines = lines
        self._problems: list[Problem] = []
        self._tables: list[Table] = []
        self.root = Table(self, "", data)

    def line_of(self, key: str) -> int | None:
        """Return the line a key path stands on, or that of the nearest enclosing key."""
        while key:
            if key in self._lines:
                return self._lines[key]
            key = key[: max(key.rfind("."), key.rfind("["), 0)]
        return None

    def problem(self, key: str, message: str, *, hint: str | None = None) -> None:
        """Note a problem at a key path; reading goes on."""
        self._problems.append(
            Problem(
                message=message,
                where=str(self.path),
                key=key or None,
                line=self.line_of(key),
                hint=hint,
            )
        )

    def adopt(self, error: InputError) -> None:
        """Note the problems of another file that this one refers to."""
        self._problems.extend(error.problems)

    @property
    def sound(self) -> bool:
        """Whether no problem has been noted so far."""
        return not self._problems

    def resolve(self, relative: str) -> Path:
        """Return a path written in this file: relative ones are relative to the file."""
        return self.path.parent / relative

    def finish(self) -> None:
        """Raise InputError with every problem noted, unknown keys included; else return."""
        for table in self._tables:
            table.note_unknown_keys()
        if self._problems:
            raise InputError(sorted(set(self._problems), key=lambda p: (p.line or 0, p.key or "")))


class Table:
    """A table of a document, with typed getters. A getter without default requires its key."""

    def __init__(self, document: Document, path: str, data: Mapping[str, Any]) -> None:
        self.document = document
        self.path = path
        self._data = data
        self._taken: set[str] = set()
        self._asked: set[str] = set()
        document._tables.append(self)  # noqa: SLF001 - the two classes are one unit

    def __contains__(self, key: str) -> bool:
        return key in self._data

    def key_path(self, key: str) -> str:
        """Return the dotted path of a key of this table."""
        return f"{self.path}.{key}" if self.path else key

    def problem(self, key: str, message: str, *, hint: str | None = None) -> None:
        """Note a problem with a key of this table ("" for the table itself)."""
        self.document.problem(self.key_path(key) if key else self.path, message, hint=hint)

    def note_unknown_keys(self) -> None:
        """Note every key that no getter asked for, with the nearest known key as a hint."""
        for key in self._data:
            if key not in self._taken:
                near = difflib.get_close_matches(key, sorted(self._asked), n=1)
                known = ", ".join(sorted(self._asked))
                hint = f"did you mean {near[0]}?" if near else f"known keys: {known}"
                self.problem(key, "unknown key", hint=hint)

    def number(
        self,
        key: str,
        *,
        default: float | None = None,
        above: float = -math.inf,
        least: float = -math.inf,
        most: float = math.inf,
    ) -> float:
        """Return a finite number inside the bounds; required when there is no default."""
        self._note(key, "number", default is None, default, above=above, least=least, most=most)
        value = self._take(key, required=default is None)
        if value is None:
            return default if default is not None else math.nan
        return self._checked_number(self.key_path(key), value, above=above, least=least, most=most)

    def optional_number(
        self,
        key: str,
        *,
        above: float = -math.inf,
        least: float = -math.inf,
        most: float = math.inf,
    ) -> float | None:
        """Return a finite number inside the bounds, or None when the key is absent."""
        self._note(key, "number", False, above=above, least=least, most=most)
        value = self._take(key, required=False)
        if value is None:
            return None
        return self._checked_number(self.key_path(key), value, above=above, least=least, most=most)

    def integer(
        self,
        key: str,
        *,
        default: int | None = None,
        least: int | None = None,
        most: int | None = None,
    ) -> int:
        """Return a whole number inside the bounds; required when there is no default."""
        self._note(key, "integer", default is None, default, least=least, most=most)
        value = self._take(key, required=default is None)
        if value is None:
            return default if default is not None else 0
        return self._checked_integer(self.key_path(key), value, least=least, most=most)

    def optional_integer(
        self, key: str, *, least: int | None = None, most: int | None = None
    ) -> int | None:
        """Return a whole number inside the bounds, or None when the key is absent."""
        self._note(key, "integer", False, least=least, most=most)
        value = self._take(key, required=False)
        if value is None:
            return None
        return self._checked_integer(self.key_path(key), value, least=least, most=most)

    def text(self, key: str, *, default: str | None = None) -> str:
        """Return a string that is not empty; required when there is no default."""
        self._note(key, "text", default is None, default)
        value = self._take(key, required=default is None)
        if value is None:
            return default if default is not None else ""
        if not isinstance(value, str):
            self.problem(key, f"must be text, not {_named(value)}")
            return ""
        if not value.strip() and default is None:
            self.problem(key, "must not be empty")
        return value

    def optional_text(self, key: str) -> str | None:
        """Return a string, or None when the key is absent."""
        self._note(key, "text", False)
        self._asked.add(key)
        return self.text(key, default="") if key in self._data else None

    def file(self, key: str, load: Callable[[Path], _Read]) -> _Read | None:
        """Return what the file that a key names holds; its problems join those of this one."""
        self._note(key, "file", True)
        relative = self.text(key)
        if not relative:
            return None
        if any(ord(character) < 32 for character in relative):
            hint = 'write / for \\ in a path, or use single quotes: in "..." a \\t is a tab'
            self.problem(key, f"this path holds a control character: {relative!r}", hint=hint)
            return None
        try:
            return load(self.document.resolve(relative))
        except InputError as error:
            self.problem(key, f"the {key} file cannot be used")
            self.document.adopt(error)
            return None

    def optional_file(self, key: str, load: Callable[[Path], _Read]) -> _Read | None:
        """Return what the file that a key names holds, or None when the key is absent."""
        self._note(key, "file", False)
        self._asked.add(key)
        return self.file(key, load) if key in self._data else None

    def choice(self, key: str, choices: Sequence[str], *, default: str | None = None) -> str:
        """Return one of the stated words; required when there is no default."""
        self._note(key, "choice", default is None, default, choices=tuple(choices))
        value = self._take(key, required=default is None)
        if value is None:
            return default if default is not None else choices[0]
        if value not in choices:
            near = difflib.get_close_matches(str(value), choices, n=1)
            self.problem(
                key,
                f"must be one of {', '.join(choices)}, not {value!r}",
                hint=f"did you mean {near[0]}?" if near else None,
            )
            return choices[0]
        return str(value)

    def boolean(self, key: str, *, default: bool) -> bool:
        """Return true or false."""
        self._note(key, "boolean", False, default)
        value = self._take(key, required=False)
        if value is None:
            return default
        if not isinstance(value, bool):
            self.problem(key, f"must be true or false, not {_named(value)}")
            return default
        return value

    def table(self, key: str) -> Table:
        """Return a required sub-table; an empty one when it is missing or something else."""
        self._note(key, "table", True)
        value = self._take(key, required=True)
        if isinstance(value, dict):
            return Table(self.document, self.key_path(key), value)
        if value is not None:
            self.problem(key, f"must be a table, not {_named(value)}")
        return Table(self.document, self.key_path(key), {})

    def optional_table(self, key: str) -> Table | None:
        """Return a sub-table, or None when the key is absent."""
        self._note(key, "table", False)
        self._asked.add(key)
        return self.table(key) if key in self._data else None

    def tables(self, key: str, *, least: int = 0) -> list[Table]:
        """Return the tables of an array of tables."""
        self._note(key, "tables", least > 0)
        value = self._take(key, required=least > 0)
        if value is None:
            return []
        if not isinstance(value, list):
            self.problem(key, f"must be an array of tables, not {_named(value)}")
            return []
        if len(value) < least:
            self.problem(key, f"needs at least {least} " + ("entry" if least == 1 else "entries"))
        return [table for table in self._each_table(key, value) if table is not None]

    def number_rows(
        self, key: str, *, columns: int, least: int = 1, ohms_column: int | None = None
    ) -> list[tuple[float, ...]]:
        """Return rows of finite numbers, as in ``points = [[20, 2500], [80, 320]]``.

        One column may be resistances, which may be text with a unit: ``"2k5"``.
        """
        self._note(key, "rows", True, least=float(least))
        value = self._take(key, required=True)
        if value is None:
            return []
        if not isinstance(value, list):
            self.problem(key, f"must be an array of rows, not {_named(value)}")
            return []
        rows = []
        for index, row in enumerate(value):
            path = f"{self.key_path(key)}[{index}]"
            if not isinstance(row, list) or len(row) != columns:
                self.document.problem(path, f"must be a row of {columns} numbers")
                continue
            rows.append(
                tuple(
                    self._checked_number(f"{path}[{column}]", cell, ohms=column == ohms_column)
                    for column, cell in enumerate(row)
                )
            )
        if len(value) < least:
            self.problem(key, f"needs at least {least} rows, has {len(value)}")
        return rows

    def numbers(self, key: str, *, least: int = 1) -> list[float]:
        """Return a required array of finite numbers."""
        self._note(key, "numbers", True, least=float(least))
        value = self._take(key, required=True)
        if value is None:
            return []
        if not isinstance(value, list):
            self.problem(key, f"must be an array of numbers, not {_named(value)}")
            return []
        if len(value) < least:
            self.problem(key, f"needs at least {least} numbers, has {len(value)}")
        return [
            self._checked_number(f"{self.key_path(key)}[{index}]", cell)
            for index, cell in enumerate(value)
        ]

    def texts(self, key: str, *, least: int = 1) -> list[str]:
        """Return a required array of strings, the first of them not empty."""
        self._note(key, "texts", True, least=float(least))
        value = self._take(key, required=True)
        if value is None:
            return []
        if not isinstance(value, list) or not all(isinstance(one, str) for one in value):
            self.problem(key, f"must be an array of texts, not {_named(value)}")
            return []
        if len(value) < least or not all(one.strip() for one in value[:1]):
            self.problem(key, "must not be empty")
        return value

    def raw(self, key: str) -> Any:
        """Return a value of any type unchecked, or None: for keys with more than one form."""
        self._note(key, "any", False)
        return self._take(key, required=False)

    def _note(
        self,
        key: str,
        shape: str,
        required: bool,
        default: object = None,
        *,
        above: float | None = None,
        least: float | None = None,
        most: float | None = None,
        choices: tuple[str, ...] = (),
    ) -> None:
        noted = _NOTED.get()
        if noted is None:
            return
        noted.append(
            Asked(
                format=str(self.document.root._data.get("format")),  # noqa: SLF001
                path=re.sub(r"\[\d+\]", "[]", self.key_path(key)),
                shape=shape,
                required=required,
                default=default,
                above=above if above is not None and math.isfinite(above) else None,
                least=least if least is not None and math.isfinite(least) else None,
                most=most if most is not None and math.isfinite(most) else None,
                choices=choices,
            )
        )

    def _take(self, key: str, *, required: bool) -> Any:
        self._asked.add(key)
        if key not in self._data:
            if required:
                self.problem(key, "is missing")
            return None
        self._taken.add(key)
        return self._data[key]

    def _each_table(self, key: str, value: list[Any]) -> Iterator[Table | None]:
        for index, item in enumerate(value):
            path = f"{self.key_path(key)}[{index}]"
            if isinstance(item, dict):
                yield Table(self.document, path, item)
            else:
                self.document.problem(path, f"must be a table, not {_named(item)}")
                yield None

    def _checked_number(
        self,
        path: str,
        value: Any,
        *,
        above: float = -math.inf,
        least: float = -math.inf,
        most: float = math.inf,
        ohms: bool = False,
    ) -> float:
        if isinstance(value, str) and (ohms or path.endswith("ohms")):
            try:
                value = parse_ohms(value)
            except InputError as error:
                problem = error.problems[0]
                self.document.problem(path, problem.message, hint=problem.hint)
                return math.nan
        if isinstance(value, bool) or not isinstance(value, int | float):
            hint = None
            if isinstance(value, str) and re.fullmatch(r"\s*[+-]?\d+,\d+\s*", value):
                hint = "write a decimal point, not a comma, and no quotes"
            self.document.problem(path, f"must be a number, not {_named(value)}", hint=hint)
            return math.nan
        try:
            number = float(value)
        except OverflowError:
            number = math.inf
        if not math.isfinite(number):
            self.document.problem(path, "must be a finite number")
        elif number and not _LEAST_SIZE < abs(number) < _MOST_SIZE:
            self.document.problem(path, f"is no quantity of this world: {number:g}")
        elif number <= above:
            self.document.problem(path, f"must be more than {above:g}, is {number:g}")
        elif number < least:
            self.document.problem(path, f"must be at least {least:g}, is {number:g}")
        elif number > most:
            self.document.problem(path, f"must be at most {most:g}, is {number:g}")
        return number

    def _checked_integer(
        self, path: str, value: Any, *, least: int | None, most: int | None
    ) -> int:
        if isinstance(value, bool) or not isinstance(value, int):
            self.document.problem(path, f"must be a whole number, not {_named(value)}")
            return least if least is not None else 0
        if least is not None and value < least:
            self.document.problem(path, f"must be at least {least}, is {value}")
        elif most is not None and value > most:
            self.document.problem(path, f"must be at most {most}, is {value}")
        return value


def _named(value: Any) -> str:
    """Name a TOML value's type for a person."""
    if isinstance(value, bool):
        return "true or false"
    if isinstance(value, str):
        return f"the text {value!r}"
    if isinstance(value, int | float):
        return f"the number {value}"
    if isinstance(value, list):
        return "an array"
    return "a table" if isinstance(value, dict) else "a date or time"


def _line_index(text: str) -> dict[str, int]:
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
