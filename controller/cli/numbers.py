"""Plain numbers among the arguments.

Knows: which of them have to be above zero, and that the decimal sign may be a comma.
Must not know: what they are for.
"""

from __future__ import annotations

import math

from controller.errors import InputError

__all__ = ["above_zero", "at_least_zero"]


def above_zero(text: str, *, what: str) -> float:
    """Return a finite number above zero. Raises InputError."""
    value = _number(text, what)
    if value <= 0:
        raise InputError.single(f"{text!r} is not above zero", where=what)
    return value


def at_least_zero(text: str, *, what: str) -> float:
    """Return a finite number of zero or more. Raises InputError."""
    value = _number(text, what)
    if value < 0:
        raise InputError.single(f"{text!r} is below zero", where=what)
    return value


def _number(text: str, what: str) -> float:
    try:
        value = float(text.strip().replace(",", "."))
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise InputError.single(f"{text!r} is not a number", where=what)
    return value
