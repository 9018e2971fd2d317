"""Values of a TOML file held against what may stand there; what does not is noted in words."""

from __future__ import annotations

import math
import re
from typing import Any, Protocol

from controller.errors import InputError
from controller.units import parse_ohms

__all__ = ["Noting", "checked_integer", "checked_number", "named"]

_LEAST_SIZE, _MOST_SIZE = 1e-30, 1e18
"""What a number of a file lies between in size: powers and quotients of it stay finite then."""


class Noting(Protocol):
    """Takes note of a problem at a key path."""

    def __call__(self, key: str, message: str, *, hint: str | None = None) -> None:
        """Note it."""


def checked_number(
    problem: Noting,
    path: str,
    value: Any,
    *,
    above: float = -math.inf,
    least: float = -math.inf,
    most: float = math.inf,
    ohms: bool = False,
) -> float:
    """Return a number that is finite and inside the bounds; note what is wrong with any other."""
    if isinstance(value, str) and (ohms or path.endswith("ohms")):
        try:
            value = parse_ohms(value)
        except InputError as error:
            one = error.problems[0]
            problem(path, one.message, hint=one.hint)
            return math.nan
    if isinstance(value, bool) or not isinstance(value, int | float):
        hint = None
        if isinstance(value, str) and re.fullmatch(r"\s*[+-]?\d+,\d+\s*", value):
            hint = "write a decimal point, not a comma, and no quotes"
        problem(path, f"must be a number, not {named(value)}", hint=hint)
        return math.nan
    try:
        number = float(value)
    except OverflowError:
        number = math.inf
    if not math.isfinite(number):
        problem(path, "must be a finite number")
    elif number and not _LEAST_SIZE < abs(number) < _MOST_SIZE:
        problem(path, f"is too large or too small for any physical quantity: {number:g}")
    elif number <= above:
        problem(path, f"must be more than {above:g}, is {number:g}")
    elif number < least:
        problem(path, f"must be at least {least:g}, is {number:g}")
    elif number > most:
        problem(path, f"must be at most {most:g}, is {number:g}")
    return number


def checked_integer(
    problem: Noting, path: str, value: Any, *, least: int | None, most: int | None
) -> int:
    """Return a whole number inside the bounds; note what is wrong with any other."""
    if isinstance(value, bool) or not isinstance(value, int):
        problem(path, f"must be a whole number, not {named(value)}")
        return least if least is not None else 0
    if least is not None and value < least:
        problem(path, f"must be at least {least}, is {value}")
    elif most is not None and value > most:
        problem(path, f"must be at most {most}, is {value}")
    return value


def named(value: Any) -> str:
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
