"""Reading several arguments so that all that is wrong with them is said at once.

Knows: how input errors add up.
Must not know: what the arguments mean.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import TypeVar

from controller.errors import InputError, Problem

__all__ = ["gathered"]

_Given = TypeVar("_Given")
_Made = TypeVar("_Made")


def gathered(make: Callable[[_Given], _Made], given: Iterable[_Given]) -> list[_Made]:
    """Return `make` of each item. Raises one InputError with the problems of all of them."""
    made: list[_Made] = []
    problems: list[Problem] = []
    for item in given:
        try:
            made.append(make(item))
        except InputError as error:
            problems.extend(error.problems)
    if problems:
        raise InputError(problems)
    return made
