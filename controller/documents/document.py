"""A TOML file being read: tables with typed getters, every problem at once with its key and line.

A loader opens a file with `read_document`, takes values through the getters of `Table`, and ends
with `Document.finish`, which raises one InputError with all problems found, unknown keys
included. A getter that finds a problem notes it and returns a harmless value of the right type,
so that reading goes on; no value may be used before `finish` has returned.
"""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, TypeVar

from controller.documents.asked import Asked, noted_keys
from controller.documents.values import checked_integer, checked_number, named
from controller.errors import InputError, Problem

__all__ = ["Document", "Table"]

_Read = TypeVar("_Read")


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

    def take_for_granted(self, key: str) -> None:
        """Count a key as known that no getter asks for."""
        self._taken.add(key)

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
        return checked_number(
            self.document.problem, self.key_path(key), value, above=above, least=least, most=most
        )

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
        return checked_number(
            self.document.problem, self.key_path(key), value, above=above, least=least, most=most
        )

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
        return checked_integer(
            self.document.problem, self.key_path(key), value, least=least, most=most
        )

    def optional_integer(
        self, key: str, *, least: int | None = None, most: int | None = None
    ) -> int | None:
        """Return a whole number inside the bounds, or None when the key is absent."""
        self._note(key, "integer", False, least=least, most=most)
        value = self._take(key, required=False)
        if value is None:
            return None
        return checked_integer(
            self.document.problem, self.key_path(key), value, least=least, most=most
        )

    def text(self, key: str, *, default: str | None = None) -> str:
        """Return a string that is not empty; required when there is no default."""
        self._note(key, "text", default is None, default)
        value = self._take(key, required=default is None)
        if value is None:
            return default if default is not None else ""
        if not isinstance(value, str):
            self.problem(key, f"must be text, not {named(value)}")
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
            named = "this" if key == "file" else f"the {key}"
            self.problem(key, f"{named} file cannot be used")
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
            self.problem(key, f"must be true or false, not {named(value)}")
            return default
        return value

    def table(self, key: str) -> Table:
        """Return a required sub-table; an empty one when it is missing or something else."""
        self._note(key, "table", True)
        value = self._take(key, required=True)
        if isinstance(value, dict):
            return Table(self.document, self.key_path(key), value)
        if value is not None:
            self.problem(key, f"must be a table, not {named(value)}")
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
            self.problem(key, f"must be an array of tables, not {named(value)}")
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
            self.problem(key, f"must be an array of rows, not {named(value)}")
            return []
        rows = []
        for index, row in enumerate(value):
            path = f"{self.key_path(key)}[{index}]"
            if not isinstance(row, list) or len(row) != columns:
                self.document.problem(path, f"must be a row of {columns} numbers")
                continue
            rows.append(
                tuple(
                    checked_number(
                        self.document.problem, f"{path}[{column}]", cell, ohms=column == ohms_column
                    )
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
            self.problem(key, f"must be an array of numbers, not {named(value)}")
            return []
        if len(value) < least:
            self.problem(key, f"needs at least {least} numbers, has {len(value)}")
        return [
            checked_number(self.document.problem, f"{self.key_path(key)}[{index}]", cell)
            for index, cell in enumerate(value)
        ]

    def texts(self, key: str, *, least: int = 1, required: bool = True) -> list[str]:
        """Return an array of strings, the first of them not empty; [] for a missing one."""
        self._note(key, "texts", required, least=float(least))
        value = self._take(key, required=required)
        if value is None:
            return []
        if not isinstance(value, list) or not all(isinstance(one, str) for one in value):
            self.problem(key, f"must be an array of texts, not {named(value)}")
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
        noted = noted_keys()
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
                self.document.problem(path, f"must be a table, not {named(item)}")
                yield None
