"""How single values stand in a line of a record: both directions, in one place.

Knows: that JSON has no infinity, that states are hexadecimal.
Must not know: which keys a line has.
"""

from __future__ import annotations

import math
from typing import Any

__all__ = ["codes_of", "finite_or_none", "number_of", "ohms_of", "state_of", "state_text"]


def finite_or_none(value: float) -> float | None:
    """Return what is written of a number: None for what is infinite."""
    return value if math.isfinite(value) else None


def number_of(value: Any) -> float | None:
    """Return a number that may not be there."""
    return None if value is None else float(value)


def ohms_of(value: Any) -> float:
    """Return what a state makes, in ohm: infinite where none is written, for an open circuit."""
    return math.inf if value is None else float(value)


def state_text(state: int, digits: int) -> str:
    """Return what is written of a state: as many hexadecimal digits as its ladder needs."""
    return f"0x{state:0{digits}x}"


def state_of(text: Any) -> int:
    """Return the state that a text names. Raises TypeError or ValueError."""
    return int(text, 16)


def codes_of(codes: Any) -> tuple[str, ...]:
    """Return the fault codes of a line. Raises TypeError when they are no array."""
    return tuple(str(code) for code in codes)
