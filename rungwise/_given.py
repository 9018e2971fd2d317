"""What programs hand over: numbers of any kind taken in, everything else refused by its place.

Knows: plain data, and the types that the fields of our dataclasses state.
Must not know: plans, benches, what anything is for.

Files say what is wrong with them before a plan is made of them. A plan or bench that a program has
changed (`dataclasses.replace`) has not been through a loader, so it is looked through here. Values
that a whole number or a number of another library states become floats: the sums behind the door
are done in those.
"""

from __future__ import annotations

import dataclasses
import math
import operator
import os
import types
import typing
from collections.abc import Iterable
from decimal import Decimal
from enum import Enum
from numbers import Real
from pathlib import Path
from typing import Any, TypeVar

from controller.errors import InputError, Problem

__all__ = ["checked", "items_given", "path_given", "readings_given", "wrong"]

_Data = TypeVar("_Data")

_NO_READING = "write None where the module reported nothing"


def path_given(value: object, where: str) -> Path:
    """Return a path given as text or as an `os.PathLike` of text. Raises InputError."""
    try:
        text = os.fspath(value)  # type: ignore[call-overload]
    except TypeError:
        text = None
    if not isinstance(text, str) or "\0" in text or not text:
        raise wrong("must be a path", value, where)
    return Path(text)


def items_given(values: object, where: str) -> list[Any]:
    """Return the items of a list, or of anything else that can be gone through. InputError."""
    if isinstance(values, str | bytes) or not isinstance(values, Iterable):
        raise wrong("must be a list", values, where)
    return list(values)


def readings_given(values: object, where: str) -> list[float | None]:
    """Return readings as floats, of whatever library they are; None stays None. InputError."""
    readings: list[float | None] = []
    for index, value in enumerate(items_given(values, where)):
        number = None if value is None else _number(value, f"{where}[{index}]", _NO_READING)
        if number is not None and not math.isfinite(number):
            raise wrong("must be a temperature", value, f"{where}[{index}]", _NO_READING)
        readings.append(number)
    return readings


def checked(data: _Data, where: str) -> _Data:
    """Return a dataclass with every number of the type its field states.

    Raises InputError with every field that holds something else.
    """
    problems: list[Problem] = []
    found: _Data = _of_dataclass(data, where, problems)
    if problems:
        raise InputError(problems)
    return found


def _of_dataclass(data: Any, where: str, problems: list[Problem]) -> Any:
    changed = {}
    for name, hint in _hints(type(data)).items():
        value = getattr(data, name)
        try:
            taken = _taken(value, hint, f"{where}.{name}", problems)
        except InputError as error:
            problems.extend(error.problems)
            continue
        if taken is not value:
            changed[name] = taken
    if not changed or problems:
        return data
    return dataclasses.replace(data, **changed)


def _taken(value: Any, hint: Any, where: str, problems: list[Problem]) -> Any:
    """Return a value as its hint wants it. Hints that are not understood take everything."""
    arguments = typing.get_args(hint)
    if typing.get_origin(hint) in (typing.Union, types.UnionType):
        if value is None and type(None) in arguments:
            return None
        others = [one for one in arguments if one is not type(None)]
        fits = [one for one in others if isinstance(one, type) and isinstance(value, one)]
        return _taken(value, (fits or others)[0], where, problems)
    if typing.get_origin(hint) is typing.Literal:
        if value not in arguments:
            words = ", ".join(repr(one) for one in arguments)
            raise wrong(f"must be one of {words}", value, where)
        return value
    if typing.get_origin(hint) is tuple and len(arguments) == 2 and arguments[1] is ...:
        if not isinstance(value, tuple | list):
            raise wrong("must be a tuple", value, where)
        taken = tuple(
            _taken(one, arguments[0], f"{where}[{index}]", problems)
            for index, one in enumerate(value)
        )
        same = isinstance(value, tuple) and all(a is b for a, b in zip(value, taken, strict=True))
        return value if same else taken
    if hint is float:
        return value if type(value) is float and value == value else _number(value, where)
    if hint is int:
        return value if type(value) is int else _whole(value, where)
    if isinstance(hint, type):
        return _instance(value, hint, where, problems)
    return value


def _instance(value: Any, hint: type, where: str, problems: list[Problem]) -> Any:
    if getattr(hint, "_is_protocol", False):
        # A protocol says nothing that could be asked here; what stands for it is looked through.
        return _of_dataclass(value, where, problems) if dataclasses.is_dataclass(value) else value
    if not isinstance(value, hint):
        if issubclass(hint, Enum):
            words = ", ".join(f"{hint.__name__}.{one.name}" for one in hint)
            raise wrong(f"must be one of {words}", value, where)
        raise wrong(f"must be a {hint.__name__}", value, where)
    return _of_dataclass(value, where, problems) if dataclasses.is_dataclass(value) else value


def _number(value: object, where: str, hint: str | None = None) -> float:
    if not isinstance(value, bool) and isinstance(value, Real | Decimal):
        try:
            number = float(value)
        except (OverflowError, ValueError):
            number = math.nan
        if not math.isnan(number):
            return number
    raise wrong("must be a number", value, where, hint)


def _whole(value: object, where: str) -> int:
    if not isinstance(value, bool):
        try:
            return operator.index(value)  # type: ignore[arg-type]
        except TypeError:
            pass
    raise wrong("must be a whole number", value, where)


def wrong(message: str, value: object, where: str, hint: str | None = None) -> InputError:
    """Return the refusal of a value: what it must be, what it is instead, and where it stands."""
    return InputError.single(f"{message}, not {_shown(value)}", where=where, hint=hint)


def _shown(value: object) -> str:
    """Return what stands in an error: short, whatever it is."""
    try:
        text = repr(value)
    except Exception:  # noqa: BLE001 - somebody else's class
        text = "?"
    known = isinstance(value, str | bytes | int | float | None | Decimal)
    return text if known and len(text) <= 60 else f"a {type(value).__name__}"


_KNOWN: dict[type, dict[str, Any]] = {}


def _hints(kind: type) -> dict[str, Any]:
    """Return the types of a dataclass's fields; of one that cannot be asked there are none."""
    if kind not in _KNOWN:
        try:
            hints = typing.get_type_hints(kind)
        except (NameError, TypeError):
            hints = {}
        named = (one.name for one in dataclasses.fields(kind) if one.init)
        _KNOWN[kind] = {name: hints[name] for name in named if name in hints}
    return _KNOWN[kind]
